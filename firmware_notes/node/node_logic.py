# The node without its hardware: numbers its samples, keeps them, says them, and says them again when asked.
#
# It knows no port, no pin and no clock: readings and milliseconds are handed in, bytes are handed out.

from node_ring import Ring
from node_wire import gone_pack, read_ask, sample_pack


def new_boot(urandom=None, counter_file="boot_count"):
    """A number that is new at every start.

    Chance in 32 bits where the board has a source of it; else a counter kept in flash. Without it the samples
    after a restart would look like repeats of those before it, and be thrown away.
    """
    if urandom is not None:
        raw = urandom(4)
        return (raw[0] << 24) | (raw[1] << 16) | (raw[2] << 8) | raw[3]
    return _counted(counter_file)


def _counted(path):
    import os

    try:
        with open(path) as held:
            count = int(held.read())
    except (OSError, ValueError):
        count = 0
    count = (count + 1) & 0xFFFFFFFF
    # Written beside and renamed: a power cut leaves the old number or the new one, never half of it.
    with open(path + ".new", "w") as fresh:
        fresh.write("%d" % count)
    os.rename(path + ".new", path)
    return count


class Node:
    """``channels``: names this node measures, ``water`` first. ``capacity``: samples kept, at least 600."""

    def __init__(self, name, boot, channels, capacity=900):
        self.name = name
        self.boot = boot
        self.ring = Ring(channels, capacity)
        self._fresh = None  # the newest sample, not yet said
        self._again_from = 0  # what is said again begins here,
        self._again = None  # has come so far,
        self._again_end = 0  # and ends here
        self._gone = None

    def sample(self, uptime_ms, reading):
        """Keep a reading; it is said next. Returns its number."""
        if self._fresh is not None:
            self.say_again(self._fresh)
        self._fresh = self.ring.put(uptime_ms, reading)
        return self._fresh

    def next_to_say(self):
        """(number or None, bytes) to hand to the link now, or None. The newest sample always goes first:
        what happens on the stove now is worth more than what is caught up on."""
        if self._fresh is not None:
            seq = self._fresh
            self._fresh = None
            return seq, self._pack(seq)
        if self._gone is not None:
            from_seq, count = self._gone
            self._gone = None
            return None, gone_pack(self.name, self.boot, from_seq, count)
        while self._again is not None:
            seq = max(self._again, self.ring.first_seq)
            if seq >= self._again_end:
                self._again = None
                return None
            self._again = seq + 1
            return seq, self._pack(seq)
        return None

    def _pack(self, seq):
        uptime_ms, reading = self.ring.get(seq)
        return sample_pack(self.name, self.boot, seq, uptime_ms, reading, self.ring.channels)

    def say_again(self, from_seq):
        """Everything from this number on is to be said again, as far as it is still held."""
        if self._again is None or from_seq < self._again_from:
            self._again_from = self._again = from_seq
        else:
            self._again = min(self._again, from_seq)
        self._again_end = self.ring.next_seq

    def hear(self, payload):
        """What the collector says."""
        stored, resend = read_ask(payload, self.name, self.boot)
        if stored is not None:
            self.ring.forget(stored)
        if resend is not None and resend < self.ring.next_seq:
            if self._again is not None and self._again_from <= resend:
                # That is being said already, and what was said last is still on its way: going back for it
                # again and again would never get to the end. If it is missing then, it is asked for then.
                return
            lost = self.ring.first_seq - resend
            if lost > 0:
                self._gone = (resend, lost)
            self.say_again(max(resend, self.ring.first_seq))

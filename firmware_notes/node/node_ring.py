# The node's memory: the last samples, until the collector says that they are on its disk.
#
# Packed into one block that is taken at the start, so that a long run never fights for memory: 8 bytes of
# uptime, 4 for each channel, 1 for the fault. 900 samples of 8 channels are 37 kB. Where memory is short,
# carry fewer channels, never fewer than 600 samples.

import struct

FAULTS = ("", "open", "short_to_ground", "short_to_supply", "out_of_range")

#: What travels as true or false; all other channels are numbers.
_TRUTHS = ("mains",)


def is_truth(channel):
    return channel in _TRUTHS or channel.startswith("lid-")


class Ring:
    """Samples by their number. ``channels`` are the names this node measures, in the order of the pack."""

    def __init__(self, channels, capacity=900):
        self.channels = tuple(channels)
        self.capacity = capacity
        self._format = "<q%dfB" % len(self.channels)
        self._size = struct.calcsize(self._format)
        self._block = bytearray(self._size * capacity)
        self.first_seq = 0  # the oldest sample still held
        self.next_seq = 0  # the number the next sample will get

    def put(self, uptime_ms, reading):
        """Keep a reading (channel -> number, true/false or None; "water-fault" -> word); returns its number."""
        values = []
        for channel in self.channels:
            value = reading.get(channel)
            values.append(float("nan") if value is None else float(value))
        fault = reading.get("water-fault") or ""
        seq = self.next_seq
        place = (seq % self.capacity) * self._size
        struct.pack_into(self._format, self._block, place, uptime_ms, *(values + [FAULTS.index(fault)]))
        self.next_seq = seq + 1
        if self.next_seq - self.first_seq > self.capacity:
            # The oldest goes, stored or not: what is lost so is said when it is asked for.
            self.first_seq = self.next_seq - self.capacity
        return seq

    def get(self, seq):
        """(uptime_ms, reading) of a sample, or None when it is no longer, or not yet, held."""
        if not self.first_seq <= seq < self.next_seq:
            return None
        parts = struct.unpack_from(self._format, self._block, (seq % self.capacity) * self._size)
        reading = {}
        for channel, value in zip(self.channels, parts[1:-1]):
            if value == value:  # not NaN: it was measured
                reading[channel] = value != 0 if is_truth(channel) else value
        if parts[-1]:
            reading["water-fault"] = FAULTS[parts[-1]]
        return parts[0], reading

    def forget(self, upto_seq):
        """The collector has everything up to and with this number."""
        if self.first_seq <= upto_seq < self.next_seq:
            self.first_seq = upto_seq + 1

# A node on a network, talking to an MQTT broker. Copy this file to the board as main.py, with the other
# node_*.py, hardware.py and node_settings.py beside it.

from node_clock import Heartbeat, SteadyClock
from node_logic import Node, new_boot
from node_mqtt import LinkLost, Mqtt

#: So many messages may wait for the broker's receipt.
IN_FLIGHT = 8

#: Between two attempts to connect. [ms]
RETRY_MS = 2000


def _link_again(link, node, now_ms):
    """Open the link anew; what the broker never confirmed is said again."""
    lost = [seq for seq in link.unacked.values() if seq is not None]
    link.unacked = {}
    if lost:
        node.say_again(min(lost))
    link.connect(now_ms)


def _say(link, node, now_ms):
    while len(link.unacked) < IN_FLIGHT:
        said = node.next_to_say()
        if said is None:
            return
        seq, payload = said
        try:
            link.publish("samples", payload, now_ms, seq)
        except LinkLost:
            if seq is not None:
                node.say_again(seq)
            raise


def run(hardware, settings, turns=None):
    """For ever, or for so many turns of the loop."""
    clock = SteadyClock(hardware.ticks_ms, hardware.TICKS_WRAP_MS)
    node = Node(settings["name"], new_boot(hardware.urandom), hardware.channels(), settings.get("keep", 900))
    link = Mqtt(settings["name"], settings["mqtt"])
    heartbeat = Heartbeat()
    period_ms = settings.get("period_ms", 1000)
    due_ms = clock.now_ms()
    retry_ms = 0
    while turns is None or turns > 0:
        turns = None if turns is None else turns - 1
        now_ms = clock.now_ms()
        if now_ms >= due_ms:
            # The grid is kept; a late turn does not shift the samples after it.
            due_ms += period_ms * ((now_ms - due_ms) // period_ms + 1)
            node.sample(now_ms, hardware.read())
            heartbeat.sampled(now_ms)
        try:
            if link.connected:
                for ask in link.turn(now_ms):
                    node.hear(ask)
                if link.ready:
                    _say(link, node, now_ms)
            elif now_ms >= retry_ms and hardware.network_up():
                retry_ms = now_ms + RETRY_MS
                _link_again(link, node, now_ms)
        except (LinkLost, OSError):
            pass  # tried again in a moment; the ring keeps what was not said
        if heartbeat.alive(clock.now_ms()):
            hardware.feed_watchdog()
        hardware.sleep_ms(20)


if __name__ == "__main__":
    import hardware
    from node_settings import SETTINGS

    if hardware.may_run():
        run(hardware, SETTINGS)

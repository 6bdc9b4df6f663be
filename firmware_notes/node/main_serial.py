# A node on a serial line (USB or a UART). Copy this file to the board as main.py, with the other node_*.py,
# hardware.py and node_settings.py beside it.

from node_clock import Heartbeat, SteadyClock
from node_logic import Node, new_boot
from node_wire import Lines, frame, unframe

#: Of what is caught up on, so many lines a turn at most: a fresh sample never waits long. At 115200 bit/s a
#: line takes some 20 ms.
LINES_A_TURN = 4


def run(hardware, settings, turns=None):
    """For ever, or for so many turns of the loop."""
    clock = SteadyClock(hardware.ticks_ms, hardware.TICKS_WRAP_MS)
    node = Node(settings["name"], new_boot(hardware.urandom), hardware.channels(), settings.get("keep", 900))
    port = hardware.serial_port()
    lines = Lines()
    heartbeat = Heartbeat()
    period_ms = settings.get("period_ms", 1000)
    due_ms = clock.now_ms()
    port.write(b"\n")  # ends whatever half line the board's own start left on the wire
    while turns is None or turns > 0:
        turns = None if turns is None else turns - 1
        now_ms = clock.now_ms()
        if now_ms >= due_ms:
            # The grid is kept; a late turn does not shift the samples after it.
            due_ms += period_ms * ((now_ms - due_ms) // period_ms + 1)
            node.sample(now_ms, hardware.read())
            heartbeat.sampled(now_ms)
        for _ in range(LINES_A_TURN):
            said = node.next_to_say()
            if said is None:
                break
            port.write(frame(said[1]))
        for line in lines.feed(port.read()):
            ask = unframe(line)
            if ask is not None:
                node.hear(ask)
        if heartbeat.alive(clock.now_ms()):
            hardware.feed_watchdog()
        hardware.sleep_ms(20)


if __name__ == "__main__":
    import hardware
    from node_settings import SETTINGS

    if hardware.may_run():
        run(hardware, SETTINGS)

# A clock that never runs backwards, made from a counter of milliseconds that does.
#
# Boards count milliseconds in a small number and begin again from zero: most at 2**30 (12.4 days), some at
# 2**32 (49.7 days). The counter's value and its length are passed in, so that a test can let it wrap.

WRAP_MS = 1 << 30


class SteadyClock:
    """Milliseconds since the start, growing for ever. Ask at least once in half a wrap (6 days)."""

    def __init__(self, ticks_ms, wrap_ms=WRAP_MS):
        self._ticks_ms = ticks_ms
        self._wrap_ms = wrap_ms
        self._last = ticks_ms() % wrap_ms
        self._passed_ms = 0

    def now_ms(self):
        ticks = self._ticks_ms() % self._wrap_ms
        passed = (ticks - self._last) % self._wrap_ms
        if passed > self._wrap_ms // 2:
            # A counter read in an interrupt may be a little older than the last one: no step back.
            passed = 0
        else:
            self._last = ticks
        self._passed_ms += passed
        return self._passed_ms


class Heartbeat:
    """Says whether the program still does its work, so that the board's watchdog may be fed.

    A loop that turns is not enough: a sensor bus that hangs would leave it turning without samples.
    """

    def __init__(self, limit_ms=5000):
        self._limit_ms = limit_ms
        self._sampled_ms = 0

    def sampled(self, now_ms):
        self._sampled_ms = now_ms

    def alive(self, now_ms):
        return now_ms - self._sampled_ms <= self._limit_ms

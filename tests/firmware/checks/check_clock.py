# Run by test_node_checks.py under every interpreter: the first argument is the node's folder.
import sys

sys.path.insert(0, sys.argv[1])
from node_clock import Heartbeat, SteadyClock

for wrap_ms in (1 << 30, 1 << 32):
    ticks = [wrap_ms - 2500]
    clock = SteadyClock(lambda: ticks[0], wrap_ms)
    assert clock.now_ms() == 0
    seen = []
    for _ in range(6):
        ticks[0] = (ticks[0] + 1000) % wrap_ms
        seen.append(clock.now_ms())
    assert seen == [1000, 2000, 3000, 4000, 5000, 6000], seen

# 40 days in steps of five: the counter has wrapped three times.
ticks = [123]
clock = SteadyClock(lambda: ticks[0] % (1 << 30))
for day in range(5, 41, 5):
    ticks[0] = 123 + day * 86400000
    assert clock.now_ms() == day * 86400000, (day, clock.now_ms())

# A counter read a little late does not run backwards.
ticks = [1000]
clock = SteadyClock(lambda: ticks[0])
ticks[0] = 2000
assert clock.now_ms() == 1000
ticks[0] = 1990
assert clock.now_ms() == 1000
ticks[0] = 2010
assert clock.now_ms() == 1010

heart = Heartbeat(5000)
heart.sampled(1000)
assert heart.alive(6000)
assert not heart.alive(6001)
print("ok")

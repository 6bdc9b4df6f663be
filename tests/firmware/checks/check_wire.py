# Run by test_node_checks.py under every interpreter: the first argument is the node's folder, the second a
# file of cases made by the project's own encoder.
import json
import sys

sys.path.insert(0, sys.argv[1])
from node_wire import Lines, frame, gone_pack, read_ask, sample_pack, unframe

# The customary check value of CRC-32.
assert frame(b"123456789") == b"123456789*cbf43926\n"
assert unframe(b"123456789*cbf43926") == b"123456789"
assert unframe(b"123456789*CBF43926\r") == b"123456789"
for damaged in (b"", b"*", b"123456788*cbf43926", b"123456789*cbf4392", b"123456789*cbf4392x", b"123456789"):
    assert unframe(damaged) is None, damaged

lines = Lines()
assert lines.feed(b"ab") == []
assert lines.feed(b"c\nde\n\nf") == [b"abc", b"de"]
assert lines.feed(b"\n") == [b"f"]
assert lines.feed(b"x" * 100000) == []
assert lines.feed(b"x\nok\n") == [b"ok"]

with open(sys.argv[2]) as held:
    cases = json.load(held)
for case in cases["asks"]:
    got = read_ask(case["payload"].encode(), "kettle-1", 7)
    assert list(got) == case["expected"], (case, got)
for bad in (b"", b"[", b"{}", b"[1]", b'"x"', b"\xff", b'[{"bn":1,"n":2,"v":3}]', b'[{"n":"kettle-1:stored","v":1}]'):
    assert read_ask(bad, "kettle-1", 7) == (None, None), bad

channels = ["water", "water-2", "chip", "room", "jar-1", "jar-2", "pressure", "heater", "mains", "lid-1"]
for reading in cases["readings"]:
    print(sample_pack("kettle-1", 4294967295, 12, 93600123, reading, channels).decode())
print(gone_pack("kettle-1", 7, 120, 37).decode())

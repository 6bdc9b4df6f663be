# Run by test_node_checks.py under every interpreter: the first argument is the node's folder.
import sys

sys.path.insert(0, sys.argv[1])
from node_ring import Ring

ring = Ring(["water", "chip", "pressure", "mains", "lid-1"], 600)
full = {"water": 94.25, "chip": 27.5, "pressure": 83250.0, "mains": True, "lid-1": False}
assert ring.put(1 << 40, full) == 0
assert ring.get(0) == (1 << 40, full), ring.get(0)
assert ring.put(5, {"water": None, "water-fault": "open", "chip": 27.5}) == 1
assert ring.get(1) == (5, {"chip": 27.5, "water-fault": "open"}), ring.get(1)
assert ring.get(2) is None
assert ring.get(-1) is None

for seq in range(2, 602):
    assert ring.put(seq, {"water": float(seq)}) == seq
assert (ring.first_seq, ring.next_seq) == (2, 602)
assert ring.get(1) is None
assert ring.get(2) == (2, {"water": 2.0})
assert ring.get(601) == (601, {"water": 601.0})

ring.forget(100)
assert ring.first_seq == 101
assert ring.get(100) is None
ring.forget(50)
ring.forget(602)  # a number nobody has said yet: not believed
assert ring.first_seq == 101
ring.forget(601)
assert (ring.first_seq, ring.next_seq) == (602, 602)
assert ring.get(601) is None
print("ok")

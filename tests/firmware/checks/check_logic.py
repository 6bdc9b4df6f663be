# Run by test_node_checks.py under every interpreter: the first argument is the node's folder.
import json
import os
import sys

sys.path.insert(0, sys.argv[1])
from node_logic import Node, new_boot


def seq_of(payload):
    for record in json.loads(payload):
        if record["n"].endswith("seq"):
            return record["v"]
    return None


def said(node):
    numbers = []
    while True:
        say = node.next_to_say()
        if say is None:
            return numbers
        numbers.append(say[0] if say[0] is not None else json.loads(say[1]))


def ask(text):
    return ('[{"bn":"k:","n":"boot","v":9},%s]' % text).encode()


node = Node("k", 9, ["water"], 600)
assert said(node) == []

# Each sample once, as it comes.
for n in range(3):
    assert node.sample(n * 1000, {"water": 90.0 + n}) == n
    assert said(node) == [n]

# A link that took nothing for a while: the newest first, then what was missed.
for n in range(3, 7):
    node.sample(n * 1000, {"water": 90.0})
number, payload = node.next_to_say()
assert number == 6 and seq_of(payload) == 6
assert said(node) == [3, 4, 5]

# Asked for again from 2 on; a fresh sample in the middle goes first.
node.hear(ask('{"n":"resend","v":2}'))
assert node.next_to_say()[0] == 2
node.sample(7000, {"water": 90.0})
assert said(node) == [7, 3, 4, 5, 6]

# Asked again for what is being said again: not begun anew, or it would never end.
node.hear(ask('{"n":"resend","v":2}'))
assert [node.next_to_say()[0] for _ in range(3)] == [2, 3, 4]
node.hear(ask('{"n":"resend","v":3}'))
assert said(node) == [5, 6, 7]

# Stored up to 4: forgotten, and no longer given.
node.hear(ask('{"n":"stored","v":4}'))
assert node.ring.first_seq == 5
node.hear(ask('{"n":"resend","v":3}'))
assert said(node) == [
    [{"bn": "k:", "n": "boot", "v": 9}, {"n": "resend", "v": 3}, {"n": "gone", "v": 2}],
    5,
    6,
    7,
]

# What is not for this start of this node, or absurd, changes nothing.
for other in (
    b'[{"bn":"k:","n":"boot","v":8},{"n":"stored","v":7}]',
    b'[{"bn":"kk:","n":"boot","v":9},{"n":"stored","v":7}]',
    ask('{"n":"stored","v":99}'),
    ask('{"n":"resend","v":99}'),
    ask('{"n":"stored","v":-1}'),
    ask('{"n":"stored","v":true}'),
    ask('{"n":"stored","v":"7"}'),
    b"garbage",
):
    node.hear(other)
assert node.ring.first_seq == 5
assert said(node) == []

# A ring that runs over gives what it has, and says how much it has not.
for n in range(8, 900):
    node.sample(n * 1000, {"water": 90.0})
    node.next_to_say()
node.hear(ask('{"n":"resend","v":100}'))
again = said(node)
assert again[0][2] == {"n": "gone", "v": 200}, again[0]
assert again[1:] == list(range(300, 900))

# The number of a start: chance where there is some, else a counter that survives.
assert new_boot(lambda count: b"\xff\x00\x00\x01") == 0xFF000001
path = sys.argv[2]
assert [new_boot(None, path) for _ in range(3)] == [1, 2, 3]
with open(path, "w") as held:
    held.write("broken")
assert new_boot(None, path) == 1
os.remove(path)
print("ok")

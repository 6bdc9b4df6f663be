"""Whatever the bytes: no exception escapes but the one that is meant to, and no sample is invented."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import WireFormatError
from monitor.intake.framing import LineSplitter, frame
from monitor.intake.quick import quick_values
from monitor.intake.wire import (
    NODE_NAME,
    Pack,
    decode_pack,
    decode_strictly,
    encode_pack,
    identity_of_refused,
)

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from(["k:", "k:water", "water", "boot", "seq", "Cel", "Pa", "open", "x_"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=3), inner, max_size=4),
    max_leaves=6,
)
labels = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "x_"]
)
packs = st.lists(st.dictionaries(labels, json_values, max_size=5), max_size=5)


def check_sane(payload: bytes) -> bool:
    """Decode; an accepted pack must be one that a node could have said, and read back the same."""
    identity_of_refused(payload)
    quick = quick_values(payload, NODE_NAME)
    if quick is not None:
        # The quick reader knows nothing that the strict one does not.
        assert Pack(quick[0], **quick[1]) == decode_strictly(payload)
    try:
        pack = decode_pack(payload)
    except WireFormatError as trouble:
        assert str(trouble).isascii() and str(trouble).isprintable() and len(str(trouble)) < 300
        return False
    assert pack == decode_strictly(payload)
    assert pack.boot is not None and 0 <= pack.boot < 1 << 32
    assert pack.water_C is None or -60.0 <= pack.water_C <= 400.0
    assert pack.pressure_kPa is None or 30.0 <= pack.pressure_kPa <= 120.0
    assert decode_pack(encode_pack(pack)).node == pack.node
    return True


@given(st.binary(max_size=600))
def test_any_bytes(payload: bytes) -> None:
    check_sane(payload)


@given(st.text(alphabet='[]{}",:0123456789.eE+-_truefalsnbvk \\u', max_size=200))
def test_anything_that_looks_like_json(text: str) -> None:
    check_sane(text.encode("utf-8", "surrogatepass"))


@settings(max_examples=300)
@given(packs)
def test_any_json_of_senml_shape(pack: list[dict[str, object]]) -> None:
    check_sane(json.dumps(pack).encode())


channels = st.sampled_from(
    ["boot", "seq", "water", "room", "uptime", "pressure", "mains", "stored", "jar-1", "x"]
)
near_values = st.sampled_from([0, 1, 94.5, -1, 83000, 4294967296, 1e999, True, None, "1", [], {"v": 1}])
near_records = st.fixed_dictionaries(
    {"n": channels, "v": near_values},
    optional={
        "u": st.sampled_from(["Cel", "Pa", "s", "", 5]),
        "bn": st.sampled_from(["k:", "k", "j:", "k:b", 5]),
        "bu": st.sampled_from(["Cel", "Pa", 5]),
        "vb": st.booleans(),
        "t": st.sampled_from([0, -1, 5]),
    },
)


@settings(max_examples=600)
@given(st.lists(near_records, min_size=1, max_size=5), st.booleans())
def test_packs_that_are_nearly_right(records: list[dict[str, object]], blanks: bool) -> None:
    good = [{"bn": "k:", "n": "boot", "v": 1}, {"n": "seq", "v": 2}]
    separators = None if blanks else (",", ":")
    check_sane(json.dumps([*good, *records], separators=separators).encode())
    check_sane(json.dumps(records, separators=separators).encode())


def test_a_label_that_stands_twice_is_seen_by_the_quick_reader_too() -> None:
    twice = b'[{"bn":"k:","n":"boot","v":1},{"n":"seq","v":2},{"n":"water","u":"Cel","v":90,"v":95}]'
    assert quick_values(twice, NODE_NAME) is None
    once = twice.replace(b',"v":95', b"")
    assert quick_values(once, NODE_NAME) == ("k", {"boot": 1, "seq": 2, "water_C": 90.0})


def some_pack(chance: random.Random, seq: int) -> bytes:
    return encode_pack(
        Pack(
            "kettle-1",
            boot=77,
            seq=seq,
            uptime_s=seq * 1.0,
            water_C=round(chance.uniform(20, 100), 2),
            room_C=round(chance.uniform(10, 30), 2),
            pressure_kPa=chance.randrange(70_000, 103_000) / 1000,
            mains=chance.random() < 0.5,
            water_fault="open" if chance.random() < 0.1 else None,
        )
    )


def damage(chance: random.Random, line: bytes) -> bytes:
    """What a cable, a crash or an ill will does to a line."""
    body = bytearray(line)
    kind = chance.randrange(7)
    at = chance.randrange(len(body))
    if kind == 0:
        body[at] ^= 1 << chance.randrange(8)
    elif kind == 1:
        del body[at : at + chance.randrange(1, 40)]
    elif kind == 2:
        body[at:at] = chance.randbytes(chance.randrange(1, 40))
    elif kind == 3:
        body = body[:at]
    elif kind == 4:
        other = chance.randrange(len(body))
        body[at:at] = body[min(at, other) : max(at, other)]
    elif kind == 5:
        body[at] = chance.choice(b'0123456789-.eE"{}[],:*\n')
    else:
        body = bytearray(chance.randbytes(chance.randrange(1, 600)))
    return bytes(body)


def throw_lines(count: int, seed: int) -> tuple[int, int]:
    """Stream ``count`` lines, one in three damaged; returns how many were accepted and how many were whole."""
    chance = random.Random(seed)
    splitter = LineSplitter()
    said: set[bytes] = set()
    whole = accepted = 0
    for seq in range(count):
        body = some_pack(chance, seq)
        said.add(body)
        line = frame(body)
        if chance.random() < 1 / 3:
            hurt = damage(chance, line)
            check_sane(hurt)
            line = hurt
        else:
            whole += 1
        at = chance.randrange(len(line) + 1)
        for piece in (line[:at], line[at:]):
            for heard in splitter.feed(piece):
                if not heard.why:
                    assert heard.body in said, "a line that nobody said"
                    assert check_sane(heard.body)
                    accepted += 1
        if len(said) > 5000:
            said = {body}
    return accepted, whole


def test_damaged_lines_never_become_samples() -> None:
    accepted, whole = throw_lines(4000, seed=1)
    # A lost newline takes the next line with it; all else gets through.
    assert whole * 0.8 < accepted <= whole * 1.05


@pytest.mark.long
def test_a_million_lines() -> None:
    accepted, whole = throw_lines(1_000_000, seed=2)
    assert whole * 0.8 < accepted <= whole * 1.05

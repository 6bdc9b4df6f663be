"""Packs: the contract's records, their units and ranges, and the way back to bytes."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import WireFormatError
from monitor.intake.channels import FAULTS, decode_value
from monitor.intake.wire import Pack, decode_pack, encode_ask, encode_pack, identity_of_refused


def pack_of(*records: dict[str, object], boot: int | None = 3, seq: int | None = 7) -> bytes:
    head: list[dict[str, object]] = []
    if boot is not None:
        head.append({"n": "boot", "v": boot})
    if seq is not None:
        head.append({"n": "seq", "v": seq})
    all_records = [*head, *records]
    return json.dumps([{"bn": "kettle-1:", **all_records[0]}, *all_records[1:]]).encode()


def test_every_record_of_the_contract() -> None:
    pack = decode_pack(
        pack_of(
            {"n": "uptime", "u": "s", "v": 12.5},
            {"n": "water", "u": "Cel", "v": 94.25},
            {"n": "water-2", "u": "Cel", "v": 93.5},
            {"n": "room", "u": "Cel", "v": 21},
            {"n": "chip", "u": "Cel", "v": 31.0625},
            {"n": "jar-1", "u": "Cel", "v": 80.5},
            {"n": "jar-12", "u": "Cel", "v": 79.5},
            {"n": "pressure", "u": "Pa", "v": 83250},
            {"n": "heater", "u": "W", "v": 1480.5},
            {"n": "mains", "vb": True},
            {"n": "lid-2", "vb": False},
            {"n": "water-fault", "vs": "short_to_ground"},
        )
    )
    assert pack == Pack(
        node="kettle-1",
        boot=3,
        seq=7,
        uptime_s=12.5,
        water_C=94.25,
        water_2_C=93.5,
        room_C=21.0,
        chip_C=31.0625,
        jars={1: 80.5, 12: 79.5},
        pressure_kPa=83.25,
        heater_W=1480.5,
        mains=True,
        lids={2: False},
        water_fault="short_to_ground",
    )
    assert pack.seq is not None


def test_a_base_unit_covers_the_temperatures_and_leaves_the_counts_alone() -> None:
    pack = decode_pack(
        b'[{"bn":"k:","bu":"Cel","n":"water","v":94.2},{"n":"room","v":20},{"n":"boot","v":1},'
        b'{"n":"seq","v":0},{"n":"uptime","u":"s","v":1}]'
    )
    assert (pack.water_C, pack.room_C, pack.boot, pack.seq) == (94.2, 20.0, 1, 0)


def test_full_names_without_a_base_name() -> None:
    pack = decode_pack(b'[{"n":"k:boot","v":1},{"n":"k:seq","v":2},{"n":"k:water","u":"Cel","v":90}]')
    assert (pack.node, pack.water_C) == ("k", 90.0)


def test_records_nobody_knows_are_left_aside_and_named() -> None:
    assert decode_pack(pack_of({"n": "battery", "u": "V", "v": 3.7})).unknown == ("battery",)


def test_missing_stays_missing() -> None:
    pack = decode_pack(pack_of({"n": "water-fault", "vs": "open"}))
    assert pack.water_C is None
    assert pack.water_fault == "open"


def test_an_empty_fault_is_none() -> None:
    assert decode_pack(pack_of({"n": "water-fault", "vs": ""})).water_fault is None


@pytest.mark.parametrize(
    ("record", "what"),
    [
        ({"n": "water", "u": "K", "v": 367.4}, "water must be in Cel, got 'K'"),
        ({"n": "water", "v": 94.2}, "water must be in Cel, got none"),
        ({"n": "water", "u": "Cel", "v": 1372}, "outside -60 to 400 Cel"),
        ({"n": "water", "u": "Cel", "vs": "94"}, 'must be a number \\("v"\\)'),
        ({"n": "water", "u": "Cel", "s": 94}, 'must be a number \\("v"\\)'),
        ({"n": "pressure", "u": "Pa", "v": 83.2}, "outside 30000 to 120000 Pa"),
        ({"n": "pressure", "u": "hPa", "v": 832}, "pressure must be in Pa, got 'hPa'"),
        ({"n": "heater", "u": "W", "v": -1}, "outside 0 to 50000 W"),
        ({"n": "uptime", "u": "ms", "v": 1000}, "uptime must be in s, got 'ms'"),
        ({"n": "uptime", "u": "s", "v": -1}, "uptime -1 s is outside"),
        ({"n": "mains", "v": 1}, 'mains must be true or false \\("vb"\\)'),
        ({"n": "lid-1", "v": 1}, 'lid-1 must be true or false \\("vb"\\)'),
        ({"n": "water-fault", "vs": "broken"}, "water-fault must be one of open, short_to_ground"),
        ({"n": "water-fault", "vb": True}, "water-fault must be one of"),
        ({"n": "seq", "v": 8}, "'seq' twice in one pack"),
        ({"n": "room", "u": "Cel", "v": 20, "t": -1}, "records of different times"),
        ({"bn": "other:", "n": "room", "u": "Cel", "v": 20}, "two nodes in one pack"),
        ({"bn": "kettle-1:", "n": "", "v": 20}, "not a node's name, a colon and a record's name"),
    ],
)
def test_a_doubtful_record_refuses_the_whole_pack(record: dict[str, object], what: str) -> None:
    with pytest.raises(WireFormatError, match=what):
        decode_pack(pack_of(record))


@pytest.mark.parametrize("count", [-1, 0.5, 1 << 32])
def test_counts_are_whole_numbers_of_32_bits(count: float) -> None:
    with pytest.raises(WireFormatError, match="seq"):
        decode_pack(pack_of({"n": "seq", "v": count}, seq=None))


@pytest.mark.parametrize(
    ("payload", "what"),
    [
        (pack_of(boot=None), "the pack has no boot"),
        (pack_of(seq=None), "the pack has no seq"),
        (pack_of({"n": "uptime", "u": "s", "v": 1}, boot=None), "no boot"),
        (b'[{"bn":"_k:","n":"seq","v":1}]', "not a SenML name"),
        (b'[{"bn":"a/b:","n":"seq","v":1}]', "cannot be a node's name"),
        (b'[{"n":"seq","v":1}]', "not a node's name, a colon"),
    ],
)
def test_a_pack_without_its_identity_is_refused(payload: bytes, what: str) -> None:
    with pytest.raises(WireFormatError, match=what):
        decode_pack(payload)


def test_a_pack_on_another_nodes_topic_is_refused() -> None:
    assert decode_pack(pack_of(), node="kettle-1").node == "kettle-1"
    with pytest.raises(WireFormatError, match="the topic names node 'kettle-2' but the pack says 'kettle-1'"):
        decode_pack(pack_of(), node="kettle-2")


class TestTime:
    """SenML time is relative below 2**28 s (RFC 8428 section 4.5.3); uptime there would mean the future."""

    def test_uptime_in_the_time_field_is_recognised(self) -> None:
        with pytest.raises(WireFormatError, match=r"86400 s means later than now; .* uptime"):
            decode_pack(b'[{"bn":"k:","bt":86400,"n":"boot","v":1},{"n":"seq","v":1}]')

    def test_relative_time_is_an_age(self) -> None:
        pack = decode_pack(b'[{"bn":"k:","bt":-2.5,"n":"boot","v":1},{"n":"seq","v":1}]')
        assert (pack.age_s, pack.taken_unix_s) == (2.5, None)

    def test_unix_time_is_kept_for_people(self) -> None:
        pack = decode_pack(b'[{"bn":"k:","bt":1786689120,"n":"boot","v":1},{"n":"seq","v":1}]')
        assert (pack.age_s, pack.taken_unix_s) == (0.0, 1786689120.0)

    @pytest.mark.parametrize("time_s", ["1e300", "-1e300", "5e9", "-2e6"])
    def test_absurd_times_are_refused(self, time_s: str) -> None:
        with pytest.raises(WireFormatError, match="the time"):
            decode_pack(f'[{{"bn":"k:","bt":{time_s},"n":"boot","v":1}},{{"n":"seq","v":1}}]'.encode())


class TestTalk:
    """What the collector says, and what a node answers."""

    def test_stored(self) -> None:
        pack = decode_pack(encode_ask("k", 9, stored=41))
        assert (pack.node, pack.boot, pack.stored, pack.resend, pack.seq) == ("k", 9, 41, None, None)

    def test_resend(self) -> None:
        pack = decode_pack(encode_ask("k", 9, resend=42))
        assert (pack.boot, pack.stored, pack.resend) == (9, None, 42)

    def test_gone(self) -> None:
        pack = decode_pack(b'[{"bn":"k:","n":"boot","v":9},{"n":"resend","v":42},{"n":"gone","v":100}]')
        assert (pack.boot, pack.resend, pack.gone, pack.seq) == (9, 42, 100, None)


class TestRefusedIdentity:
    """A refused sample's place in the sequence, so that it is not asked for without end."""

    def test_known_where_the_counts_can_be_read(self) -> None:
        assert identity_of_refused(pack_of({"n": "water", "u": "Cel", "v": 4000})) == ("kettle-1", 3, 7)

    @pytest.mark.parametrize(
        "payload",
        [
            b"[",
            pack_of(seq=None),
            pack_of({"n": "seq", "v": 7}),
            pack_of({"n": "seq", "v": -1}, seq=None),
            pack_of({"n": "seq", "v": True}, seq=None),
            pack_of({"n": 5, "v": 1}),
            pack_of({"bn": "other:", "n": "room", "v": 1}),
        ],
    )
    def test_unknown_otherwise(self, payload: bytes) -> None:
        assert identity_of_refused(payload) is None


temperatures = st.floats(-60, 100).map(lambda value: round(value, 4))
counts = st.integers(0, (1 << 32) - 1)


@given(
    st.builds(
        Pack,
        node=st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}", fullmatch=True),
        boot=counts,
        seq=counts,
        uptime_s=st.none() | st.integers(0, 10**9).map(lambda ms: ms / 1000),
        age_s=st.integers(0, 10**5).map(float),
        water_C=st.none() | temperatures,
        water_2_C=st.none() | temperatures,
        room_C=st.none() | temperatures,
        chip_C=st.none() | temperatures,
        pressure_kPa=st.none() | st.integers(30_000, 120_000).map(lambda pa: pa / 1000.0),
        heater_W=st.none() | st.integers(0, 50_000).map(float),
        mains=st.none() | st.booleans(),
        water_fault=st.none() | st.sampled_from(FAULTS),
        jars=st.dictionaries(st.integers(1, 99), temperatures, max_size=9),
        lids=st.dictionaries(st.integers(1, 99), st.booleans(), max_size=9),
        taken_unix_s=st.none(),
        gone=st.none(),
        stored=st.none(),
        resend=st.none(),
        unknown=st.just(()),
    )
)
def test_what_is_written_reads_back_the_same(pack: Pack) -> None:
    assert decode_pack(encode_pack(pack)) == pack


@pytest.mark.parametrize("name", ["", "a:b", "a/b", "käse", "-x", "x" * 65, "a b"])
def test_a_name_that_cannot_stand_on_the_wire_is_not_written(name: str) -> None:
    with pytest.raises(WireFormatError, match="cannot be a node's name"):
        encode_pack(Pack(name, boot=1, seq=1))


class TestPlainNumbers:
    """Sensors that say one number on a topic of their own."""

    @pytest.mark.parametrize(
        ("payload", "channel", "unit", "expected"),
        [
            (b"94.25", "water", "Cel", {"water_C": 94.25}),
            (b" 212 ", "water", "degF", {"water_C": 100.0}),
            (b"32", "room", "degF", {"room_C": 0.0}),
            (b"373.15", "water", "K", {"water_C": 100.0}),
            (b"1013.25", "pressure", "hPa", {"pressure_kPa": 101.325}),
            (b"101.325", "pressure", "kPa", {"pressure_kPa": 101.325}),
            (b"83100", "pressure", "Pa", {"pressure_kPa": 83.1}),
            (b"1.5", "heater", "kW", {"heater_W": 1500.0}),
            (b"8.05e1", "jar-3", "Cel", {"jars": {3: 80.5}}),
        ],
    )
    def test_are_turned_into_the_records_unit(
        self, payload: bytes, channel: str, unit: str, expected: dict[str, object]
    ) -> None:
        """The fixed points of the scales are exact by definition; 1013.25 hPa is the standard atmosphere."""
        got = dict(decode_value(payload, channel, unit))
        assert got == pytest.approx(expected) if "jars" not in expected else got == expected

    @pytest.mark.parametrize(
        ("payload", "channel", "unit"),
        [
            (b"", "water", "Cel"),
            (b"nan", "water", "Cel"),
            (b"inf", "water", "Cel"),
            (b"1e99", "water", "Cel"),
            (b"1_0", "water", "Cel"),
            (b"0x10", "water", "Cel"),
            (b"94.2 C", "water", "Cel"),
            (b"9" * 100, "water", "Cel"),
            ("٩٤".encode(), "water", "Cel"),
            (b"1013", "pressure", "Pa"),
            (b"94", "water", "Pa"),
            (b"94", "seq", "Cel"),
            (b"94", "uptime", "Cel"),
            (b"94", "lid-1", "Cel"),
            (b"94", "nonsense", "Cel"),
        ],
    )
    def test_anything_else_is_refused(self, payload: bytes, channel: str, unit: str) -> None:
        with pytest.raises(WireFormatError):
            decode_value(payload, channel, unit)

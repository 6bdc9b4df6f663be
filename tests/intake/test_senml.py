"""SenML as RFC 8428 describes it: what is resolved, what must be refused."""

from __future__ import annotations

import pytest

from monitor.errors import WireFormatError
from monitor.intake.senml import MAX_PACK_BYTES, read_json, resolve


def resolved(payload: bytes) -> list[tuple[str, str, object, float]]:
    return [
        (
            record.name,
            record.unit if record.unit is not None else record.base_unit or "",
            record.value,
            record.time_s,
        )
        for record in resolve(read_json(payload))
    ]


def test_single_datapoint_of_the_standard() -> None:
    """RFC 8428 section 5.1.1: one temperature of 23.1 Cel."""
    assert resolved(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]') == [
        ("urn:dev:ow:10e2073a01080063", "Cel", 23.1, 0.0)
    ]


def test_base_name_is_put_before_each_name() -> None:
    """RFC 8428 section 5.1.2: voltage and current of one device share a base name."""
    pack = (
        b'[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},'
        b'{"n":"current","u":"A","v":1.2}]'
    )
    assert resolved(pack) == [
        ("urn:dev:ow:10e2073a01080063:voltage", "V", 120.1, 0.0),
        ("urn:dev:ow:10e2073a01080063:current", "A", 1.2, 0.0),
    ]


def test_base_time_unit_and_value_add_up_until_changed() -> None:
    """RFC 8428 section 4.6: base fields hold for this record and all after it, and are added."""
    pack = (
        b'[{"bn":"a:","bt":1276020076,"bu":"A","bv":100,"n":"x","t":-5,"v":1},'
        b'{"n":"y","u":"V","v":2},{"bn":"b:","bt":0,"bv":0,"bu":"W","n":"x","v":3}]'
    )
    assert resolved(pack) == [
        ("a:x", "A", 101, 1276020071.0),
        ("a:y", "V", 102, 1276020076.0),
        ("b:x", "W", 3, 0.0),
    ]


def test_unknown_labels_are_ignored_but_not_those_that_must_be_understood() -> None:
    """RFC 8428 section 4.4: a label ending in "_" that is not understood refuses the pack."""
    assert resolved(b'[{"n":"x","v":1,"colour":"blue"}]') == [("x", "", 1, 0.0)]
    with pytest.raises(WireFormatError, match="must be understood"):
        resolved(b'[{"n":"x","v":1,"colour_":"blue"}]')


@pytest.mark.parametrize(
    ("payload", "what"),
    [
        (b"", "not JSON"),
        (b"[", "not JSON"),
        (b"\xff\xfe[]", "not UTF-8"),
        (b"[" * 4000, "not JSON"),
        (b'{"n":"x","v":1}', "JSON array"),
        (b"[]", "JSON array"),
        (b'[{"n":"x","v":1},2]', "JSON array"),
        (b'[{"n":"x","v":NaN}]', "NaN is not a number"),
        (b'[{"n":"x","v":-Infinity}]', "-Infinity is not a number"),
        (b'[{"n":"x","v":1e999}]', "finite number"),
        (b'[{"n":"x","v":' + b"9" * 400 + b"}]", "finite number"),
        (b'[{"n":"x","v":' + b"9" * 5000 + b"}]", "not JSON"),
        (b'[{"n":"x","v":"1"}]', "finite number"),
        (b'[{"n":"x","v":true}]', "finite number"),
        (b'[{"n":"x","v":null}]', "finite number"),
        (b'[{"n":"x","v":1,"v":2}]', "twice"),
        (b'[{"n":"x","vb":1}]', "true or false"),
        (b'[{"n":"x","vs":1}]', "string"),
        (b'[{"n":1,"v":1}]', "string"),
        (b'[{"n":"x","t":"1","v":1}]', "finite number"),
        (b'[{"n":"x","v":1,"vs":"a"}]', "exactly one value"),
        (b'[{"n":"x"}]', "exactly one value"),
        (b'[{"v":1}]', "not a SenML name"),
        (b'[{"n":"-x","v":1}]', "not a SenML name"),
        (b'[{"n":"x y","v":1}]', "not a SenML name"),
        (b'[{"n":"x\\u0000","v":1}]', "not a SenML name"),
        (b'[{"n":"\\ud800","v":1}]', "not a SenML name"),
        (b'[{"bver":11,"n":"x","v":1}]', "version"),
        (b'[{"bver":true,"n":"x","v":1}]', "version"),
        (b'[{"n":"x","v":1}]' + b" " * MAX_PACK_BYTES, "at most"),
    ],
)
def test_refused_with_one_clear_printable_line(payload: bytes, what: str) -> None:
    with pytest.raises(WireFormatError, match=what) as refused:
        resolved(payload)
    line = str(refused.value)
    assert line.isascii() and line.isprintable() and len(line) < 200


def test_version_ten_is_the_one_read() -> None:
    """RFC 8428 section 4.4 makes 10 the default; RFC 9100 makes other numbers name features unknown here."""
    assert resolved(b'[{"bver":10,"n":"x","v":1}]') == [("x", "", 1, 0.0)]

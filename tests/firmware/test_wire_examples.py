"""The examples that node builders read are parsed here: whole, byte by byte, and with noise around them."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import WireFormatError
from monitor.intake.channels import FAULTS, NUMBER_CHANNELS
from monitor.intake.framing import MAX_LINE_BYTES, LineSplitter, frame, unframe
from monitor.intake.senml import MAX_PACK_BYTES
from monitor.intake.wire import Pack, decode_pack, encode_pack

NOTES = Path(__file__).parents[2] / "firmware_notes"


def examples() -> list[tuple[str, str, str, str]]:
    """(kind, example, kind of the answer, answer)."""
    lines = [line for line in (NOTES / "wire_examples.txt").read_text().splitlines() if line]
    pairs = [line.split(": ", 1) for line in lines if not line.startswith("#")]
    assert len(pairs) % 2 == 0
    return [
        (*first, *second)
        for first, second in zip(pairs[::2], pairs[1::2], strict=True)  # type: ignore[misc]
    ]


EXAMPLES = examples()


def check_meaning(pack: Pack, means: str) -> None:
    for claim in means.split():
        name, _, text = claim.partition("=")
        value: Any
        if numbered := re.fullmatch(r"jar_(\d+)_C", name):
            value = pack.jars[int(numbered[1])]
        elif numbered := re.fullmatch(r"lid_(\d+)", name):
            value = pack.lids[int(numbered[1])]
        else:
            value = getattr(pack, name)
        expected: Any = text
        if text in ("true", "false"):
            expected = text == "true"
        elif isinstance(value, int | float):
            expected = pytest.approx(float(text), abs=1e-9)
        assert value == expected, claim


@pytest.mark.parametrize(("kind", "example", "answer_kind", "answer"), EXAMPLES)
def test_example(kind: str, example: str, answer_kind: str, answer: str) -> None:
    raw = example.encode()
    if kind == "say":
        assert answer_kind == "means"
        pack = decode_pack(raw)
        check_meaning(pack, answer)
        assert decode_pack(encode_pack(pack)) == pack._replace(unknown=())
    elif kind == "line":
        assert answer_kind == "means"
        seen = unframe(raw)
        assert not seen.why
        check_meaning(decode_pack(seen.body), answer)
        assert frame(seen.body) == raw + b"\n"
    elif kind == "refuse":
        assert answer_kind == "because"
        with pytest.raises(WireFormatError, match=re.escape(answer)):
            decode_pack(raw)
    else:
        assert (kind, answer_kind) == ("broken", "because")
        assert answer in unframe(raw).why


def test_every_kind_of_example_is_there() -> None:
    assert {kind for kind, *_ in EXAMPLES} == {"say", "line", "refuse", "broken"}


def test_lines_byte_by_byte_with_noise_between() -> None:
    lines = [example.encode() for kind, example, *_ in EXAMPLES if kind == "line"]
    stream = b"half a li\n" + b"\n\xff\x00noise\n".join(lines) + b"\n"
    splitter = LineSplitter()
    heard = [line for at in range(len(stream)) for line in splitter.feed(stream[at : at + 1])]
    assert [line.body for line in heard if not line.why] == [unframe(line).body for line in lines]


def test_the_page_names_every_record_fault_and_limit() -> None:
    page = (NOTES / "wire_format.md").read_text()
    for channel in NUMBER_CHANNELS:
        assert f"`{channel}`" in page, channel
    for fault in FAULTS:
        assert f"`{fault}`" in page, fault
    assert str(MAX_LINE_BYTES) in page
    assert str(MAX_PACK_BYTES) in page

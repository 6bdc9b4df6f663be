"""Serial lines: the checksum, and a splitter that nothing on a cable can upset."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import WireFormatError
from monitor.intake.framing import MAX_LINE_BYTES, Line, LineSplitter, frame, unframe


def test_checksum_is_the_published_one() -> None:
    """CRC-32's customary check value: "123456789" gives CBF43926 (ISO/IEC 3309 polynomial)."""
    assert frame(b"123456789") == b"123456789*cbf43926\n"
    assert unframe(b"123456789*CBF43926") == Line(b"123456789")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"123456789*cbf43927", "the checksum does not match"),
        (b"123456788*cbf43926", "the checksum does not match"),
        (b"123456789*cbf4392", "no checksum at the end of the line"),
        (b"123456789", "no checksum at the end of the line"),
        (b"*" * 20, "no checksum at the end of the line"),
    ],
)
def test_damage_is_seen(line: bytes, why: str) -> None:
    assert unframe(line).why == why


def test_a_carriage_return_is_forgiven() -> None:
    """Many boards end every line they print with both."""
    assert LineSplitter().feed(frame(b"[1]").replace(b"\n", b"\r\n")) == [Line(b"[1]")]


def test_a_line_longer_than_the_contract_allows_is_not_written() -> None:
    longest = b"x" * (MAX_LINE_BYTES - len(b"*00000000\n"))
    assert len(frame(longest)) == MAX_LINE_BYTES
    assert LineSplitter().feed(frame(longest)) == [Line(longest)]
    with pytest.raises(WireFormatError, match="513 bytes"):
        frame(longest + b"x")
    with pytest.raises(WireFormatError):
        frame(b"a\nb")


def test_a_megabyte_without_newline_is_one_refusal_and_little_memory() -> None:
    splitter = LineSplitter()
    lines = [line for _ in range(1000) for line in splitter.feed(b"\x00" * 1000)]
    lines += splitter.feed(b"\n" + frame(b"[1]"))
    assert [line.why for line in lines] == ["longer than 512 bytes", ""]
    assert lines[-1].body == b"[1]"


def test_a_first_half_line_costs_itself_only() -> None:
    stream = frame(b"[1]")[3:] + frame(b"[2]")
    assert [line.body for line in LineSplitter().feed(stream) if not line.why] == [b"[2]"]


def test_a_lost_newline_costs_two_lines_and_no_more() -> None:
    stream = frame(b"[1]")[:-1] + frame(b"[2]") + frame(b"[3]")
    assert [line.body for line in LineSplitter().feed(stream) if not line.why] == [b"[3]"]


def test_empty_lines_are_nothing() -> None:
    assert LineSplitter().feed(b"\n\r\n\n") == []


@given(st.lists(st.binary(max_size=700)), st.lists(st.integers(1, 64), min_size=1))
def test_the_same_bytes_in_any_pieces_give_the_same_lines(chunks: list[bytes], sizes: list[int]) -> None:
    stream = b"".join(
        frame(chunk) if place % 2 and b"\n" not in chunk and len(chunk) < 500 else chunk + b"\n"
        for place, chunk in enumerate(chunks)
    )
    whole = LineSplitter().feed(stream)
    splitter, pieces, at = LineSplitter(), [], 0
    while at < len(stream):
        size = sizes[at % len(sizes)]
        pieces += splitter.feed(stream[at : at + size])
        at += size
    assert pieces == whole


@given(st.binary(max_size=400).filter(lambda body: b"\n" not in body), st.data())
def test_no_single_changed_byte_gets_through(body: bytes, data: st.DataObject) -> None:
    """A CRC-32 finds every burst of up to 32 bits (textbook property of the code)."""
    line = bytearray(frame(body)[:-1])
    at = data.draw(st.integers(0, len(line) - 1))
    line[at] ^= data.draw(st.integers(1, 255))
    seen = unframe(bytes(line))
    # A checksum digit may change its case and still be the same number.
    assert seen.why or bytes(line).lower() == frame(body)[:-1].lower()

"""What a verb prints, whoever reads it: a reader that goes away, and a terminal that lacks a character, change nothing.

The exit status is part of the answer: ``verify FILE | head -1`` must still say 12. So a verb is never stopped by its
own printing; what nobody reads any more is dropped, and its status stands.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, TextIO

from monitor.errors import UsageError

#: What a poor terminal prints instead; anything else is '?'. No quotation mark: a document in JSON stays one.
_PLAIN = str.maketrans(
    {
        "°": "deg",
        "±": "+/-",
        "…": "...",
        "–": "-",
        "−": "-",
        "×": "x",
        "✖": "x",
        "·": "-",
        "→": "->",
        "µ": "u",
        "“": "'",
        "”": "'",
        "’": "'",
    }
)


#: Signs that a terminal obeys instead of printing: a record, or a node's name, may not steer it.
_CONTROLS = dict.fromkeys((*range(9), 11, 12, *range(14, 32), *range(127, 160)), "?")

#: Signs that turn what follows around, or end a line where nobody sees one (Unicode UAX 9 and 14). Written as JSON
#: escapes them, so that a document stays the same document.
_TURNS = (0x061C, 0x200E, 0x200F, 0x2028, 0x2029, *range(0x202A, 0x202F), *range(0x2066, 0x206A))

_COMMANDS: dict[int, str] = {**_CONTROLS, **{sign: f"\\u{sign:04x}" for sign in _TURNS}}

#: Within a line of a table or a message: no name begins another.
_LINE_ENDS = {9: "\\t", 10: "\\n", 13: "\\r"}


def in_one_line(text: str) -> str:
    """A name or message from a record with its line ends and tabs written out."""
    return text.translate(_LINE_ENDS)


def _plainly(trouble: UnicodeError) -> tuple[str, int]:
    """The codec's error handler: plain letters for what the encoding lacks."""
    if not isinstance(trouble, UnicodeEncodeError):
        raise trouble
    lacking = trouble.object[trouble.start : trouble.end]
    plain = lacking.translate(_PLAIN)
    return "".join(sign if sign.isascii() else "?" for sign in plain), trouble.end


codecs.register_error("boilwitness-plain", _plainly)


class SteadyStream:
    """A text stream that outlives its reader. Everything else is the stream's own.

    ``lasting``: a disk that is full ends nothing (:func:`lasting_output`).
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.lasting = False

    def write(self, text: str) -> int:
        """Write, or drop what nobody reads."""
        try:
            return self._stream.write(text.translate(_COMMANDS))
        except BrokenPipeError:
            self._to_nowhere()
            return len(text)
        except OSError as trouble:
            if self.lasting:
                raise
            raise self._unwritten(trouble) from trouble

    def flush(self) -> None:
        """Hand over what is waiting; UsageError where that cannot be, as on a full disk."""
        try:
            self._stream.flush()
        except BrokenPipeError:
            self._to_nowhere()
        except OSError as trouble:
            if self.lasting:
                raise
            raise self._unwritten(trouble) from trouble

    def last(self) -> None:
        """No more comes: what cannot be written by now is dropped."""
        try:
            self.flush()
        except OSError:
            self._to_nowhere()
        self.lasting = False

    def _unwritten(self, trouble: OSError) -> UsageError:
        self._to_nowhere()
        return UsageError(f"what is to be printed cannot be written: {trouble.strerror}.")

    def _to_nowhere(self) -> None:
        """What is still in the stream's memory would be tried again when Python ends, and change the status."""
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            return getattr(self._stream, name)


@contextlib.contextmanager
def steady_output() -> Iterator[None]:
    """While it lasts, printing to either stream never ends a verb; what a terminal lacks becomes plain letters."""
    before = sys.stdout, sys.stderr
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # A program that was started with its streams closed has none.
            continue
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="boilwitness-plain")
        setattr(sys, name, SteadyStream(stream))
    try:
        yield
    finally:
        with contextlib.suppress(UsageError):
            flush_output()
        sys.stdout, sys.stderr = before


@contextlib.contextmanager
def lasting_output() -> Iterator[None]:
    """For a verb that goes on whatever becomes of what it prints.

    While it lasts, a line that a full disk refuses raises OSError, and the next one is tried again.
    """
    streams = [stream for stream in (sys.stdout, sys.stderr) if isinstance(stream, SteadyStream)]
    for stream in streams:
        stream.lasting = True
    try:
        yield
    finally:
        for stream in streams:
            stream.last()


def flush_output() -> None:
    """Hand over all that was printed. UsageError where it cannot be written."""
    for stream in (sys.stdout, sys.stderr):
        if stream is not None:
            stream.flush()

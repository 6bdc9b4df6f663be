"""What the machine knows of its own wall clock: whether something keeps it right, and how wrong it may be."""

from __future__ import annotations

import ctypes
import sys
from dataclasses import dataclass

_TIME_ERROR = 5
_STA_UNSYNC = 0x0040


class _Timex(ctypes.Structure):
    """``struct timex`` of adjtimex(2), as far as it is read here; the rest is room for what the kernel writes."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


@dataclass(frozen=True, slots=True)
class WallClock:
    """``synchronised`` None: this system does not say. ``error_s``: at most so wrong, where known."""

    synchronised: bool | None
    error_s: float | None

    def in_words(self) -> str:
        if self.synchronised is None:
            return "whether this machine's clock is kept right is not known"
        if not self.synchronised:
            return "nothing keeps this machine's clock right: times of day may be wrong, durations are not"
        return f"this machine's clock is kept right, within {self.error_s or 0.0:.3f} s"


def wall_clock() -> WallClock:
    """Ask the kernel (adjtimex(2) with no mode only reads)."""
    if not sys.platform.startswith("linux"):
        return WallClock(None, None)
    try:
        adjtimex = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):
        return WallClock(None, None)
    told = _Timex()
    state = adjtimex(ctypes.byref(told))
    if state < 0:
        return WallClock(None, None)
    if state == _TIME_ERROR or told.status & _STA_UNSYNC:
        return WallClock(False, None)
    return WallClock(True, told.maxerror / 1e6)

"""The whole exception tree, split by who must act.

Trouble that a run must survive (a faulty probe, a silent node) is an *event* in the run, never an
exception. Only the command line turns a :class:`MonitorError` into one line and an exit status; only the
collector retries.
"""

from __future__ import annotations

import shlex
import sys


class MonitorError(Exception):
    """Base of everything a person can do something about. Never raised itself.

    Parameters
    ----------
    message : str
        One line: what is wrong, with the value, its unit and the limit.
    advice : str
        One line: what the person can do now. May be empty where the message already says it.
    """

    def __init__(self, message: str, advice: str = "") -> None:
        super().__init__(message)
        self.advice = advice

    def __str__(self) -> str:
        message = super().__str__()
        return f"{message} {self.advice}" if self.advice else message


def to_install(requirement: str) -> str:
    """The one command that brings a missing library into the Python that misses it, wherever that is."""
    return f"Install it with: {shlex.quote(sys.executable)} -m pip install {shlex.quote(requirement)}"


class UsageError(MonitorError):
    """The command or the entry is not usable as given; the person at the keyboard must change it."""


class ConfigError(MonitorError):
    """The settings file is wrong; whoever set the machine up must correct it."""


class RecordError(MonitorError):
    """A run record is damaged or not in the contract's form; names file, row, column, what was expected."""


class PhysicsRangeError(MonitorError, ValueError):
    """A physical quantity is outside the range in which a formula is published or tested."""


class IntakeError(MonitorError):
    """Base of trouble between a node and the collector."""


class WireFormatError(IntakeError):
    """One message is not what the wire contract allows; it is kept, counted and shown, nothing stops."""


class StoreError(MonitorError):
    """The store cannot be read or written; the person must free space, fix permissions or restore."""


class StoreTooNewError(StoreError):
    """The store was written by a newer boilwitness; upgrade this one."""


class StoreBusyError(StoreError):
    """Another collector owns this store; stop it or choose another data directory."""


class RefusedError(MonitorError):
    """Published guidance or the state of the batch forbids what was asked; the reason is the message."""

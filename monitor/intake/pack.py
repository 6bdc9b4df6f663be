"""One decoded message of a node: what the wire contract lets it say, in SI units, before any clock."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.record.model import Sample


@dataclass(frozen=True, slots=True)
class Pack:
    """One instant of one node.

    ``sample`` carries the channels (pressure already in kPa, ``boot``, ``seq`` and ``uptime_s`` too); its
    ``t_s`` and ``arrival_s`` are 0 and None until the collector has placed it on its own clock. A pack
    that only answers a ``resend`` has ``sample`` None and ``gone`` set.
    """

    node: str
    boot: int | None = None
    seq: int | None = None
    uptime_s: float | None = None
    sample: Sample | None = None
    #: How many of the asked-for samples the node no longer holds.
    gone: int | None = None

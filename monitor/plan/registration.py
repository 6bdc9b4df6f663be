"""A probe's registration: which one it is, and where it sits in the kettle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.judge.calibration import WATER_CHANNELS
from monitor.tables.probes import OTHER, chain_of, converters, match, probe_kinds, same_words

#: Where a water probe sits; the closed list ends with ``other``.
PLACES = ("mid-depth, at jar-shoulder height, touching neither base nor glass", OTHER)

#: What a registration says whose place is ``other``.
NO_KNOWN_PLACE = f"Nobody said where the probe sits, or it sits elsewhere: it belongs at {PLACES[0]}."

#: The channels that a probe can hang on: the water's, and a second probe's in the same water.
WATER, WATER_2 = "water", "water_2"

#: A slower probe sees a lost boil late. [s] 63 % of a step in stirred water. Our rule.
SLOWEST_RESPONSE_S = 10.0


@dataclass(frozen=True, slots=True)
class ProbeRegistration:
    """Which probe it is and where it sits. ``response_s`` 63 % in stirred water; None: not known. [s]"""

    probe_id: str
    kind: str
    converter: str
    place: str
    channel: str = "water"
    response_s: float | None = None

    def as_json(self) -> dict[str, Any]:
        """The body of a ``probe_registered`` entry."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

    @classmethod
    def from_json(cls, body: Mapping[str, Any]) -> ProbeRegistration:
        """Read back the body of an entry; unknown keys are left out."""
        return cls(**{name: body[name] for name in cls.__dataclass_fields__ if name in body})


def what_changed(before: ProbeRegistration, after: ProbeRegistration) -> str:
    """What of a probe is another after registering it anew, in words, or "": a check is one of all of these."""
    channels = [channel_of(each.channel) or each.channel for each in (before, after)]
    pairs = (
        ("its kind", before.kind, after.kind, tuple(probe_kinds())),
        ("its converter", before.converter, after.converter, tuple(converters())),
        ("its place", before.place, after.place, PLACES),
        ("its channel", channels[0], channels[1], ()),
    )
    return "; ".join(
        f"{name} was “{was}” and is “{now}”"
        for name, was, now, known in pairs
        if not same_words(was, now, known)
    )


def channel_of(words: str) -> str | None:
    """The channel that these words name, by its one name; None where there is none such."""
    plain = words.strip().lower().replace("-", "_").removesuffix("_c")
    if plain in WATER_CHANNELS:
        return WATER
    return WATER_2 if plain == WATER_2 else None


def registration_gaps(probe: ProbeRegistration) -> tuple[str, ...]:
    """What is missing or doubtful about a registration; empty when it is complete."""
    gaps = []
    if not probe.probe_id.strip():
        gaps.append("The probe has no name: give it one that is written on it.")
    if match(probe.kind, tuple(probe_kinds())) is None:
        gaps.append(f"Probe kind “{probe.kind}” is not in the list: it is taken at its widest.")
    if match(probe.converter, tuple(converters())) is None:
        gaps.append(f"Converter “{probe.converter}” is not in the list: it is taken at its widest.")
    chain = chain_of(probe.kind, probe.converter)
    if chain.is_contradictory:
        gaps += [f"{note[0].upper()}{note[1:]}." for note in chain.notes]
    if match(probe.place, PLACES) is None:
        gaps.append(f"Say where the probe sits: {PLACES[0]}; or other.")
    elif match(probe.place, PLACES) == OTHER:
        gaps.append(NO_KNOWN_PLACE)
    if probe.response_s is not None and probe.response_s > SLOWEST_RESPONSE_S:
        gaps.append(
            f"A response of {probe.response_s:g} s is slower than {SLOWEST_RESPONSE_S:g} s: a lost boil is "
            "seen that much later. A 3 mm probe is quicker."
        )
    return tuple(gaps)

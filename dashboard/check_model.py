"""A check of a probe as a page goes through it: readings in, points and an outcome out. Pure: no page, no store.

The machine that decides is ``monitor.plan.check``; what follows from its points is ``monitor.plan.outcome``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from statistics import median

from monitor.plan.basis import BoilBasis, boil_basis
from monitor.plan.check import BOIL, DONE, ICE, CheckSession
from monitor.plan.outcome import Outcome, ProbePast, outcome_of
from monitor.plan.refusal import Refusal
from monitor.plan.registration import WATER_2, ProbeRegistration, channel_of, what_changed
from monitor.record.model import Sample, Site
from monitor.tables.probes import chain_of

#: The node's barometer is read over so many of its last samples.
BAROMETER_OF = 60


@dataclass(slots=True)
class Check:
    """A check under way: one viewer's, of one probe at one node. ``after_s``: house time fed up to. [s]"""

    probe: ProbeRegistration
    node: str
    site: Site
    basis: BoilBasis
    session: CheckSession
    after_s: float
    heard_kPa: list[float] = field(default_factory=list)
    #: When its result was first seen: the time of the check, however often it is kept.
    done_at: datetime | None = None

    def feed(self, samples: Iterable[Sample], now: datetime) -> None:
        """Take in what the node said since last time; a barometer of its own moves the boiling point."""
        for sample in samples:
            self.after_s = sample.t_s
            if sample.pressure_kPa is not None:
                self.heard_kPa.append(sample.pressure_kPa)
                del self.heard_kPa[:-BAROMETER_OF]
            self.session.feed(
                sample.t_s,
                None if sample.water_fault else _of_channel(sample, self.probe.channel),
                sample.chip_C,
            )
        if self.heard_kPa and self.session.state != DONE:
            found = boil_basis(self.site, now, median(self.heard_kPa))
            if isinstance(found, BoilBasis):
                self.basis = found
                self.session.expect(found.boil_C)

    @property
    def done(self) -> bool:
        return self.session.state == DONE

    def is_of(self, probe: ProbeRegistration) -> bool:
        """Whether it is a check of this probe, and that is still what it was when the check began."""
        return self.probe.probe_id == probe.probe_id and not what_changed(self.probe, probe)

    def outcome(self, at: datetime, past: ProbePast) -> Outcome:
        return outcome_of(self.session.points, self.probe, self.basis, at, past)


def begin(
    probe: ProbeRegistration,
    node: str,
    site: Site,
    after_s: float,
    now: datetime,
    heard_kPa: float | None = None,
) -> Check | Refusal:
    """Begin a check; refused where nothing says at what temperature water boils here."""
    basis = boil_basis(site, now, heard_kPa)
    if isinstance(basis, Refusal):
        return basis
    step_K = chain_of(probe.kind, probe.converter).converter.step_K
    return Check(probe, node, site, basis, CheckSession(basis.boil_C, step_K), after_s)


def _of_channel(sample: Sample, channel: str) -> float | None:
    return sample.water_2_C if channel_of(channel) == WATER_2 else sample.water_C


@dataclass(frozen=True, slots=True)
class PointRow:
    """One point beside what was expected, for the comparison of the two corrections. [°C], [K]"""

    name: str
    expected_C: float
    read_C: float | None
    correction_K: float | None


def compared(check: Check) -> Sequence[PointRow]:
    """Both points as they were read; the correction is expected less read."""
    rows = []
    for point, name, expected_C in (
        (ICE, "Ice point", 0.0),
        (BOIL, "Boiling point", check.basis.boil_C),
    ):
        taken = check.session.points.get(point)
        read_C = None if taken is None else taken.mean_C
        rows.append(PointRow(name, expected_C, read_C, None if read_C is None else expected_C - read_C))
    return rows

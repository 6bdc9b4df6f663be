"""The jars at rest in words, for the command line and the pages. Pure."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from monitor.jars.rest import JarAtRest, LidPull, Rest
from monitor.jars.rows import local_time
from monitor.judge.headspace import BRIMFUL, SNAP_KPA, VacuumBand
from monitor.record.model import Run

NEVER_A_PROOF = "An expectation, never a proof: judge the seal by press, look, tap and lift."

#: Figures behind the expectation that were not read in any published source.
NOT_CHECKED = (
    f"Not from a published source: that a jar holds {BRIMFUL[0]:.0%} to {BRIMFUL[1]:.0%} of its nominal volume to the "
    f"brim (from memory); the share of air; that a lid gives way at {SNAP_KPA[0]:.0f} to {SNAP_KPA[1]:.0f} kPa "
    "(our estimates)."
)


def at(run: Run, t_s: float) -> str:
    """A moment of the run, for people."""
    return local_time(run.started_at + timedelta(seconds=t_s), run.zone)


def lines(run: Run, rest: Rest, fold: Callable[[str], str]) -> list[str]:
    """Everything, a paragraph each."""
    told = [rest.sentence]
    for jar in rest.jars:
        parts = [*course(run, jar), *([vacuum(jar.vacuum)] if jar.vacuum else [])]
        parts += [pull(run, jar.pull)] if jar.pull else []
        told.append(fold(f"jar {jar.cooling.jar}: {'; '.join(parts)}."))
    if not rest.jars and rest.pull is not None:
        told.append(fold(f"{pull(run, rest.pull)}."))
    told += [fold(f"{heard(run, number, t_s)}.") for number, t_s in rest.heard]
    return [*told, *map(fold, assumptions(rest))]


def course(run: Run, jar: JarAtRest) -> list[str]:
    """What the probe of one jar shows."""
    one = jar.cooling
    parts = [f"{one.last_C:.1f} °C" if one.last_C is not None else "no reading yet"]
    if not one.lift_marked:
        parts.append("lifting not known, counted from heat off")
    for goal, t_s in (("43", one.at_43_s), ("35", one.at_35_s)):
        if t_s is not None:
            parts.append(f"{goal} °C after {(t_s - one.start_s) / 60:.0f} min (information only)")
    if one.disturbed_s:
        parts.append(f"disturbed at {', '.join(at(run, t_s) for t_s in one.disturbed_s)}")
    if one.too_fast:
        parts.append("fell faster than in still air: cold surface or draught")
    return [*parts, cool(run, jar)]


def cool(run: Run, jar: JarAtRest) -> str:
    """When it was, or will be, near the room."""
    one = jar.cooling
    if one.cooled_s is not None:
        return f"within 3 K of the room at {at(run, one.cooled_s)}"
    if one.forecast is None:
        return f"no forecast: {one.why}"
    ahead = one.forecast
    taus = zip(ahead.fit.tau_s, ahead.fit.tau_se_s, strict=True)
    constants = ", ".join(f"{tau / 60:.0f}±{se / 60:.0f}" for tau, se in taus)
    span = f"{at(run, ahead.early_s)} to {at(run, ahead.late_s)}"
    return (
        f"within 3 K of the room about {at(run, ahead.within_3_K_s)} ({span}); time constants {constants} min"
    )


def vacuum(band: VacuumBand) -> str:
    """The vacuum to expect under a sealed lid now."""
    return f"under a sealed lid now {band.low_kPa:.0f} to {band.high_kPa:.0f} kPa of vacuum"


def pull(run: Run, expected: LidPull) -> str:
    """When a lid is expected to pull down."""
    span = f"{at(run, expected.early_s)} to {at(run, expected.late_s)}"
    inside = f"contents {expected.hot_C:.0f} to {expected.cold_C:.0f} °C"
    return f"a lid is expected to pull down {span} ({expected.basis}, {inside}; an estimate)"


def assumptions(rest: Rest) -> list[str]:
    """What the expectations rest on; nothing where none was given."""
    bands = [jar.vacuum for jar in rest.jars if jar.vacuum is not None]
    if bands:
        return [f"Vacuum and lids: {bands[0].assumptions}", NOT_CHECKED]
    return [NEVER_A_PROOF, NOT_CHECKED] if rest.pull is not None else []


def heard(run: Run, number: int, t_s: float) -> str:
    """A lid that the node heard."""
    return f"lid {number} heard to pull down at {at(run, t_s)} (a hint, never the test)"

"""What a header says against its own run, whatever was measured: a low-acid food, a time shorter than the published."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.judge.calibration import DAMAGE_HELPS, damage_of
from monitor.judge.pressure import altitude_within_m
from monitor.record.model import Run
from monitor.tables.containers import jar_mL, pack_of
from monitor.tables.low_acid import LowAcidHit
from monitor.tables.named import Named, named, published_for
from monitor.tables.probes import chain_of


@dataclass(frozen=True, slots=True)
class Caps:
    """What follows from a header alone.

    ``reasons`` cap the verdict at unproven. ``published_min``: the published time that applies where the required one
    is shorter, else None. ``low_acid``: the class of a food that boiling water never makes shelf-stable.
    ``not_compared``: why the required time was held against no published one, or "".
    """

    reasons: tuple[str, ...] = ()
    published_min: float | None = None
    low_acid: LowAcidHit | None = None
    not_compared: str = ""


NO_CAPS = Caps()


def caps_of(run: Run) -> Caps:
    """What the header of ``run`` caps."""
    batch, reasons = run.batch, [*_recorded(run), *_damaged(run)]
    if batch.jars == 0:
        reasons.append("The record says that there were no jars in this batch.")
    known = named(batch.food, batch.food_id)
    if known.low_acid is not None:
        found = known.low_acid.food_class
        reasons.append(
            f"“{known.low_acid_words}” counts as {found.label}. {found.reason} There is no override."
        )
        return Caps(tuple(reasons), low_acid=known.low_acid)
    if known.contradiction:
        reasons.append(known.contradiction)
    published = _published(run, known)
    if published is None:
        return Caps(tuple(reasons), not_compared=_not_compared(run, known))
    if run.required.minutes >= published.applies:
        return Caps(tuple(reasons))
    return Caps((*reasons, _too_short(run, published)), published_min=published.applies)


def _damaged(run: Run) -> list[str]:
    """Whether the probe is off by more than its class allows: then it is damaged, and no figure of it is believed."""
    found = damage_of(run, chain_of(run.probe.kind, run.probe.converter))
    return [f"{found[0].upper()}{found[1:]}. {DAMAGE_HELPS}"] if found else []


def _recorded(run: Run) -> list[str]:
    """Why a run was recorded although its start was refused: written into its header then."""
    found = run.extra.get("capped_at_unproven")
    return [str(reason) for reason in found] if isinstance(found, list | tuple) else []


@dataclass(frozen=True, slots=True)
class _Published:
    """The time that the table prints for the stated altitude, and the one that applies there. [min]

    A longer one applies where the altitude may lie in the next band (record requirements, P4: the longer time; guidance
    G23), and above 8,000 ft, where sources disagree (guidance G21).
    """

    printed: int
    longer: int
    applies: int


def _published(run: Run, known: Named) -> _Published | None:
    """The published time; where one name fits several foods the shortest of theirs.

    Where words and id name different foods the longest: nobody is told to stop before either's time is over.
    """
    batch, altitude_m = run.batch, run.site.altitude_m
    if altitude_m is None:
        return None
    highest_m = altitude_m + altitude_within_m(run.site.altitude_uncertainty_m)
    cells = published_for(known.foods, batch.pack, batch.jar, altitude_m)
    highest = published_for(known.foods, batch.pack, batch.jar, highest_m)
    if not cells or not highest:
        return None
    pick = max if known.contradiction else min
    return _Published(
        pick(cell.minutes for cell in cells),
        pick(cell.longer_minutes for cell in cells),
        pick(cell.longer_minutes for cell in highest),
    )


def _too_short(run: Run, published: _Published) -> str:
    """Why the required time is too short."""
    required_min, altitude_m = run.required.minutes, run.site.altitude_m
    assert altitude_m is not None
    if required_min < published.printed:
        return (
            f"The required {required_min:g} min are fewer than the published {published.printed:g} min "
            f"for {run.batch.food or run.batch.food_id}, {run.batch.pack} pack, {run.batch.jar} at {altitude_m:.0f} m."
        )
    if required_min < published.longer:
        return (
            f"Above 8,000 ft sources disagree, and the longer time applies, {published.longer:g} min: the required "
            f"{required_min:g} min are fewer."
        )
    sure_m = altitude_within_m(run.site.altitude_uncertainty_m)
    is_said = run.site.altitude_uncertainty_m is not None
    known_to = (
        f"is known to ±{round(sure_m, 1):g} m"
        if is_said
        else f"is taken as ±{sure_m:g} m, for none is recorded"
    )
    return (
        f"The altitude of {round(altitude_m, 1):g} m {known_to}: should it be higher, the published time is "
        f"{published.applies:g} min. Then the longer time applies, and the required {required_min:g} min are fewer."
    )


def _not_compared(run: Run, known: Named) -> str:
    batch = run.batch
    food = batch.food or batch.food_id
    if food is None:
        return "The record names no food: the required time was not compared with a published one."
    told = (
        ("the pack", batch.pack, pack_of(batch.pack or "")),
        ("the size of the jars", batch.jar, jar_mL(batch.jar or "")),
        ("the altitude", run.site.altitude_m, run.site.altitude_m is not None),
    )
    left_out = [what for what, said, _ in told if said is None or said == ""]
    unknown = [f"{what} “{said}”" for what, said, is_known in told if said not in (None, "") and not is_known]
    if not known.foods:
        why = f"the tables have no food called “{food}”"
    elif left_out or unknown:
        why = "; ".join(
            said
            for said in (
                left_out and f"the record does not say {' and '.join(left_out)}",
                unknown and f"the tables do not know {' and '.join(unknown)}",
            )
            if said
        )
    else:
        # Guidance G24: a tested process holds for its own jar and pack.
        why = (
            f"the tables have none for {food}, {batch.pack} pack, {batch.jar}, and a time is never stretched to a "
            "larger jar or another pack"
        )
    return f"The required time was not compared with a published one: {why}."

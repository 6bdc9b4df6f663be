"""What a header says against its own run, whatever was measured: a low-acid food, a time shorter than the published."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.record.model import Batch, Run
from monitor.tables.containers import jar_mL, pack_of
from monitor.tables.foods import Food, food_of_id, foods_named
from monitor.tables.low_acid import LowAcidHit, low_acid_hit
from monitor.tables.processes import published_minutes, timed_jar


@dataclass(frozen=True, slots=True)
class Caps:
    """What follows from a header alone.

    ``reasons`` cap the verdict at unproven. ``published_min``: the published time where the required one is shorter,
    else None. ``low_acid``: the class of a food that boiling water never makes shelf-stable. ``not_compared``: why the
    required time was held against no published one, or "".
    """

    reasons: tuple[str, ...] = ()
    published_min: float | None = None
    low_acid: LowAcidHit | None = None
    not_compared: str = ""


NO_CAPS = Caps()


def caps_of(run: Run) -> Caps:
    """What the header of ``run`` caps."""
    batch, reasons = run.batch, _recorded(run)
    known = _foods(batch)
    hit = None if known else _low_acid(batch)
    if hit is not None:
        found = hit.food_class
        reasons.append(
            f"“{batch.food or batch.food_id}” counts as {found.label}. {found.reason} There is no override."
        )
        return Caps(tuple(reasons), low_acid=hit)
    published_min = _published_min(run, known)
    if published_min is None:
        return Caps(tuple(reasons), not_compared=_not_compared(run, known))
    if run.required.minutes >= published_min:
        return Caps(tuple(reasons))
    reasons.append(
        f"The required {run.required.minutes:g} min are fewer than the published {published_min:g} min "
        f"for {batch.food or batch.food_id}, {batch.pack} pack, {batch.jar} at {run.site.altitude_m:.0f} m."
    )
    return Caps(tuple(reasons), published_min=published_min)


def _recorded(run: Run) -> list[str]:
    """Why a run was recorded although its start was refused: written into its header then."""
    found = run.extra.get("capped_at_unproven")
    return [str(reason) for reason in found] if isinstance(found, list | tuple) else []


def _foods(batch: Batch) -> list[Food]:
    """The foods of the tables that the batch may be: by its id, else by the words for it."""
    by_id = food_of_id(batch.food_id or "")
    return [by_id] if by_id is not None else foods_named(batch.food or "")


def _low_acid(batch: Batch) -> LowAcidHit | None:
    """The low-acid food that the batch names, in its words or its id."""
    return low_acid_hit(batch.food or "") or low_acid_hit((batch.food_id or "").replace("_", " "))


def _published_min(run: Run, known: list[Food]) -> float | None:
    """The published time; where the words fit several foods the shortest of theirs. [min]"""
    pack = pack_of(run.batch.pack or "")
    volume_mL = jar_mL(run.batch.jar or "")
    if pack is None or volume_mL is None or run.site.altitude_m is None:
        return None
    times = []
    for food in known:
        # Smaller jars take the time of the smallest one listed.
        jar = timed_jar(food.food_id, pack, volume_mL)
        cell = published_minutes(food.food_id, pack, jar, altitude_m=run.site.altitude_m)
        if cell is not None:
            times.append(cell.minutes)
    return min(times, default=None)


def _not_compared(run: Run, known: list[Food]) -> str:
    batch = run.batch
    named = batch.food or batch.food_id
    if named is None:
        return ""
    lacks = [
        what
        for what, is_there in (
            ("the pack", pack_of(batch.pack or "")),
            ("the size of the jars", jar_mL(batch.jar or "")),
            ("the altitude", run.site.altitude_m is not None),
        )
        if not is_there
    ]
    if not known:
        why = f"the tables have no food called “{named}”"
    elif lacks:
        why = f"the record does not say {' and '.join(lacks)} in words that they know"
    else:
        why = f"the tables have none for {named}, {batch.pack} pack, {batch.jar}"
    return f"The required time was not compared with a published one: {why}."

"""The plan behind a run that was described by hand: its food, pack, jar, place and time, without the plan's form.

The same tables and refusals as for any other plan: a run that is described is not checked any less.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.plan.make import make_own_plan, make_plan
from monitor.plan.model import Plan
from monitor.plan.own import OwnProcess
from monitor.plan.refusal import NOT_DECLARED, Refusal
from monitor.plan.search import not_startable
from monitor.record.model import Run


def plan_of_header(
    header: Run, *, says_boiling_water: bool, band_ft: tuple[float, float | None] = (0.0, 1000.0)
) -> Plan | Refusal | None:
    """The plan of a run's header; why there is none; None where food, pack, jar or altitude are not said.

    Parameters
    ----------
    header : Run
        With a source the time is a tested process of the cook's own; without one it is the table's, or longer.
    says_boiling_water : bool
        A person has read in that source that it is a boiling-water process for acid food.
    band_ft : (float, float or None)
        The altitudes that the source's time is printed for; no upper end: None. [ft]
    """
    batch, site, required = header.batch, header.site, header.required
    food = batch.food_id or batch.food
    # Whatever else is missing: no boiling makes low-acid food keep.
    if (refusal := not_startable(batch.food, batch.food_id)) is not None:
        return refusal
    if food is None or batch.pack is None or batch.jar is None or site.altitude_m is None:
        return None
    if required.source:
        own = OwnProcess(
            food=batch.food or food,
            pack=batch.pack,
            jar=batch.jar,
            minutes=required.minutes,
            source=required.source,
            alt_min_ft=band_ft[0],
            alt_max_ft=band_ft[1],
            says_boiling_water=says_boiling_water,
            food_id=batch.food_id,
        )
        return make_own_plan(own, site.altitude_m, site.altitude_uncertainty_m)
    plan = make_plan(
        food,
        batch.pack,
        batch.jar,
        site.altitude_m,
        site.altitude_uncertainty_m,
        station_pressure_kPa=site.station_pressure_kPa,
    )
    if isinstance(plan, Refusal) or required.minutes == plan.minutes:
        return plan
    if required.minutes > plan.minutes:
        return replace(plan, minutes=required.minutes)
    return Refusal(
        NOT_DECLARED,
        f"The table asks {plan.minutes:g} min for {plan.food} here; {required.minutes:g} min are shorter.",
        "Hold the table's time, or name the source of a tested process of your own.",
        guidance=("G16",),
    )

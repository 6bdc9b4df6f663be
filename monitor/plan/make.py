"""Make the plan of one batch: the tested time for a food, pack, jar and altitude, and all that follows."""

from __future__ import annotations

from dataclasses import fields, replace

from monitor.physics.units import in_to_mm
from monitor.plan.containers import JAR_NAMES, Jar, parse_jar, parse_pack
from monitor.plan.model import Plan, Process
from monitor.plan.needs import IN_RECIPE, STERILISE_BELOW_MIN, acid_for, headspace_words, sterilising_minutes
from monitor.plan.own import OWN_CAVEAT, OWN_EVIDENCE, OwnProcess, check_own
from monitor.plan.refusal import JAR_TOO_LARGE, OTHER_PACK, Refusal
from monitor.plan.search import find_food
from monitor.plan.sentences import Height, disagreements, height_of, jar_note, low_pressure, straddle
from monitor.plan.steps import BatchFacts, Step, steps_for
from monitor.plan.water import LOADING_LIMIT_C, Depth, depth_over_lids
from monitor.tables.foods import Food
from monitor.tables.guidance import NOT_CHECKED
from monitor.tables.processes import JARS_ML, cell_at, feet, packs_and_jars, timed_jar

CAUTIONS_ALWAYS = (
    "Use a tested recipe; its own time governs. This time is for this food, pack and jar and for no other.",
    "Boiling water never makes low-acid food (plain vegetables, meat, fish, soups) keep on a shelf.",
    "Boiling water and steam scald; hot glass cracks; keep mains leads and electronics dry, clear of steam.",
    "Local rules and licensed practice come first. A record shows what was done, not that food may be eaten.",
)


def make_plan(
    food: str,
    pack: str,
    jar: str,
    altitude_m: float,
    altitude_uncertainty_m: float | None = None,
    *,
    station_pressure_kPa: float | None = None,
    take_longer: bool = False,
) -> Plan | Refusal:
    """The plan for a batch, or why there is none.

    Parameters
    ----------
    food, pack, jar : str
        An id of the tables or ordinary words; nothing is guessed from words that do not fit.
    altitude_m : float
        The kitchen's altitude above sea level. [m]
    altitude_uncertainty_m : float, optional
        How sure that is, ±. [m] Left out, it is taken as ±100 m.
    station_pressure_kPa : float, optional
        Today's station pressure in this kitchen; a low one may lead to an offer of a longer time. [kPa]
    take_longer : bool
        Hold the longer time where one is offered.

    Returns
    -------
    Plan or Refusal
    """
    height = height_of(altitude_m, altitude_uncertainty_m)
    if isinstance(height, Refusal):
        return height
    found = find_food(food)
    if isinstance(found, Refusal):
        return found
    style = parse_pack(pack)
    if isinstance(style, Refusal):
        return style
    size = parse_jar(jar)
    if isinstance(size, Refusal):
        return size
    listed = _listed_jar(found, style, size)
    if isinstance(listed, Refusal):
        return listed
    process = _published(found, style, size, listed, height, station_pressure_kPa)
    return _plan(_taken(process) if take_longer else process, style, size, height)


def make_own_plan(
    own: OwnProcess, altitude_m: float, altitude_uncertainty_m: float | None = None
) -> Plan | Refusal:
    """The plan for a person's own tested process: same form, marked as theirs, or why it cannot be used.

    Where the published table knows the very food, pack and jar, a shorter time than its own is said to cap
    the run at unproven.
    """
    height = height_of(altitude_m, altitude_uncertainty_m)
    if isinstance(height, Refusal):
        return height
    size = parse_jar(own.jar)
    if isinstance(size, Refusal):
        return size
    style = parse_pack(own.pack)
    if isinstance(style, Refusal):
        return style
    if (refusal := check_own(own, feet(height.lowest_m), feet(height.highest_m))) is not None:
        return refusal
    return _plan(_own(own, style, size, height), style, size, height)


def _listed_jar(food: Food, pack: str, jar: Jar) -> str | Refusal:
    """The listed jar whose time governs, or why none does."""
    printed = packs_and_jars(food.food_id)
    if pack not in {listed_pack for listed_pack, _ in printed}:
        packs = " and ".join(sorted({f"{listed_pack}-packed" for listed_pack, _ in printed}))
        return Refusal(
            OTHER_PACK,
            f"The tables have no {pack}-pack time for {food.name}; they have times for {packs} jars only.",
            "A time for one style of pack is not used for another.",
            guidance=("G16",),
        )
    listed = timed_jar(food.food_id, pack, jar.volume_mL)
    if listed is not None:
        return listed
    largest = max((j for p, j in printed if p == pack), key=lambda name: JARS_ML[name])
    return Refusal(
        JAR_TOO_LARGE,
        f"A {jar.words} jar is larger than the largest listed for {food.name}, {pack} pack: "
        f"{JAR_NAMES[largest]} ({JARS_ML[largest]} mL).",
        f"Use jars of {JAR_NAMES[largest]} size or smaller: a process is never stretched to a larger jar.",
        guidance=("G24",),
    )


def _published(
    food: Food, pack: str, jar: Jar, listed: str, height: Height, station_pressure_kPa: float | None
) -> Process:
    """The table's own time: that of the highest altitude at which the kitchen may lie."""
    at_place = cell_at(food.food_id, pack, listed, height.altitude_m)
    governing = cell_at(food.food_id, pack, listed, height.highest_m)
    row = governing.row
    caveat = "" if row.checked else NOT_CHECKED
    note = jar_note(jar, listed)
    why_longer = straddle(at_place, governing, height)
    disagreeing = disagreements(food, governing, height)
    cautions = [f"This time is {caveat}." if caveat else "", why_longer, note, food.note]
    if disagreeing:
        cautions.append("Above 8,000 ft sources disagree; the longer time is taken. Ask an extension office.")
    return Process(
        food_id=food.food_id,
        food=food.name,
        category=food.category,
        time_from_jar=listed,
        band_ft=(row.alt_min_ft, row.alt_max_ft),
        minutes=float(governing.longer_minutes),
        printed_minutes=float(at_place.minutes),
        source=row.source,
        evidence=row.evidence,
        caveat=caveat,
        straddle=why_longer,
        disagreements=disagreeing,
        acid=acid_for(food, jar),
        offer=low_pressure(food, pack, listed, governing.longer_minutes, station_pressure_kPa),
        cautions=tuple(filter(None, cautions)),
        headspace_in=food.headspace_in,
        headspace_evidence=food.headspace_evidence,
        guidance=tuple(
            filter(
                None,
                ("G16", "G25" if note else "", "G21" if disagreeing else "", food.note_guidance),
            )
        ),
    )


def _taken(process: Process) -> Process:
    """The same with the longer time that the day's pressure asks for, where there is one."""
    if process.offer is None:
        return process
    said = f"The longer time is held because of today's low pressure: {process.offer.minutes:g} min."
    return replace(
        process,
        minutes=process.offer.minutes,
        offer=replace(process.offer, taken=True),
        cautions=(said, *process.cautions),
    )


def _own(own: OwnProcess, pack: str, jar: Jar, height: Height) -> Process:
    asked = (find_food(said) for said in (own.food_id, own.food) if said)
    food = next((found for found in asked if isinstance(found, Food)), None)
    shorter = _shorter_than_published(own, food, pack, jar, height)
    acid = None if food is None else acid_for(food, jar)
    if own.acid_words.strip():
        acid = {"rule": "own", "text": own.acid_words.strip(), "guidance": ["G36"]}
    listed_in = None if food is None else food.headspace_in
    listed_evidence = "" if food is None else food.headspace_evidence
    return Process(
        food_id=None if food is None else food.food_id,
        food=own.food.strip(),
        category="own" if food is None else food.category,
        time_from_jar=jar.name,
        band_ft=(int(own.alt_min_ft), None if own.alt_max_ft is None else int(own.alt_max_ft)),
        minutes=own.minutes,
        printed_minutes=own.minutes,
        source=f"own process: {own.source.strip()}",
        evidence=OWN_EVIDENCE,
        caveat=OWN_CAVEAT,
        straddle="",
        disagreements=(shorter,) if shorter else (),
        acid=acid,
        offer=None,
        cautions=tuple(filter(None, (f"This is {OWN_CAVEAT}.", shorter))),
        headspace_in=own.headspace_in or listed_in,
        headspace_evidence=OWN_EVIDENCE if own.headspace_in else listed_evidence,
        guidance=("G16", "G36"),
    )


def _shorter_than_published(own: OwnProcess, food: Food | None, pack: str, jar: Jar, height: Height) -> str:
    """That the published table asks for more than this own process, or ""."""
    if food is None or (listed := timed_jar(food.food_id, pack, jar.volume_mL)) is None:
        return ""
    cell = cell_at(food.food_id, pack, listed, height.highest_m)
    if own.minutes >= cell.minutes:
        return ""
    return (
        f"The published table asks {cell.minutes} min for {food.name} here; your {own.minutes:g} min is "
        "shorter, and a run on it can at most be unproven."
    )


def _plan(process: Process, pack: str, jar: Jar, height: Height) -> Plan:
    """Everything that follows from the time: jars, water, steps, cautions."""
    sterilise = sterilising_minutes(height.highest_m) if process.minutes < STERILISE_BELOW_MIN else None
    depth = depth_over_lids(process.minutes)
    steps = _steps(process, pack, jar, depth, sterilise)
    numbers = {*process.guidance, *(number for step in steps for number in step.guidance)}
    cautions = [*process.cautions]
    if any(step.id == "acid" for step in steps):
        cautions.append("Acid goes into every jar; without it this food is not acid enough to be boiled.")
    said = {field.name: getattr(process, field.name) for field in fields(process)}
    said["cautions"] = (*cautions, *CAUTIONS_ALWAYS)
    said["guidance"] = tuple(sorted(numbers, key=lambda number: int(number[1:])))
    headspace_in = process.headspace_in
    return Plan(
        **said,
        pack=pack,
        jar=jar.name,
        jar_words=jar.words,
        jar_mL=round(jar.volume_mL, 1),
        altitude_m=height.altitude_m,
        altitude_uncertainty_m=height.uncertainty_m,
        headspace_mm=None if headspace_in is None else round(in_to_mm(headspace_in)),
        sterilise_jars=sterilise is not None,
        sterilise_minutes=sterilise,
        water_over_lids=depth,
        loading_water_max_C=LOADING_LIMIT_C[pack],
        steps=steps,
    )


def _steps(process: Process, pack: str, jar: Jar, depth: Depth, sterilise: int | None) -> tuple[Step, ...]:
    acid = process.acid
    in_recipe = acid is not None and acid["rule"] == IN_RECIPE
    return steps_for(
        BatchFacts(
            pack=pack,
            jar_words=jar.words,
            minutes=process.minutes,
            headspace_words=headspace_words(process.headspace_in),
            depth=depth,
            sterilise_minutes=sterilise,
            acid_words="" if acid is None or in_recipe else str(acid["text"]),
            acid_in_recipe=in_recipe,
        )
    )

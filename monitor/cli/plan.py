"""``boilwitness plan``: the published time for a food, pack, jar and altitude, or why there is none."""

from __future__ import annotations

import argparse
import json
import textwrap

from monitor.cli._data import add_data_argument
from monitor.cli._numbers import number
from monitor.cli._place import add_place_arguments, altitude_m, typed_pressure, uncertainty_m
from monitor.cli._plan_start import add_start_arguments, set_up_lines, start
from monitor.cli.main import EXIT_REFUSED
from monitor.errors import UsageError
from monitor.physics.units import m_to_ft
from monitor.plan.containers import JAR_NAMES
from monitor.plan.make import make_own_plan, make_plan
from monitor.plan.model import Plan, whole
from monitor.plan.own import OwnProcess
from monitor.plan.place import BoilingToday, boiling_today
from monitor.plan.pressure import StationPressure
from monitor.plan.refusal import Refusal
from monitor.plan.search import find_food
from monitor.plan.steps import WHEN
from monitor.plan.water import loading_limit_words
from monitor.store.stamp import SYSTEM_TIME
from monitor.tables.foods import Food, foods
from monitor.tables.processes import bands, packs_and_jars

WIDTH = 96

_WHEN_WORDS = {
    "before_heat": "Before the heat",
    "loading": "Loading",
    "come_up": "Come-up",
    "hold": "Hold",
    "after": "After",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_data_argument(parser)
    parser.add_argument("--food", metavar="FOOD", help="ordinary words or an id: 'pears', 'crushed tomatoes'")
    parser.add_argument("--pack", help="hot or raw")
    parser.add_argument("--jar", help="half-pint, pint, quart, half-gallon, or a volume such as '12 oz'")
    add_place_arguments(parser)
    parser.add_argument(
        "--take-longer", action="store_true", help="hold the longer time where a low pressure offers one"
    )
    _add_own(parser)
    parser.add_argument("--steps", action="store_true", help="print the steps of this batch as well")
    parser.add_argument("--list", action="store_true", help="list the foods of the tables and end")
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    add_start_arguments(parser)


def _add_own(parser: argparse.ArgumentParser) -> None:
    own = parser.add_argument_group(
        "a tested process of your own", "used instead of the table's and marked as yours everywhere"
    )
    own.add_argument("--own-minutes", type=float, metavar="MIN", help="its processing time")
    own.add_argument("--own-source", metavar="WORDS", help="where it is printed: book or page, publisher")
    own.add_argument(
        "--own-band-ft",
        type=float,
        nargs=2,
        metavar=("FROM", "TO"),
        help="the altitudes its time is printed for, in feet",
    )
    own.add_argument("--own-acid", metavar="WORDS", default="", help="the acid it asks for, if any")
    own.add_argument(
        "--own-headspace-in", type=number(0.0, 12.0), metavar="IN", help="its headspace in inches"
    )
    own.add_argument(
        "--own-is-boiling-water",
        action="store_true",
        help="you have read in the source that it is a boiling-water process for acid food",
    )


def run(args: argparse.Namespace) -> int:
    """Print the plan, the list or the food's table. 0 answered, 3 refused."""
    if args.list:
        _print_list(args.json)
        return 0
    if not args.food:
        raise UsageError(
            "Name the food with --food.", "'boilwitness plan --list' shows every food of the tables."
        )
    _must_be_a_whole_own(args)
    missing = _missing(args)
    if missing and not args.json and args.own_minutes is None:
        return _print_food(args.food, missing)
    pressure = typed_pressure(args, SYSTEM_TIME.utc_now())
    answer = _refused_outright(args, missing) if missing else _answer(args, pressure)
    if args.start and isinstance(answer, Plan):
        return start(args, answer, pressure)
    if args.json:
        print(json.dumps(answer.as_json(), ensure_ascii=False, indent=2))
    elif isinstance(answer, Refusal):
        print(_wrapped(answer.as_text()))
    else:
        set_up = ["", *set_up_lines(args, answer, pressure)] if args.probe is not None else []
        print(plan_text(answer, boiling_today(answer.altitude_m, pressure), steps=args.steps))
        if set_up:
            print(_wrapped("\n".join(set_up)))
    return EXIT_REFUSED if isinstance(answer, Refusal) else 0


def _must_be_a_whole_own(args: argparse.Namespace) -> None:
    """Half a process of one's own must not end in the table's. Raises UsageError."""
    if args.own_minutes is None:
        given = [
            option
            for option, value in (
                ("--own-source", args.own_source),
                ("--own-band-ft", args.own_band_ft),
                ("--own-acid", args.own_acid),
                ("--own-headspace-in", args.own_headspace_in),
                ("--own-is-boiling-water", args.own_is_boiling_water),
            )
            if value
        ]
        if given:
            raise UsageError(
                f"{given[0]} belongs to a process of your own.", "Say its time with --own-minutes."
            )
    if args.own_band_ft and args.own_band_ft[0] >= args.own_band_ft[1]:
        low_ft, high_ft = args.own_band_ft
        raise UsageError(f"--own-band-ft {low_ft:g} {high_ft:g} is no band.", "Say the lower end first.")


def _refused_outright(args: argparse.Namespace, missing: list[str]) -> Refusal:
    """A food that is refused whatever the pack, jar and altitude; else what is missing is the trouble."""
    found = find_food(args.food)
    if isinstance(found, Refusal) and args.own_minutes is None:
        return found
    raise UsageError(f"The plan needs {', '.join(missing)} too.")


def _missing(args: argparse.Namespace) -> list[str]:
    found = [f"--{name}" for name in ("pack", "jar") if getattr(args, name) is None]
    if altitude_m(args) is None:
        found.append("--altitude-m (or --altitude-ft)")
    return found


def _answer(args: argparse.Namespace, pressure: StationPressure | None) -> Plan | Refusal:
    place_m, sure_m = altitude_m(args) or 0.0, uncertainty_m(args)
    if args.own_minutes is None:
        return make_plan(
            args.food,
            args.pack,
            args.jar,
            place_m,
            sure_m,
            station_pressure_kPa=None if pressure is None else pressure.pressure_kPa,
            take_longer=args.take_longer,
        )
    low_ft, high_ft = args.own_band_ft or (0.0, 1000.0)
    own = OwnProcess(
        food=args.food,
        pack=args.pack,
        jar=args.jar,
        minutes=args.own_minutes,
        source=args.own_source or "",
        alt_min_ft=low_ft,
        alt_max_ft=high_ft,
        says_boiling_water=args.own_is_boiling_water,
        acid_words=args.own_acid,
        headspace_in=args.own_headspace_in,
    )
    return make_own_plan(own, place_m, sure_m)


def plan_text(plan: Plan, today: BoilingToday, *, steps: bool = False) -> str:
    """The plan for a person, in a screenful; the steps only when they are asked for."""
    lines = [f"Hold a full boil for {plan.minutes:g} minutes, without a break.", ""]
    if plan.own:
        lines.insert(1, "This is your own process, not the published table's.")
    rows = [*_rows(plan), ("boils", f"{today.sentence} {today.text}")]
    lines += [f"  {label:<10}{text}" for label, text in rows]
    lines += ["", *[f"! {caution}" for caution in plan.cautions]]
    if steps:
        for when in WHEN:
            lines += ["", _WHEN_WORDS[when]]
            for step in (found for found in plan.steps if found.when == when):
                lines.append(f"  [ ] {step.text}")
                lines += [f"      ! {step.caution}"] if step.caution else []
    return _wrapped("\n".join(lines))


def _rows(plan: Plan) -> list[tuple[str, str]]:
    top = plan.band_ft[1]
    band = f"{plan.band_ft[0]:,} to {top:,} ft" if top is not None else f"above {plan.band_ft[0] - 1:,} ft"
    rows = [
        ("food", f"{plan.food}; {plan.pack} pack; {plan.jar_words} jars"),
        ("altitude", f"{_altitude(plan)}; table band {band}"),
        ("source", plan.source + (f" ({plan.caveat})" if plan.caveat else "")),
    ]
    rows += [("sources", text) for text in plan.disagreements]
    if plan.headspace_in is not None:
        caveat = "" if plan.headspace_evidence == "seen" else " (not checked against the printed guide)"
        rows.append(("headspace", f"{plan.headspace_in:g} in ({plan.headspace_mm:g} mm){caveat}"))
    if plan.acid is not None:
        rows.append(("acid", plan.acid["text"]))
    if plan.sterilise_minutes is not None:
        rows.append(
            ("jars", f"under 10 min: sterilise the empty jars, {plan.sterilise_minutes} min in boiling water")
        )
    rows.append(
        (
            "water",
            f"{plan.water_over_lids.words} over the lids; at loading no hotter than {loading_limit_words(plan.pack)}",
        )
    )
    if plan.offer is not None:
        rows.append(("today", plan.offer.text))
    return rows


def _altitude(plan: Plan) -> str:
    """In both units: people choose one."""
    high_ft, sure_ft = m_to_ft(plan.altitude_m), m_to_ft(plan.altitude_uncertainty_m)
    return (
        f"{plan.altitude_m:,.0f} ± {plan.altitude_uncertainty_m:,.0f} m ({high_ft:,.0f} ± {sure_ft:,.0f} ft)"
    )


def _wrapped(text: str) -> str:
    """Long lines folded under their own beginning."""
    folded: list[str] = []
    for line in text.split("\n"):
        hang = 2
        if line.startswith("  "):
            hang = 12 if line[2:3].isalpha() else 8 if line.startswith("    ") else 6
        folded += textwrap.wrap(line, WIDTH, subsequent_indent=" " * hang) or [""]
    return "\n".join(folded)


def _print_list(as_json: bool) -> None:
    if as_json:
        print(json.dumps([_listed(food) for food in foods().values()], ensure_ascii=False, indent=2))
        return
    for food in foods().values():
        sizes = ", ".join(f"{pack} {JAR_NAMES[jar]}" for pack, jar in packs_and_jars(food.food_id))
        print(f"{food.food_id:<26}{food.name}: {sizes}")


def _listed(food: Food) -> dict[str, object]:
    return {
        "food_id": food.food_id,
        "food": food.name,
        "category": food.category,
        "packs_and_jars": [list(pair) for pair in packs_and_jars(food.food_id)],
    }


def _print_food(words: str, missing: list[str]) -> int:
    """The whole published table of one food, for someone who has not chosen pack, jar or altitude yet."""
    food = find_food(words)
    if isinstance(food, Refusal):
        print(_wrapped(food.as_text()))
        return EXIT_REFUSED
    print(f"{food.name}: minutes at a full boil, as printed")
    for pack, jar in packs_and_jars(food.food_id):
        cells = [
            f"{row.alt_min_ft:,}{f'-{row.alt_max_ft:,}' if row.alt_max_ft else '+'} ft: {whole(row.minutes)}"
            + ("" if row.checked else " (not checked)")
            for row in bands(food.food_id, pack, jar)
        ]
        print(f"  {pack} {JAR_NAMES[jar]:<12}{'   '.join(cells)}")
    print(f"For a plan give {', '.join(missing)} too.")
    return 0

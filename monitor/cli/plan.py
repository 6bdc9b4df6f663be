"""``boilwitness plan``: the published time for a food, pack, jar and altitude, or why there is none."""

from __future__ import annotations

import argparse
import json
import textwrap

from monitor.cli.main import EXIT_REFUSED
from monitor.errors import UsageError
from monitor.physics.altimeter import station_pressure_kPa
from monitor.physics.units import ft_to_m, inhg_to_kpa, m_to_ft
from monitor.plan.containers import JAR_NAMES
from monitor.plan.make import make_own_plan, make_plan
from monitor.plan.model import Plan, whole
from monitor.plan.own import OwnProcess
from monitor.plan.refusal import Refusal
from monitor.plan.search import find_food
from monitor.plan.steps import WHEN
from monitor.plan.water import loading_limit_words
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
    parser.add_argument("--food", metavar="FOOD", help="ordinary words or an id: 'pears', 'crushed tomatoes'")
    parser.add_argument("--pack", help="hot or raw")
    parser.add_argument("--jar", help="half-pint, pint, quart, half-gallon, or a volume such as '12 oz'")
    height = parser.add_mutually_exclusive_group()
    height.add_argument("--altitude-m", type=float, metavar="M", help="the kitchen's altitude in metres")
    height.add_argument("--altitude-ft", type=float, metavar="FT", help="the kitchen's altitude in feet")
    sure = parser.add_mutually_exclusive_group()
    sure.add_argument("--altitude-uncertainty-m", type=float, metavar="M", help="how sure that is, ± metres")
    sure.add_argument("--altitude-uncertainty-ft", type=float, metavar="FT", help="how sure that is, ± feet")
    _add_pressure(parser)
    _add_own(parser)
    parser.add_argument("--steps", action="store_true", help="print the steps of this batch as well")
    parser.add_argument("--list", action="store_true", help="list the foods of the tables and end")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def _add_pressure(parser: argparse.ArgumentParser) -> None:
    pressure = parser.add_mutually_exclusive_group()
    pressure.add_argument(
        "--station-pressure-hPa", type=float, metavar="HPA", help="today's pressure in this kitchen"
    )
    pressure.add_argument(
        "--altimeter-hPa", type=float, metavar="HPA", help="today's altimeter setting (QNH) near by"
    )
    pressure.add_argument(
        "--altimeter-inHg", type=float, metavar="INHG", help="the same in inches of mercury, near 29.92"
    )


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
    missing = _missing(args)
    if missing and not args.json and args.own_minutes is None:
        return _print_food(args.food, missing)
    answer = _refused_outright(args, missing) if missing else _answer(args)
    if args.json:
        print(json.dumps(answer.as_json(), ensure_ascii=False, indent=2))
    elif isinstance(answer, Refusal):
        print(_wrapped(answer.as_text()))
    else:
        print(plan_text(answer, steps=args.steps))
    return EXIT_REFUSED if isinstance(answer, Refusal) else 0


def _refused_outright(args: argparse.Namespace, missing: list[str]) -> Refusal:
    """A food that is refused whatever the pack, jar and altitude; else what is missing is the trouble."""
    found = find_food(args.food)
    if isinstance(found, Refusal) and args.own_minutes is None:
        return found
    raise UsageError(f"The plan needs {', '.join(missing)} too.")


def _missing(args: argparse.Namespace) -> list[str]:
    found = [f"--{name}" for name in ("pack", "jar") if getattr(args, name) is None]
    if args.altitude_m is None and args.altitude_ft is None:
        found.append("--altitude-m (or --altitude-ft)")
    return found


def _answer(args: argparse.Namespace) -> Plan | Refusal:
    altitude_m = ft_to_m(args.altitude_ft) if args.altitude_m is None else args.altitude_m
    sure_m = args.altitude_uncertainty_m
    if args.altitude_uncertainty_ft is not None:
        sure_m = ft_to_m(args.altitude_uncertainty_ft)
    if args.own_minutes is None:
        return make_plan(
            args.food,
            args.pack,
            args.jar,
            altitude_m,
            sure_m,
            station_pressure_kPa=_pressure(args, altitude_m),
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
    )
    return make_own_plan(own, altitude_m, sure_m)


def _pressure(args: argparse.Namespace, altitude_m: float) -> float | None:
    """Today's station pressure from whichever option gave it. [kPa]"""
    if args.station_pressure_hPa is not None:
        return float(args.station_pressure_hPa) / 10.0
    if args.altimeter_hPa is not None:
        return station_pressure_kPa(args.altimeter_hPa / 10.0, altitude_m)
    if args.altimeter_inHg is not None:
        return station_pressure_kPa(inhg_to_kpa(args.altimeter_inHg), altitude_m)
    return None


def plan_text(plan: Plan, *, steps: bool = False) -> str:
    """The plan for a person, in a screenful; the steps only when they are asked for."""
    lines = [f"Hold a full boil for {plan.minutes:g} minutes, without a break.", ""]
    lines += [f"  {label:<10}{text}" for label, text in _rows(plan)]
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

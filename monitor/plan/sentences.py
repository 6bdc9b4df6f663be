"""Why the time is what it is, in sentences: steps in altitude, sources that disagree, jars, low pressure."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from monitor.judge.pressure import altitude_within_m
from monitor.physics.altimeter import pressure_altitude_m
from monitor.physics.pressure import HIGHEST_M, LOWEST_M
from monitor.plan.containers import JAR_NAMES, Jar
from monitor.plan.model import Offer
from monitor.plan.refusal import OUT_OF_RANGE, Refusal
from monitor.tables.foods import Food
from monitor.tables.guidance import NOT_CHECKED
from monitor.tables.processes import DISAGREEMENT_ABOVE_FT, JARS_ML, LONGER_BY_MIN, Cell, cell_at, feet

#: Foods whose own line in the 8,001-10,000 ft column was read (guidance G21).
LONGER_READ_FOR = frozenset({"apples_sliced", "cherries_whole", "apple_juice", "grape_juice"})


@dataclass(frozen=True, slots=True)
class Height:
    """The kitchen's altitude and how sure it is. [m]"""

    altitude_m: float
    uncertainty_m: float
    stated: bool

    @property
    def lowest_m(self) -> float:
        return self.altitude_m - self.uncertainty_m

    @property
    def highest_m(self) -> float:
        return self.altitude_m + self.uncertainty_m

    @property
    def words(self) -> str:
        return (
            f"{self.altitude_m:.0f} ± {self.uncertainty_m:.0f} m "
            f"({feet(self.lowest_m):,.0f} to {feet(self.highest_m):,.0f} ft)"
        )


def height_of(altitude_m: float, uncertainty_m: float | None) -> Height | Refusal:
    """The altitude as given, taken as ±100 m where nobody says how sure it is; or why it is unusable."""
    sure_m = altitude_within_m(uncertainty_m)
    if not isfinite(altitude_m) or not LOWEST_M <= altitude_m <= HIGHEST_M:
        return Refusal(
            OUT_OF_RANGE,
            f"An altitude of {altitude_m:g} m is outside {LOWEST_M:.0f} to {HIGHEST_M:.0f} m.",
            "Give the kitchen's altitude above sea level.",
            guidance=("G23",),
        )
    if not isfinite(sure_m) or not 0.0 <= sure_m <= HIGHEST_M:
        return Refusal(
            OUT_OF_RANGE,
            f"An altitude uncertainty of {sure_m:g} m is not usable.",
            "Say how sure the altitude is, as plus or minus so many metres or feet.",
        )
    return Height(altitude_m, sure_m, uncertainty_m is not None)


def straddle(at_place: Cell, governing: Cell, place: Height) -> str:
    """Why the longer time applies when the altitude's uncertainty reaches over a step, or ""."""
    if governing.longer_minutes == at_place.longer_minutes:
        return ""
    edge_ft = governing.row.alt_min_ft - 1 if governing.row != at_place.row else DISAGREEMENT_ABOVE_FT
    sure = "" if place.stated else " (how sure the altitude is was not said)"
    return (
        f"The kitchen is at {place.words}{sure} and the time steps at {edge_ft:,.0f} ft: the longer time "
        f"applies, {governing.longer_minutes} min, not {at_place.longer_minutes}."
    )


def disagreements(food: Food, cell: Cell, place: Height) -> tuple[str, ...]:
    """What published sources disagree on for this cell: above 8,000 ft the longer time is taken."""
    if cell.longer_minutes == cell.minutes:
        return ()
    read = (
        ""
        if food.food_id in LONGER_READ_FOR
        else f" Its line for this food was not read; the same {LONGER_BY_MIN} min are taken."
    )
    said = (
        f"Above 8,000 ft sources disagree: the USDA guide's band above 6,000 ft says {cell.minutes} min; "
        f"a Utah State University timetable has a column for 8,001-10,000 ft, {LONGER_BY_MIN} min longer."
        f"{read} "
        f"The longer time is taken: {cell.longer_minutes} min. Ask your own extension office."
    )
    if feet(place.highest_m) <= 10_000.0:
        return (said,)
    return (said, "No table that was read names a time of its own above 10,000 ft.")


def jar_note(jar: Jar, listed: str) -> str:
    if jar.volume_mL == JARS_ML[listed]:
        return ""
    return (
        f"No time is printed for a {jar.words} jar: the next larger listed one's applies, the "
        f"{JAR_NAMES[listed]}'s ({NOT_CHECKED})."
    )


def low_pressure(
    food: Food, pack: str, jar: str, minutes: float, station_pressure_kPa: float | None
) -> Offer | None:
    """The longer time, when today's pressure makes water boil as it does in a higher band."""
    if station_pressure_kPa is None:
        return None
    as_at_m = pressure_altitude_m(station_pressure_kPa)
    cell = cell_at(food.food_id, pack, jar, as_at_m)
    if cell.longer_minutes <= minutes:
        return None
    edge_ft = DISAGREEMENT_ABOVE_FT if cell.longer_minutes > cell.minutes else cell.row.alt_min_ft - 1
    return Offer(
        float(cell.longer_minutes),
        f"Today's pressure of {station_pressure_kPa * 10:.0f} hPa makes water boil as it does at "
        f"{feet(as_at_m):,.0f} ft, in the band above {edge_ft:,.0f} ft. The table goes by altitude and asks "
        f"for {minutes:g} min; {cell.longer_minutes} min is the longer time, and longer costs only quality.",
    )

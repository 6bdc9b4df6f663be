"""At what temperature water boils in this kitchen just now, where that comes from, and how sure it is.

First choice is the node's barometer, then a station pressure that a person typed, then the altitude through
the standard atmosphere. The error that hurts is a boiling point taken too low, so the altitude alone is
raised by what a warm season does to the air above the kitchen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from math import exp, hypot, sqrt
from statistics import median

from monitor.judge.calibration import was_checked_at_boil
from monitor.judge.verdict import BudgetRow
from monitor.judge.yearly import is_within_a_year
from monitor.physics.pressure import (
    DRY_AIR_J_PER_KG_K,
    GRAVITY_M_PER_S2,
    LAPSE_K_PER_M,
    SEA_LEVEL_K,
    standard_pressure_kPa,
)
from monitor.physics.saturation import boiling_point_C, boiling_slope_K_per_kPa
from monitor.physics.units import KPA_PER_INHG
from monitor.record.model import Run
from monitor.tables.probes import OTHER, PRESSURE_SOURCES

#: A typed pressure is good for six hours. [s]
TYPED_LASTS_S = 6 * 3600.0

#: How fast weather may move the pressure while nothing measures it, as a rectangular half-width: limits that nothing
#: passes (JCGM 100:2008, 4.3.7), so the fastest there is. [kPa/h] The deepest lows come at some 5 hPa an hour (from
#: memory); what an ordinary one does, 1 to 2 hPa an hour, is no limit.
WEATHER_KPA_PER_H = 0.5
#: For so long a pressure stands as it was read. [s] Chosen: the weather moves by less than 1 hPa meanwhile.
FRESH_S = 600.0
#: How the term of the weather since a reading begins.
SINCE = "weather in the"
#: Two moments far apart are two draws from the weather: σ = √2 × 7.4 hPa between them (physics facts P11, P45), and
#: no longer wait makes it wider. [kPa]
WEATHER_APART_KPA = sqrt(2.0) * 0.74

#: How a typed pressure was had: by a barometer in the kitchen that a person read, or brought up from what a station
#: near by reports, as its altimeter setting or, near sea level, its sea-level pressure.
READ_BY_HAND = "station"
ALTIMETER_SETTING, SEA_LEVEL_PRESSURE = "altimeter_setting", "sea_level"

#: Small digital barometers: ±1 hPa where compared with a station, else up to 4 hPa out. [kPa]
#: Data sheet for the first; users' reports for the second.
BAROMETER_CHECKED_KPA = 0.1
BAROMETER_UNCHECKED_KPA = 0.4

#: Day-to-day weather at one place: interquartile range 10 hPa, so σ = 7.4 hPa or 0.21 K. Climate texts.
WEATHER_K = 0.21
#: Season at altitude: σ 0.22 K at 1650 m, and the warm-season rise 0.27 K there. Computed with the
#: hypsometric equation for air columns of -10 and 35 °C against the standard 15 °C.
SEASON_M = 1650.0
SEASON_K = 0.22
WARM_RISE_K = 0.27

#: Altitude moves the boiling point by 0.0033 K a metre (standard atmosphere with IAPWS-IF97). [K/m]
ALTITUDE_K_PER_M = 0.0033
#: Where a record does not say how sure its altitude is. [m] Our choice.
WIDEST_ALTITUDE_M = 100.0
#: The same where a pressure is held against that altitude: half of it, for there a wider one would believe more. [m]
DOUBTED_ALTITUDE_M = WIDEST_ALTITUDE_M / 2.0

#: Weather ±25 hPa (climate texts: commonly 982 to 1033 hPa), season ±16 hPa at 1650 m (as above), in squares, and the
#: altitude's own part, ±5 hPa where it is sure to ±50 m: beyond those ±35 hPa pressure and altitude disagree (P15).
#: Near the ground pressure falls by 0.11 hPa a metre (standard atmosphere). [kPa]
WEATHER_SPREAD_KPA = 2.5
SEASON_SPREAD_KPA = 1.6
#: The hot day of the season's figures. [K]
HOT_DAY_K = 273.15 + 35.0
ALTITUDE_KPA_PER_M = 0.011

#: Air that people can in: outside it the barometer is broken. [kPa] Chosen: 50 kPa is the standard air of 5600 m, 108.4
#: the highest ever read at sea level (climate texts).
LOWEST_AIR_KPA, HIGHEST_AIR_KPA = 50.0, 110.0

#: A check whose standard pressure differs by no more was made at this altitude. [kPa] Our choice: 20 m.
SAME_PLACE_KPA = 0.2

#: Why a barometer proves nothing that nothing in the record checks.
UNCHECKED = (
    "nothing checks the barometer: it was not compared with a station's altimeter setting within 12 months, and the "
    "record does not give the altitude"
)

#: Why a typed pressure counts as expired from the start.
UNDATED = "no time with its UTC offset says when the station pressure was read: it counts as expired"

#: A typed pressure of another time of day.
TYPED_TOO_OLD = "the station pressure that was typed is of more than 6 h before or after, and is not used"

#: Said while a barometer that the record names has not spoken.
NOT_HEARD = "the barometer that the record names was not heard"

#: Where a record does not say when a pressure was typed.
NO_TIME = (
    "the record does not say when the station pressure was read: it is taken as read at the start, and as unsure as "
    "after 6 h"
)

#: Why a barometer counts as one that may be 4 hPa out.
NOT_COMPARED = "the barometer was not compared with a station's altimeter setting within 12 months"
#: Why a pressure that a person read counts as one of a barometer that was never compared.
BY_HAND = (
    "the pressure was read from a barometer in the kitchen, and nothing compares that one with a station's altimeter "
    "setting"
)

#: A barometer that was never checked may read low by this before it is held against it. [kPa] Our rule.
FREE_DISAGREEMENT_KPA = 1.0

#: Barometer readings are thinned to one in this many seconds, and the median of the last half hour is used, over which
#: weather hardly moves. Chosen. [s]
MEDIAN_EVERY_S, MEDIAN_OVER_S = 30.0, 1800.0
#: So many of these in a row that cannot be this kitchen's are no glitch: the barometer proves nothing. Until then they
#: are passed over, as its silence is. Chosen: a minute and a half.
GLITCHES = 3
#: Weather moves the pressure by no more within that half hour: else the barometer is not in order, and whether it was
#: before or is now nobody knows. [kPa] Chosen: the deepest lows come at WEATHER_KPA_PER_H, a thunderstorm's gust front
#: brings 3 to 5 hPa at once (from memory).
FASTEST_KPA = 0.8


@dataclass(frozen=True, slots=True)
class PressureBasis:
    """The boiling point and its pressure's share of the uncertainty.

    ``boil_C`` is None where nothing is known. ``standard_K`` is the combined standard uncertainty of
    ``rows``; ``added_K`` is added to U itself; ``raised_K`` is what ``boil_C`` was raised by on purpose.
    ``disagrees`` is "" or why the pressure proves nothing.
    """

    source: str
    text: str
    boil_C: float | None
    pressure_kPa: float | None
    standard_K: float
    added_K: float
    raised_K: float
    rows: tuple[BudgetRow, ...]
    notes: tuple[str, ...] = ()
    disagrees: str = ""


def _basis(
    source: str,
    text: str,
    boil_C: float | None,
    pressure_kPa: float | None,
    rows: list[BudgetRow],
    *,
    added_K: float = 0.0,
    raised_K: float = 0.0,
    notes: tuple[str, ...] = (),
    disagrees: str = "",
) -> PressureBasis:
    return PressureBasis(
        source,
        text,
        boil_C,
        pressure_kPa,
        sqrt(sum(row.standard_K**2 for row in rows)),
        added_K,
        raised_K,
        tuple(rows),
        notes,
        disagrees,
    )


def added_row(term: str, added_K: float, source: str) -> BudgetRow:
    """A known error that nothing corrects: no part of the squares, but added to U as it is (JCGM 100:2008, F.2.4.5)."""
    return BudgetRow(term, f"{added_K:.2f}", "K", "added whole", 0.0, source)


def altitude_within_m(stated_m: float | None) -> float:
    """How far an altitude may be off either way: as stated, else at its widest. [m]"""
    return WIDEST_ALTITUDE_M if stated_m is None else stated_m


def _rectangular(term: str, half_kPa: float, slope: float, source: str) -> BudgetRow:
    standard_K = half_kPa * slope / sqrt(3.0)
    return BudgetRow(term, f"±{half_kPa * 10.0:.3g}", "hPa", "rectangular", standard_K, source)


def disagreement(run: Run, pressure_kPa: float) -> str:
    """Why a station pressure cannot be this kitchen's, or ""."""
    if not LOWEST_AIR_KPA <= pressure_kPa <= HIGHEST_AIR_KPA:
        reads = f"the pressure reads {pressure_kPa * 10:.0f} hPa, which is the air of no kitchen"
        return reads + _unit_meant(pressure_kPa)
    altitude_m = run.site.altitude_m
    if altitude_m is None:
        return ""
    standard_kPa = standard_pressure_kPa(altitude_m)
    sure_m = run.site.altitude_uncertainty_m
    # Weather and season know nothing of each other; an altitude that is off is off every day (physics facts, P15).
    spread_kPa = hypot(WEATHER_SPREAD_KPA, SEASON_SPREAD_KPA * abs(altitude_m) / SEASON_M)
    spread_kPa += ALTITUDE_KPA_PER_M * (DOUBTED_ALTITUDE_M if sure_m is None else sure_m)
    low_kPa, high_kPa = standard_kPa - spread_kPa, standard_kPa + spread_kPa + _beyond_season_kPa(altitude_m)
    if low_kPa <= pressure_kPa <= high_kPa:
        return ""
    text = (
        f"the pressure of {pressure_kPa * 10:.0f} hPa cannot be that of a kitchen at {altitude_m:.0f} m, "
        f"where {low_kPa * 10:.0f} to {high_kPa * 10:.0f} hPa are to be expected"
    )
    if altitude_m > 150.0 and 97.0 <= pressure_kPa <= 106.0:
        text += (
            "; it looks like a sea-level-corrected pressure, as forecasts give it: enter the station pressure"
        )
    return text


def _beyond_season_kPa(altitude_m: float) -> float:
    """By how much more than at 1650 m a hot day lifts the pressure higher up. [kPa]

    There every day on which people can is warmer than the standard column, by the more the higher: that is no chance
    to be taken in squares, and it is the safe side, for it lifts the boiling point.
    """
    return max(_hot_day_kPa(altitude_m) - _hot_day_kPa(SEASON_M), 0.0)


def _hot_day_kPa(altitude_m: float) -> float:
    """What a column of 35 °C at its top lifts the pressure above the standard's: 16 hPa at 1650 m (P12). [kPa]"""
    half_lapse_K = 0.5 * LAPSE_K_PER_M * altitude_m
    standard_K, hot_K = SEA_LEVEL_K - half_lapse_K, HOT_DAY_K + half_lapse_K
    height_K = GRAVITY_M_PER_S2 * altitude_m / DRY_AIR_J_PER_KG_K
    lifted = exp(height_K * (1.0 / standard_K - 1.0 / hot_K))
    return standard_pressure_kPa(altitude_m) * (lifted - 1.0)


def _unit_meant(pressure_kPa: float) -> str:
    """What a figure in kPa that is no air would be in another unit, if it is air there."""
    for unit, kPa in (("hPa", 0.1), ("inches of mercury", KPA_PER_INHG)):
        if LOWEST_AIR_KPA <= pressure_kPa * kPa <= HIGHEST_AIR_KPA:
            return (
                f"; {pressure_kPa:g} looks like {unit}, given where kPa are asked: {pressure_kPa:g} {unit} are "
                f"{pressure_kPa * kPa:.2f} kPa"
            )
    return ""


def from_altitude(run: Run) -> PressureBasis:
    """The boiling point from the stated altitude alone."""
    altitude_m = run.site.altitude_m
    if altitude_m is None:
        return _basis("none", "nothing: no altitude and no pressure", None, None, [])
    standard_kPa = standard_pressure_kPa(altitude_m)
    season = max(altitude_m, 0.0) / SEASON_M
    raised_K = WARM_RISE_K * season
    sure_m = altitude_within_m(run.site.altitude_uncertainty_m)
    notes: tuple[str, ...] = (
        (UNDATED,) if run.site.station_pressure_kPa is not None and _typed_at(run) is None else ()
    )
    if run.site.altitude_uncertainty_m is None:
        notes += (f"the record does not say how sure the altitude is; ±{sure_m:.0f} m taken",)
    rows = [
        BudgetRow(
            "weather, altitude alone",
            f"±{2.0 * WEATHER_K:.2f}",
            "K",
            "normal, k = 2",
            WEATHER_K,
            "climate texts: half of the readings at one coast within 10 hPa",
        ),
        BudgetRow(
            "season, altitude alone",
            f"±{2.0 * SEASON_K * season:.2f}",
            "K",
            "normal, k = 2",
            SEASON_K * season,
            "air columns of -10 to 35 °C against the standard 15 °C; computed",
        ),
    ]
    if not _altitude_cancels(run):
        rows.append(
            BudgetRow(
                "altitude itself",
                f"±{sure_m:.0f}",
                "m",
                "rectangular",
                sure_m * ALTITUDE_K_PER_M / sqrt(3.0),
                "standard atmosphere with IAPWS-IF97",
            )
        )
    return _basis(
        "altitude",
        f"altitude {altitude_m:.0f} m, standard atmosphere, raised {raised_K:.2f} K for a warm season",
        boiling_point_C(standard_kPa) + raised_K,
        standard_kPa,
        rows,
        raised_K=raised_K,
        notes=notes,
    )


def _altitude_cancels(run: Run) -> bool:
    """A check made at the boil at this altitude carries the altitude's error: never count it twice.

    One made elsewhere carries another altitude's error, and does not cancel this one's.
    """
    calibration = run.probe.calibration
    if calibration is None or not was_checked_at_boil(calibration):
        return False
    if calibration.extra.get("pressure_source") != "altitude":
        return False
    checked_kPa = calibration.extra.get("station_pressure_kPa")
    if not isinstance(checked_kPa, int | float) or run.site.altitude_m is None:
        return True
    return abs(checked_kPa - standard_pressure_kPa(run.site.altitude_m)) <= SAME_PLACE_KPA


def _typed_at(run: Run) -> datetime | None:
    """When a typed pressure was read; a record that says nothing of it means at the start.

    None where that is no time with its UTC offset. The kitchen's own zone is not taken for one that is left out:
    records keep times in UTC and pages show them in the zone, and the wrong guess makes a value hours younger.
    """
    moment = run.site.extra.get("station_pressure_at")
    if moment is None:
        return run.started_at
    try:
        read_at = datetime.fromisoformat(moment)
    except (TypeError, ValueError):
        return None
    return read_at if read_at.tzinfo is not None else None


def from_typed(run: Run, t_s: float) -> PressureBasis | None:
    """The boiling point from a station pressure that a person typed, while it is fresh; else None."""
    pressure_kPa, read_at = run.site.station_pressure_kPa, _typed_at(run)
    if pressure_kPa is None or read_at is None:
        return None
    age_s = t_s - (read_at - run.started_at).total_seconds()
    if not -TYPED_LASTS_S <= age_s <= TYPED_LASTS_S:
        return None
    is_dated = run.site.extra.get("station_pressure_at") is not None
    added_K, notes = 0.0, _source_notes(run)
    by_hand = run.site.extra.get("station_pressure_kind") == READ_BY_HAND
    if not is_dated:
        age_s, notes = TYPED_LASTS_S, (*notes, NO_TIME)
    if by_hand:
        notes = (*notes, BY_HAND)
    if notes or abs(age_s) > FRESH_S:
        # A deep low does not stay: what was typed in one is soon too low.
        added_K, doubts = _read_low(run, pressure_kPa, "the pressure that was typed")
        notes += doubts
    return _from_pressure(
        run,
        pressure_kPa,
        "station pressure",
        f"station pressure {pressure_kPa * 10:.1f} hPa, typed",
        [
            (BAROMETER_UNCHECKED_KPA, "a barometer read by a person, compared with nothing; users' reports")
            if by_hand
            else (BAROMETER_CHECKED_KPA, "a station's reading, brought to this kitchen; our judgement")
        ],
        age_s=abs(age_s),
        added_K=added_K,
        notes=notes,
    )


def _source_notes(run: Run) -> tuple[str, ...]:
    """What is to be said where the record does not say how its pressure was read."""
    source = run.site.pressure_source
    if source is None:
        return ("the record does not say where its pressure comes from",)
    if source == OTHER or source not in PRESSURE_SOURCES:
        return (f"where the pressure comes from, “{source}”, is none of the sources that are known here",)
    return ()


def _read_low(run: Run, pressure_kPa: float, what: str) -> tuple[float, tuple[str, ...]]:
    """What a pressure that nothing vouches for adds to U where it is below the altitude's. [K]"""
    if run.site.altitude_m is None or not LOWEST_AIR_KPA <= pressure_kPa <= HIGHEST_AIR_KPA:
        return 0.0, ()
    low_kPa = standard_pressure_kPa(run.site.altitude_m) - pressure_kPa - FREE_DISAGREEMENT_KPA
    if low_kPa <= 0.0:
        return 0.0, ()
    added_K = 0.5 * low_kPa * boiling_slope_K_per_kPa(pressure_kPa)
    note = (
        f"{what} is {low_kPa * 10 + 10:.0f} hPa below the standard for the altitude: half of what is beyond 10 hPa, "
        f"{added_K:.2f} K, is added to the uncertainty"
    )
    return added_K, (note,)


def from_barometer(run: Run, pressure_kPa: float, age_s: float) -> PressureBasis:
    """The boiling point from the node's barometer, last heard ``age_s`` ago."""
    checked_at = run.site.barometer_checked_at
    unsaid = _source_notes(run)
    fresh = checked_at is not None and is_within_a_year(checked_at, run.started_at) and not unsaid
    terms = [
        (
            BAROMETER_CHECKED_KPA,
            "small digital barometer, compared with a station's altimeter setting; data sheet",
        )
        if fresh
        else (
            BAROMETER_UNCHECKED_KPA,
            "small digital barometer never compared within 12 months; users' reports",
        )
    ]
    notes: tuple[str, ...] = ()
    added_K, unchecked = 0.0, ""
    if not fresh:
        notes = unsaid or (NOT_COMPARED,)
        added_K, doubts = _read_low(run, pressure_kPa, "the barometer's reading")
        notes += doubts
        unchecked = UNCHECKED if run.site.altitude_m is None else ""
    return _from_pressure(
        run,
        pressure_kPa,
        "barometer",
        f"barometer {pressure_kPa * 10:.1f} hPa",
        terms,
        age_s=age_s,
        added_K=added_K,
        notes=notes,
        unchecked=unchecked,
    )


def _from_pressure(
    run: Run,
    pressure_kPa: float,
    source: str,
    text: str,
    terms: list[tuple[float, str]],
    *,
    age_s: float = 0.0,
    added_K: float = 0.0,
    notes: tuple[str, ...] = (),
    unchecked: str = "",
) -> PressureBasis:
    disagrees = disagreement(run, pressure_kPa) or unchecked
    if not LOWEST_AIR_KPA <= pressure_kPa <= HIGHEST_AIR_KPA:
        return _basis(source, text, None, pressure_kPa, [], notes=notes, disagrees=disagrees)
    slope = boiling_slope_K_per_kPa(pressure_kPa)
    rows = [_rectangular(source, half_kPa, slope, why) for half_kPa, why in terms]
    if age_s > FRESH_S:
        rows.append(_weather_since(age_s, slope))
    if added_K:
        rows.append(
            added_row("pressure far below the altitude's", added_K, "half of what is beyond 10 hPa; our rule")
        )
    return _basis(
        source,
        text,
        boiling_point_C(pressure_kPa),
        pressure_kPa,
        rows,
        added_K=added_K,
        notes=notes,
        disagrees=disagrees,
    )


def _weather_since(age_s: float, slope: float) -> BudgetRow:
    """What the weather may have done since a pressure was read: as fast as it can, no more than it ever does."""
    term, half_kPa = f"{SINCE} {age_s / 3600:.1f} h since", WEATHER_KPA_PER_H * age_s / 3600.0
    if half_kPa / sqrt(3.0) <= WEATHER_APART_KPA:
        return _rectangular(
            term,
            half_kPa,
            slope,
            f"{WEATHER_KPA_PER_H * 10:g} hPa an hour, as the deepest lows come; from memory",
        )
    given = f"±{2.0 * WEATHER_APART_KPA * 10.0:.3g}"
    source = "two moments of the weather at one place; climate texts"
    return BudgetRow(term, given, "hPa", "normal, k = 2", WEATHER_APART_KPA * slope, source)


def basis_before_start(run: Run, at_s: float = 0.0, heard_kPa: float | None = None) -> PressureBasis:
    """What the header alone promises for ``at_s`` after the start.

    ``heard_kPa`` is what the named barometer says by now; one that was not heard is taken to be in order and to agree.
    """
    if run.site.pressure_source == "barometer":
        kPa = 101.325 if run.site.altitude_m is None else standard_pressure_kPa(run.site.altitude_m)
        return from_barometer(run, kPa if heard_kPa is None else heard_kPa, 0.0)
    return _without_barometer(run, at_s)


def _without_barometer(run: Run, at_s: float) -> PressureBasis:
    """By the pressure that was typed while it is fresh, else by the altitude."""
    basis = from_typed(run, at_s)
    if basis is not None:
        return basis
    basis = from_altitude(run)
    if run.site.station_pressure_kPa is None or _typed_at(run) is None:
        return basis
    return replace(basis, notes=(*basis.notes, TYPED_TOO_OLD))


class PressureTracker:
    """Follows the barometer through a run; ``at(t_s)`` is the basis to judge by at that moment."""

    def __init__(self, run: Run) -> None:
        self._run = run
        #: When a reading that can be this kitchen's came [s], the reading, and the middle one of it and the two before
        #: it, so that a glitch moves nothing. [kPa]
        self._readings: list[tuple[float, float, float]] = []
        self._taken_s = -1e18
        self._heard_s = -1e18
        #: The newest reading that cannot be, and how many came in a row; why the barometer is not in order, or "".
        self._odd_kPa, self._odd_in_a_row = 0.0, 0
        self._broken = ""

    def hear(self, t_s: float, pressure_kPa: float) -> None:
        """Take in one barometer reading. [s], [kPa]"""
        if t_s - self._taken_s < MEDIAN_EVERY_S:
            if not self._odd_in_a_row:
                self._heard_s = t_s
            return
        self._taken_s = t_s
        if disagreement(self._run, pressure_kPa):
            self._odd_kPa = pressure_kPa
            self._odd_in_a_row += 1
            return
        self._odd_in_a_row = 0
        self._heard_s = t_s
        newest = [kPa for _, kPa, _ in self._readings[1 - GLITCHES :]]
        self._readings.append((t_s, pressure_kPa, median([*newest, pressure_kPa])))
        while self._readings[0][0] < t_s - MEDIAN_OVER_S:
            del self._readings[0]
        middles = [middle for _, _, middle in self._readings[GLITCHES - 1 :]]
        moved_kPa = max(middles, default=0.0) - min(middles, default=0.0)
        if moved_kPa > FASTEST_KPA and not self._broken:
            self._broken = (
                f"the barometer moved by {moved_kPa * 10:.0f} hPa within half an hour, which is faster than weather: "
                "which of its readings are right nobody knows"
            )

    def at(self, t_s: float) -> PressureBasis:
        """The basis at ``t_s``. Asking changes nothing; the engine asks each half minute."""
        if not self._readings and not self._odd_in_a_row:
            basis = _without_barometer(self._run, t_s)
            is_named = self._run.site.pressure_source == "barometer"
            if not is_named:
                return basis
            return replace(basis, text=f"{basis.text} ({NOT_HEARD})", notes=(*basis.notes, NOT_HEARD))
        if not self._readings:
            return from_barometer(self._run, self._odd_kPa, 0.0)
        basis = from_barometer(self._run, median([kPa for _, kPa, _ in self._readings]), t_s - self._heard_s)
        why = disagreement(self._run, self._odd_kPa) if self._odd_in_a_row >= GLITCHES else self._broken
        return replace(basis, disagrees=why) if why else basis

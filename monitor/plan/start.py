"""May the run start? What is missing stops it and is said; jars that already boil are recorded anyway.

A run recorded anyway carries its reasons in the record (``capped_at_unproven``) and can at most be unproven.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.plan.check import NEAR_K
from monitor.plan.history import AGAIN
from monitor.plan.model import Plan
from monitor.plan.needs import acid_statement
from monitor.plan.ph import PhMeasured, ph_problem
from monitor.plan.registration import PLACES, ProbeRegistration, registration_gaps
from monitor.plan.water import fahrenheit_meant, glass_caution, loading_deviation
from monitor.record.model import Calibration, Site
from monitor.tables.probes import match

#: Coldest and hottest a probe may read before the heat goes on, and how old its last reading may be: ice water and
#: boiling water, each with room for a probe that nobody has checked. Our choice.
PLAUSIBLE_C = (-5.0, 100.0 + NEAR_K["boil"])
FRESH_S = 15.0
#: A canner's jars, and a headspace, beyond which something else was typed. Our choice; the tables print 6 to 38 mm.
MOST_JARS = 60
HEADSPACE_MM = (1.0, 60.0)

#: Room for three times the planned time: a row a second, journals and pages included. [bytes] Our choice.
BYTES_PER_S = 400.0
LEAST_BYTES = 50_000_000.0
COME_UP_ALLOWED_S = 3600.0

#: Holds back every record of jars that boiled before it began, whatever else was ready.
BOILED_BEFORE = "The jars were in boiling water before the record began, so it cannot show their come-up."


@dataclass(frozen=True, slots=True)
class StartFacts:
    """All that is known when somebody wants to start. ``None`` is not known, and never fine.

    Temperatures in °C, ages in s, ``free_bytes`` of the store's disk; ``power_ok``: mains, or battery for
    three times the planned time. ``headspace_mm`` is the recipe's where it differs from the plan's.
    ``probe_said``: what stands beside the probe's last good check, such as a later one that was not accepted.
    ``lots_taken``: lot codes in use. ``unread``: why something that was typed cannot be read, in whole sentences.
    ``pressure_doubt``: why the pressure that is to be used cannot be this kitchen's, or is not heard; "" where none is.
    ``heard_kPa``: what the node's barometer says by now, where the site names it. [kPa]
    """

    plan: Plan | None = None
    site: Site | None = None
    site_doubt: str = ""
    zone: str | None = None
    canner: str | None = None
    node: str | None = None
    probe: ProbeRegistration | None = None
    calibration: Calibration | None = None
    calibration_seen: bool = False
    probe_blocked: str = ""
    probe_said: tuple[str, ...] = ()
    reading_C: float | None = None
    reading_age_s: float | None = None
    clock_ok: bool | None = None
    free_bytes: float | None = None
    power_ok: bool | None = None
    sound_heard: bool = False
    jars: int | None = None
    jar_numbers: tuple[int, ...] = ()
    rims_and_lids_checked: bool = False
    coldest_jar_C: float | None = None
    loading_water_C: float | None = None
    acid_confirmed: bool = False
    ph: PhMeasured | None = None
    headspace_mm: float | None = None
    lots_taken: frozenset[str] = frozenset()
    who: str = ""
    already_boiling: bool = False
    unread: tuple[str, ...] = ()
    pressure_doubt: str = ""
    heard_kPa: float | None = None


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that stops the start. ``what`` is a fixed word, ``text`` says what to do."""

    what: str
    text: str


@dataclass(frozen=True, slots=True)
class StartDecision:
    """What is missing, what deviates, and whether the run may be recorded all the same."""

    missing: tuple[Missing, ...]
    deviations: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    record_anyway: bool = False
    cap_reasons: tuple[str, ...] = field(default=())

    @property
    def may_start(self) -> bool:
        """Whether a run that can prove something may start."""
        return not self.missing and not self.record_anyway

    @property
    def instead(self) -> str:
        """What is offered where something is missing and no jar is in boiling water yet."""
        if self.may_start or self.record_anyway:
            return ""
        return (
            "Jars that are in boiling water already are not lost to the record: say so, and the run is recorded, "
            "and can be no more than unproven."
        )

    @property
    def sentence(self) -> str:
        """For the page: one sentence."""
        if self.may_start:
            return "Ready to start."
        if self.record_anyway:
            ready = (
                "Not ready, but the jars are in boiling water"
                if self.missing
                else "The jars are in boiling water"
            )
            return (
                f"{ready}: record anyway. The record can then be no more than unproven, because: "
                f"{' '.join(self.cap_reasons)}"
            )
        count = len(self.missing)
        return f"Not started: {count} {'thing is' if count == 1 else 'things are'} missing."


def decide_start(facts: StartFacts) -> StartDecision:
    """What is missing, what deviates, and what to do about it."""
    missing = (
        *_process_missing(facts),
        *_place_missing(facts),
        *_probe_missing(facts),
        *_readiness_missing(facts),
        *_batch_missing(facts),
        *(Missing("unread", why) for why in facts.unread),
    )
    deviations, cautions = _loading_notes(facts)
    return StartDecision(
        missing=missing,
        deviations=deviations,
        cautions=cautions,
        record_anyway=facts.already_boiling,
        cap_reasons=(BOILED_BEFORE, *(entry.text for entry in missing)) if facts.already_boiling else (),
    )


def _process_missing(facts: StartFacts) -> list[Missing]:
    plan = facts.plan
    if plan is None:
        return [Missing("plan", "Choose the food, pack, jar and altitude first.")]
    found = []
    if not plan.source.strip():
        found.append(Missing("source", "The time has no source: say where it is printed."))
    if plan.headspace_mm is None and facts.headspace_mm is None:
        found.append(Missing("headspace", "Enter the headspace of your recipe."))
    if facts.headspace_mm is not None and not HEADSPACE_MM[0] <= facts.headspace_mm <= HEADSPACE_MM[1]:
        text = f"A headspace of {facts.headspace_mm:g} mm is none: enter that of your recipe, in mm."
        found.append(Missing("headspace", text))
    if plan.acid is not None and not facts.acid_confirmed:
        found.append(Missing("acid", f"Confirm that {acid_statement(plan.acid)}."))
    if facts.ph is not None and (problem := ph_problem(facts.ph)):
        found.append(Missing("ph", problem))
    return found


def _place_missing(facts: StartFacts) -> list[Missing]:
    found = []
    if facts.site is None or facts.site.altitude_m is None:
        found.append(Missing("altitude", "Enter the kitchen's altitude and how it was found."))
    elif facts.site.altitude_uncertainty_m is None:
        found.append(Missing("altitude_uncertainty", "Say how sure the altitude is."))
    if facts.pressure_doubt:
        found.append(Missing("pressure", facts.pressure_doubt))
    if facts.site_doubt:
        found.append(Missing("place", facts.site_doubt))
    if not facts.zone:
        found.append(Missing("zone", "Say which time zone the kitchen is in, such as America/Denver."))
    return found


def _probe_missing(facts: StartFacts) -> list[Missing]:
    if facts.probe is None:
        return [Missing("probe", "Register the water probe: its kind, converter and place.")]
    found = []
    if not facts.probe.probe_id.strip() or match(facts.probe.place, PLACES) is None:
        found.append(Missing("probe_details", registration_gaps(facts.probe)[0]))
    if facts.probe_blocked:
        found.append(Missing("probe_blocked", f"{facts.probe_blocked} {AGAIN}"))
    if not facts.calibration_seen:
        never = " It has never been checked." if facts.calibration is None and not facts.probe_said else ""
        text = f"Look at what this probe can prove today, and confirm it.{never}"
        if facts.probe_said and not facts.probe_blocked:
            text = f"{text} {' '.join(facts.probe_said)}"
        found.append(Missing("calibration_seen", text))
    if facts.reading_C is None or facts.reading_age_s is None or facts.reading_age_s > FRESH_S:
        found.append(Missing("reading", "The probe is not heard: check the node, its power and its link."))
    elif not PLAUSIBLE_C[0] <= facts.reading_C <= PLAUSIBLE_C[1]:
        found.append(
            Missing(
                "reading", f"The probe reads {facts.reading_C:.1f} °C, which no kettle has: check its wires."
            )
        )
    return found


def _readiness_missing(facts: StartFacts) -> list[Missing]:
    found = []
    if not facts.canner:
        found.append(Missing("canner", "Say which canner this is."))
    if not facts.node:
        found.append(Missing("node", "Say which node watches this canner."))
    if facts.clock_ok is not True:
        found.append(Missing("clock", "The clock's state is not known: check this computer's date and time."))
    need = needed_bytes(facts.plan)
    if facts.free_bytes is None:
        found.append(Missing("storage", "The free space of the store's disk is not known."))
    elif facts.free_bytes < need:
        found.append(
            Missing(
                "storage", f"Only {facts.free_bytes / 1e6:.0f} MB are free; {need / 1e6:.0f} MB are needed."
            )
        )
    if facts.power_ok is not True:
        found.append(Missing("power", "Confirm mains power, or a battery for three times the planned time."))
    if not facts.sound_heard:
        found.append(Missing("sound", "Sound the alarm and confirm that you heard it where you will be."))
    if not facts.who.strip():
        found.append(Missing("who", "Say who starts this run."))
    return found


def _batch_missing(facts: StartFacts) -> list[Missing]:
    found = []
    if not facts.jars or facts.jars < 1:
        found.append(Missing("jars", "Enter how many jars go in."))
    elif facts.jars > MOST_JARS:
        found.append(Missing("jars", f"{facts.jars} jars do not go into one canner: enter how many go in."))
    elif len(set(facts.jar_numbers)) != facts.jars:
        found.append(Missing("jar_numbers", f"Give each of the {facts.jars} jars a number of its own."))
    if not facts.rims_and_lids_checked:
        found.append(Missing("rims_and_lids", "Check every rim for nicks and every lid for being new."))
    for what, value_C, words in (
        ("coldest_jar", facts.coldest_jar_C, "the coldest filled jar"),
        ("loading_water", facts.loading_water_C, "the canner's water at loading"),
    ):
        if value_C is None:
            found.append(Missing(what, f"Enter the temperature of {words}."))
        elif not PLAUSIBLE_C[0] <= value_C <= PLAUSIBLE_C[1]:
            text = f"{value_C:g} °C cannot be {words}: {PLAUSIBLE_C[0]:g} to {PLAUSIBLE_C[1]:g} °C."
            found.append(Missing(what, f"{text} {fahrenheit_meant(value_C)}".strip()))
    return found


def _loading_notes(facts: StartFacts) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Deviations to keep, and cautions to show, from the temperatures at loading."""
    plan, water_C, jar_C = facts.plan, facts.loading_water_C, facts.coldest_jar_C
    if plan is None or water_C is None or not PLAUSIBLE_C[0] <= water_C <= PLAUSIBLE_C[1]:
        return (), ()
    deviation = loading_deviation(plan.pack, water_C)
    caution = None if jar_C is None else glass_caution(jar_C, water_C)
    return tuple(filter(None, (deviation,))), tuple(filter(None, (caution,)))


def needed_bytes(plan: Plan | None) -> float:
    """Disk space that a run of three times the planned time takes, with room to spare. [bytes]"""
    planned_s = COME_UP_ALLOWED_S + (plan.minutes if plan is not None else 120.0) * 60.0
    return max(LEAST_BYTES, 3.0 * planned_s * BYTES_PER_S)

"""What a page shows of a run that is on. Reads the engine, changes nothing."""

from __future__ import annotations

from monitor.judge import words
from monitor.judge.engine import Engine
from monitor.judge.gap import CEILING_S
from monitor.judge.phase import is_asked_anew, phase_of
from monitor.judge.summary import verdict_of
from monitor.judge.verdict import BOILING, UNKNOWN, LiveView

#: A newest sample that lies further ahead of now than this has a wrong time, or now has: it is no reading of now. [s]
AHEAD_S = 2.0


def view_of(engine: Engine, now_s: float) -> LiveView:
    """What a page shows at ``now_s``."""
    run = engine.header
    verdict = verdict_of(engine)
    phase = phase_of(engine)
    age_s = _age_s(engine, now_s)
    is_heard = engine.state.first_s is not None and engine.is_heard(now_s)
    is_of_now = is_heard and -AHEAD_S <= age_s <= CEILING_S
    stale = phase not in ("ended", "waiting") and not is_of_now
    is_known = not stale and engine.state.ledger.state is not None and not is_asked_anew(engine)
    state = str(engine.state.ledger.state) if is_known else UNKNOWN
    if stale and phase != "complete":
        phase = "unknown"
    held_s = engine.boil.credit.held_s(engine.state.last_s) if state == BOILING else 0.0
    remaining = _remaining_s(engine, phase, held_s)
    rate = engine.come_up.rate_K_per_s()
    eta = (
        engine.come_up.eta_s(engine.state.point.boil_C)
        if engine.state.point.boil_C and phase in ("come_up", "boil_lost")
        else None
    )
    return LiveView(
        at_s=now_s,
        state=state,
        phase=phase,
        sentence=_sentence(engine, phase, stale, age_s, held_s),
        reason=_why_stale(age_s) if stale else _reason(engine, phase),
        water_C=None if engine.water_C is None or stale else round(engine.water_C, 2),
        boiling_point_C=verdict.boiling_point_C,
        boiling_point_from=verdict.boiling_point_from,
        floor_C=verdict.floor_C,
        expanded_uncertainty_K=verdict.expanded_uncertainty_K,
        held_s=round(held_s, 1),
        proven_s=verdict.proven_s,
        required_s=run.required_s,
        remaining_s=None if remaining is None else round(remaining, 1),
        clock_started_s=engine.boil.credit.start_s,
        last_sample_s=None if engine.state.first_s is None else engine.state.last_s,
        eta_s=eta,
        rate_K_per_min=None if rate is None else round(rate[0] * 60.0, 3),
        seen_by_eye=engine.boil.seen_s is not None,
        heating_K_per_min=verdict.heating.per_min if verdict.heating else None,
        cooling_K_per_min=verdict.cooling.per_min if verdict.cooling else None,
        kettle=verdict.kettle,
        is_heard=is_heard and age_s >= -AHEAD_S,
        heater_on=engine.heater.is_on(now_s),
    )


def _age_s(engine: Engine, now_s: float) -> float:
    """How long ago the node was heard; where it never was, how long ago the record begins. [s]"""
    state = engine.state
    if state.first_s is None:
        return 0.0
    return now_s - max(state.heard_s, state.first_s)


def _remaining_s(engine: Engine, phase: str, held_s: float) -> float | None:
    """How much of the time is owed; None where nothing counts or nobody knows. [s]"""
    hold = engine.state.hold
    if phase == "hold" and hold.jars_in_s is not None:
        return max(hold.required_s - held_s, 0.0)
    if phase in ("come_up", "cooling", "boil_lost"):
        return hold.required_s
    return 0.0 if phase == "complete" else None


def _reason(engine: Engine, phase: str) -> str:
    if is_asked_anew(engine):
        return words.ASKED_ANEW
    why = engine.state.ledger.why
    return words.FELL_UNPROVEN if phase == "cooling" and why == words.LOST else why


def _sentence(engine: Engine, phase: str, stale: bool, age_s: float, held_s: float) -> str:
    """The one large sentence that says the state."""
    if stale:
        return f"Not known: {_why_stale(age_s)}."
    if phase == "hold":
        if engine.state.hold.jars_in_s is None:
            return "Full boil, but no mark says that the jars are in: nothing counts yet."
        if held_s < 1.0:
            # A fall that has just begun would not show yet: the first minute of a boil is proven a little later.
            return "Full boil. The time counts; how much of it is proven shows soon."
        return f"Full boil. {words.minutes(held_s)} held."
    if phase == "complete":
        return _complete(engine)
    return {
        "waiting": "Waiting for the first reading.",
        "come_up": "Coming up to the boil. The time has not begun.",
        "cooling": "The water is cooling: it does not boil now. The time has not begun.",
        "boil_lost": "The boil is lost. The whole time begins again when it is back.",
        "unknown": f"Not known whether it boils: {_reason(engine, phase)}.",
        "ended": "This run has ended.",
    }[phase]


def _why_stale(age_s: float) -> str:
    return words.AHEAD_OF_NOW if age_s < -AHEAD_S else words.gap(age_s)


def _complete(engine: Engine) -> str:
    if "jars_lifted" in engine.shown:
        return "The whole time has held. By the record the jars are out: mark when that was."
    if "heat_off" in engine.shown:
        return "The whole time has held. By the record the heat is off: mark when that was."
    return "The whole time has held. Turn off the heat."

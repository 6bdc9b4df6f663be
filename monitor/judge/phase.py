"""In which part of its job a run is: waiting, coming up, in its hold, ended. Reads the engine, changes nothing."""

from __future__ import annotations

from monitor.judge import words
from monitor.judge.comeup import CLEAR_K_PER_S
from monitor.judge.engine import Engine
from monitor.judge.verdict import BOILING, NOT_BOILING, UNKNOWN
from monitor.record.model import ENDS


def is_closed(engine: Engine) -> bool:
    """Whether the run has ended: heat off, jars lifted, or an end recorded."""
    if engine.header.ended_at_s is not None or engine.state.hold.window_end_s is not None:
        return True
    # Without jars_in there is no window to close; the marks themselves end the run.
    return engine.state.hold.jars_in_s is None and any(m.kind in ENDS for m in engine.state.marks)


def phase_of(engine: Engine) -> str:
    """The phase, for advice and pages."""
    if engine.state.first_s is None:
        return "waiting"
    if is_closed(engine):
        return "ended"
    if engine.state.hold.completed_s is not None:
        # Not by the verdict so far: a fall that has just begun may still take that back.
        return "complete"
    if engine.state.ledger.state == BOILING:
        return "hold"
    if engine.state.ledger.state == UNKNOWN and engine.state.ledger.why not in (
        words.DATING_START,
        words.DATING_END,
    ):
        return "unknown"
    if engine.state.hold.lost_raised:
        return "boil_lost"
    if is_asked_anew(engine):
        return "unknown"
    return "cooling" if _cools(engine) else "come_up"


def is_asked_anew(engine: Engine) -> bool:
    """Whether a boil that was told broke off unseen, and the readings since leave it open until they show one."""
    state = engine.state
    return (
        state.hold.boil_told
        and state.ledger.state == NOT_BOILING
        and state.ledger.why == words.COME_UP
        and state.may_boil(state.valid_C)
    )


def _cools(engine: Engine) -> bool:
    """Whether the water goes down although no boil was told, so that none was lost for sure."""
    rate = engine.come_up.rate_K_per_s()
    if rate is None:
        # It has just left a level of which nobody knows whether it boiled.
        return engine.state.ledger.why == words.LOST
    return rate[0] + 2.0 * rate[1] < -CLEAR_K_PER_S

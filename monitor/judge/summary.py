"""From the engine's state to the verdict. Reads the engine, changes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import floor, inf
from typing import NamedTuple

from monitor.judge import words
from monitor.judge.advice import advise
from monitor.judge.because import because
from monitor.judge.budget import (
    ALLOWANCE_SEEN_K,
    ALLOWANCE_UNSEEN_K,
    FLOOR_FROM,
    ONLY_IF_SEEN,
    SEEN_AND_NARROW,
    full_budget,
)
from monitor.judge.daytime import clock
from monitor.judge.engine import Engine
from monitor.judge.ledger import POSSIBLE, PROVEN, credited, longest
from monitor.judge.phase import is_closed, phase_of
from monitor.judge.pressure import PressureBasis
from monitor.judge.salvage import FailedClock, failed_process_clock, lost_boil_clock
from monitor.judge.verdict import (
    BOILING,
    BROKEN,
    HELD,
    UNKNOWN,
    UNPROVEN,
    Budget,
    Event,
    Stretch,
    Verdict,
)
from monitor.record.model import Run


def stretches_of(engine: Engine) -> list[Stretch]:
    """All stretches so far, with what is too recent to be sure of marked unknown."""
    jars_in, end = _window(engine)
    if engine.state.first_s is None:
        if jars_in is None or not jars_in < end < inf:
            return []
        return [Stretch(jars_in, end, UNKNOWN, words.BEFORE_FIRST)]
    last = engine.state.last_s
    if engine.tick_s > last and engine.state.ledger.state == UNKNOWN:
        last = engine.tick_s
    result = engine.state.ledger.stretches(last)
    # A boil that begins with the last sample has no length yet, and what lies before it is no boil.
    if engine.boil.is_on and result and result[-1].state == engine.state.ledger.state == BOILING:
        result = _with_margin(engine, result)
    if jars_in is not None and jars_in < engine.state.first_s:
        result.insert(0, Stretch(jars_in, min(engine.state.first_s, end), UNKNOWN, words.BEFORE_FIRST))
    if last < end < inf:
        why = words.AFTER_LAST if engine.state.hold.window_end_s is not None else words.AFTER_LAST_OPEN
        result.append(Stretch(last, end, UNKNOWN, why))
    return result


def _with_margin(engine: Engine, stretches: list[Stretch]) -> list[Stretch]:
    tail = stretches[-1]
    sure_until = max(engine.state.valid_s - engine.boil.credit.margin_s, tail.start_s)
    if (
        engine.state.hold.completed_s is not None
        and engine.state.hold.completed_start_s >= tail.start_s - 1e-6
    ):
        sure_until = max(sure_until, engine.state.hold.told_until_s)
    if sure_until >= tail.end_s:
        return stretches
    result = stretches[:-1]
    if sure_until > tail.start_s:
        result.append(Stretch(tail.start_s, sure_until, BOILING, tail.why))
    result.append(Stretch(sure_until, tail.end_s, UNKNOWN, words.TOO_SOON))
    return result


def verdict_of(engine: Engine) -> Verdict:
    """The verdict on what the engine has seen so far."""
    run, state = engine.header, engine.state
    stretches, closed, window = stretches_of(engine), is_closed(engine), _window(engine)
    spans = _spans(stretches, window)
    lost = None if window[0] is None else lost_boil_clock(stretches, window[0])
    caps = (*_caps(engine), *_stood_too_long(run, stretches, lost, window[0], spans))
    word = _word(run, spans, closed=closed, caps=caps, counts=window[0] is not None)
    seen = _is_seen(engine.boil.looks_s, spans, run.required_s)
    basis, allowance_K = _judged_by(engine)
    if spans.proven_s > 0.0 and not seen:
        # A later boil that a person saw lends the one that is proven nothing of its floor.
        allowance_K = ALLOWANCE_UNSEEN_K
    budget = full_budget(run, state.point.probe, basis)
    proven = spans.proven
    return Verdict(
        run_id=run.run_id,
        verdict=word,
        required_s=run.required_s,
        proven_s=spans.proven_s,
        possible_s=spans.possible_s,
        boiling_point_C=_rounded(basis.boil_C),
        boiling_point_from=basis.text,
        floor_C=_rounded(None if basis.boil_C is None else basis.boil_C - allowance_K),
        floor_from=FLOOR_FROM,
        expanded_uncertainty_K=None if basis.boil_C is None else round(budget.expanded_K, 2),
        clock_started_s=proven[0] if spans.proven_s > 0.0 else None,
        clock_completed_s=proven[0] + run.required_s if spans.proven_s >= run.required_s else None,
        seen_by_eye=seen,
        stretches=tuple(_rounded_stretches(stretches)),
        events=tuple(_rounded_events(engine)),
        advice=advise(
            run,
            word,
            closed,
            phase_of(engine),
            _salvage_deadline(stretches, *window),
            {mark.kind for mark in state.marks},
            state.caps,
            lost,
            max(state.last_s, engine.tick_s),
            engine.shown,
        ),
        budget=budget,
        reasons=(*caps, *_reasons(engine, word, stretches, spans, budget, seen)),
        counts=dict(engine.counts),
        heating=state.kettle.heating,
        cooling=(cooling := state.kettle.cooling),
        kettle=words.kettle(state.kettle.heating, cooling),
    )


class _Spans(NamedTuple):
    """The longest times that are proven and possible, from and to, and their lengths. [s]"""

    proven: tuple[float, float]
    proven_s: float
    possible: tuple[float, float]
    possible_s: float


def _spans(stretches: list[Stretch], window: tuple[float | None, float]) -> _Spans:
    """Without jars nothing is proven, whatever boiled."""
    start, end = window
    proven = (0.0, 0.0) if start is None else credited(longest(stretches, PROVEN, start, end))
    possible = longest(stretches, POSSIBLE, -inf if start is None else start, end)
    proven_s = round(proven[1] - proven[0], 1)
    possible_s = max(floor((possible[1] - possible[0]) * 10.0 + 1e-6) / 10.0, proven_s)
    return _Spans(proven, proven_s, possible, possible_s)


def _is_seen(looks_s: Sequence[tuple[float, float]], spans: _Spans, required_s: float) -> bool:
    """Whether a person saw the boil that held or, where none did, looked at the longest time that may have been one."""
    if spans.proven_s >= required_s:
        start_s = spans.proven[0]
        return any(from_s <= start_s < until_s for from_s, until_s in looks_s)
    start_s, end_s = spans.possible
    return any(from_s < end_s and until_s > start_s for from_s, until_s in looks_s)


def _word(run: Run, spans: _Spans, *, closed: bool, caps: tuple[str, ...], counts: bool) -> str | None:
    """Held, unproven or broken; None while a run is on and has not held yet."""
    if spans.proven_s >= run.required_s and counts:
        return UNPROVEN if caps else HELD
    if not closed:
        return None
    return BROKEN if spans.possible_s < run.required_s else UNPROVEN


def _judged_by(engine: Engine) -> tuple[PressureBasis, float]:
    """The pressure's share and the allowance [K] that decided: those of the hold where it is over."""
    state, basis = engine.state, engine.hold_basis
    if basis is None:
        has_begun = state.first_s is not None
        basis = state.point.pressure.at(state.last_s) if has_begun else state.point.basis
    return basis, state.allowance_K if engine.hold_allowance_K is None else engine.hold_allowance_K


def _reasons(
    engine: Engine, word: str | None, stretches: list[Stretch], spans: _Spans, budget: Budget, seen: bool
) -> tuple[str, ...]:
    """What decided the verdict, and what explains it."""
    reasons: tuple[str, ...] = ()
    if engine.state.point.basis.disagrees:
        reasons = (*reasons, words.sentence(engine.state.point.basis.disagrees))
    start, end = _window(engine)
    explained = _explanations(engine, word, budget, seen)
    if start is not None:
        measured = (spans.proven_s, spans.possible_s)
        is_end_recorded = engine.state.hold.window_end_s is None and end < inf
        decided = because(
            engine.header, word, stretches, (start, end), measured, is_end_recorded=is_end_recorded
        )
        cause = _set_up(budget, seen)
        if cause in explained and any(each in decided for each in _BY_THE_SET_UP):
            # What decides comes first: its cause, and what helps.
            reasons = (*reasons, cause)
        reasons = (*reasons, *([decided] if decided else []), *_earlier_loads(engine, stretches))
    return tuple(dict.fromkeys((*reasons, *explained)))


#: Why a stretch is unknown where the set-up could not have told a boil, whatever it read.
_BY_THE_SET_UP = (words.between(0.0, seen=True).split(":")[0], words.NO_BOILING_POINT)


def _set_up(budget: Budget, seen: bool) -> str:
    """Why this set-up can prove no boil, and what helps. Where a person looked, that one must look is no reason."""
    if not seen:
        return budget.cannot_prove
    return budget.cannot_prove.replace(ONLY_IF_SEEN, SEEN_AND_NARROW)


def _earlier_loads(engine: Engine, stretches: list[Stretch]) -> list[str]:
    """Of jars that were lifted before those of this verdict went in: nobody is to take this one for theirs."""
    run, last_in_s = engine.header, engine.state.hold.jars_in_s
    said, in_s, off_s = [], None, inf
    for mark in engine.state.marks:
        if mark.kind == "jars_in":
            in_s, off_s = mark.t_s if in_s is None else in_s, inf
        elif mark.kind == "heat_off" and in_s is not None:
            off_s = min(off_s, mark.t_s)
        elif mark.kind == "jars_lifted" and in_s is not None:
            if last_in_s is not None and mark.t_s <= last_in_s:
                start_s, end_s = credited(longest(stretches, PROVEN, in_s, min(off_s, mark.t_s)))
                boiled_s = round(end_s - start_s, 1)
                missing = "" if boiled_s >= run.required_s else " Treat it as not processed."
                said.append(
                    f"A load before this one went in at {clock(run, in_s)} and was lifted at {clock(run, mark.t_s)}, "
                    f"after {words.exact(boiled_s)} of proven boil, of {words.asked(run.required_s)} required. This "
                    f"verdict is not on it.{missing}"
                )
            in_s = None
    return said


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _rounded_stretches(stretches: list[Stretch]) -> list[Stretch]:
    """To a tenth of a second, without those that rounding leaves no length; those beside them meet there."""
    rounded = [(Stretch(round(s.start_s, 1), round(s.end_s, 1), s.state, s.why), s) for s in stretches]
    # What begins with the newest sample has no length yet and is the state now.
    return [s for s, exact in rounded if s.end_s > s.start_s or exact.end_s == exact.start_s]


def _rounded_events(engine: Engine) -> list[Event]:
    return [
        replace(
            event,
            # Rounding makes nothing begin after it was told.
            onset_s=min(round(event.onset_s, 1), round(event.raised_s, 3)),
            raised_s=round(event.raised_s, 3),
            onset_early_s=None if event.onset_early_s is None else round(event.onset_early_s, 1),
            onset_late_s=None if event.onset_late_s is None else round(event.onset_late_s, 1),
        )
        for event in sorted(engine.state.log.events, key=lambda event: event.raised_s)
    ]


def _window(engine: Engine) -> tuple[float | None, float]:
    """The time in which credit runs: from the last jars_in to the heat-off or lift after it."""
    end = engine.state.hold.window_end_s
    if end is None:
        end = inf if engine.header.ended_at_s is None else engine.header.ended_at_s
    return engine.state.hold.jars_in_s, end


def _caps(engine: Engine) -> tuple[str, ...]:
    """Why the verdict can be unproven at most, whatever was measured."""
    if engine.state.hold.jars_in_s is not None:
        return engine.state.caps.reasons
    return (words.NO_JARS, *engine.state.caps.reasons)


def _stood_too_long(
    run: Run, stretches: list[Stretch], lost: FailedClock | None, start_s: float | None, spans: _Spans
) -> tuple[str, ...]:
    """Why a whole hold comes too late for its jars: they stood longer than the 2 h of a failed process before it."""
    if lost is None or start_s is None or spans.proven_s < run.required_s:
        return ()
    if not lost.is_boiled_too_late or spans.proven[0] < lost.deadline_s:
        return ()
    # Jars that had their whole time before, and were heated again later, did not stand without it.
    earlier = longest(stretches, PROVEN, start_s, lost.deadline_s)
    return () if earlier[1] - earlier[0] >= run.required_s else (words.stood(clock(run, lost.start_s)),)


def _explanations(engine: Engine, word: str | None, budget: Budget, seen: bool) -> tuple[str, ...]:
    """Sentences that explain a verdict without capping it."""
    if engine.state.first_s is None:
        # What the probe and the barometer could have shown is no reason.
        return (words.NO_READING,)
    has_reading = engine.state.valid_s >= engine.state.first_s
    reasons = [] if has_reading else [words.NO_READING]
    # A damaged probe caps, and a pressure that cannot be is told by itself.
    is_told = bool(engine.state.probe.damaged or engine.state.point.basis.disagrees)
    cause = "" if word == HELD or is_told else _set_up(budget, seen)
    if cause:
        reasons.append(cause)
    if has_reading and (word != HELD or engine.state.probe.calibrated is False):
        notes = [words.sentence(note) for note in budget.notes]
        reasons += [note for note in notes if note not in cause]
    jars_in_s = engine.state.hold.jars_in_s
    if jars_in_s is not None and engine.state.seen_low and engine.state.low_s < jars_in_s:
        reasons.append(words.before_the_jars(seen))
    if not seen:
        looked = any(mark.kind == "rolling_boil_seen" for mark in engine.state.marks)
        reasons.append(
            f"{words.NOBODY_SAW_THIS if looked else words.NOBODY_SAW}, so temperature alone had to tell a boil from a "
            f"simmer: the floor is {ALLOWANCE_UNSEEN_K} K below boiling instead of {ALLOWANCE_SEEN_K} K."
        )
    if engine.state.caps.not_compared:
        reasons.append(engine.state.caps.not_compared)
    return tuple(reasons)


def _salvage_deadline(stretches: list[Stretch], start: float | None, end: float) -> float | None:
    """When the two hours of a failed process close; None where nobody knows when the jars went in."""
    if start is None:
        return None
    in_window = [replace(s, end_s=min(s.end_s, end)) for s in stretches if s.start_s < end]
    return failed_process_clock(in_window, start).deadline_s

"""From what the engine last said of a run to what the live page shows. Pure: no page, no store, no clock.

Nothing here decides anything about a boil. Phases, sentences and remaining times are the engine's; this
module only puts words, shapes and urgency beside them, and says how old they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

from dashboard import figures, run_model, steady, words
from monitor.jars import NOTHING_LEFT
from monitor.judge.view import AHEAD_S
from monitor.judge.words import BOIL, LOST
from monitor.tables.foods import foods

#: Longest silence before an old figure gives way to "no data", where readings come each second. [s]
PATIENCE_S = 4.5
#: What is allowed beyond the moment at which the next reading was due. [s]
GRACE_S = 3.0

#: A boil that is nearer than this is awaited no longer: what is left is to date its beginning. [s] Chosen.
NEARLY_S = 5.0

#: Names of the tables whose first word keeps its capital.
PROPER = ("Asian",)

#: Slower than this the scatter of still water may move what is read. [K/min] Chosen.
STANDS_K_PER_MIN = 0.15

#: Most urgent first; within a phase, the least time left first.
URGENCY = ("boil_lost", "cooling", "unknown", "complete", "hold", "waiting", "come_up", "ended")


@dataclass(frozen=True, slots=True)
class Board:
    """One canner's board, as the browser is told it. Ages and spans in s.

    Ages and ``patience_s`` are in seconds of the viewer's clock, taken when the board was made; ``rate`` is
    how many seconds of the run pass in one of them: 1 but for a demonstration faster than life.
    ``counts_down``: the remaining time runs by itself. ``said`` is what people last said of it; ``spoken`` the
    sentence for whoever hears it; ``known`` the state that the record last shows, where now is unknown.
    """

    key: str
    run_id: str
    title: str
    batch: str
    phase: str
    word: str
    shape: str
    tone: str
    sentence: str
    reason: str
    remaining_s: float | None
    remaining_label: str
    counts_down: bool
    row_age_s: float
    sample_age_s: float | None
    patience_s: float
    rate: float
    simulated: bool
    said: str = ""
    spoken: str = ""
    known: str = ""

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def board(
    run_id: str,
    canner: str | None,
    view: Mapping[str, Any],
    *,
    row_age_s: float,
    batch: str = "",
    simulated: bool = False,
    spacing_s: float = 1.0,
    rate: float = 1.0,
    said: str = "",
    verdict: Mapping[str, Any] | None = None,
    placed: bool = False,
    held_s: float | None = None,
) -> Board:
    """The board of one run.

    Parameters
    ----------
    view : mapping
        The live view's JSON form.
    row_age_s : float
        How long ago the collector wrote it, on the viewer's clock. [s]
    spacing_s : float
        Usual time between this node's readings, on the run's clock. [s]
    rate : float
        Seconds of the run in one of the viewer's.
    verdict : mapping
        The verdict's JSON form; what a run that has ended came to is its state.
    placed : bool
        Every jar of it has its place, so that the verdict's advice is done.
    held_s : float, optional
        What the large sentence says is held, where that is not to run backwards. [s]
    """
    phase = str(view.get("phase", "unknown"))
    told = str(view.get("sentence") or "")
    sign, sentence, reason = words.phase_sign(phase), steady.sentence(told, held_s), ""
    spoken = steady.spoken(told, held_s)
    if phase == "ended" and verdict and verdict.get("verdict"):
        sign = words.verdict_sign(str(verdict["verdict"]))
        sentence = spoken = run_model.headline(verdict)
        reason = NOTHING_LEFT if placed else _advised(verdict.get("advice") or {})
    remaining_s, label = _remaining(phase, view)
    return Board(
        key=run_id,
        run_id=run_id,
        title=canner or "canner not named",
        batch=batch,
        phase=phase,
        word=sign.word,
        shape=sign.shape,
        tone=sign.tone,
        sentence=sentence,
        reason=reason or _reason(view, sign),
        remaining_s=remaining_s,
        remaining_label=label,
        counts_down=phase == "hold",
        row_age_s=max(0.0, row_age_s),
        sample_age_s=sample_age_s(view, row_age_s, rate),
        patience_s=patience_s(spacing_s / rate),
        rate=rate,
        simulated=simulated,
        said=said,
        spoken=spoken,
        known=_known(verdict or {}),
    )


def _known(verdict: Mapping[str, Any]) -> str:
    """The newest state of the record that is not unknown: ``boiling``; empty where there is none."""
    states = [str(stretch.get("state")) for stretch in verdict.get("stretches") or ()]
    shown = [state for state in states if state in words.STATES and state != "unknown"]
    return words.STATES[shown[-1]].word if shown else ""


def _advised(advice: Mapping[str, Any]) -> str:
    """``Reprocess or refrigerate by 12:16.``"""
    told = words.action_words(str(advice.get("action") or ""))
    until = run_model.until_words(advice)
    return f"{told[:1].upper()}{told[1:]}{f' by {until}' if until else ''}." if told else ""


def _reason(view: Mapping[str, Any], sign: words.Sign) -> str:
    """The engine's reason, unless it only says the state again."""
    reason = str(view.get("reason") or "")
    said_already = {sign.word.casefold(), *words.AS_IT_SHOULD, BOIL, LOST}
    return "" if reason.casefold() in said_already else reason


def _remaining(phase: str, view: Mapping[str, Any]) -> tuple[float | None, str]:
    required = figures.minutes(float(view.get("required_s") or 0.0))
    remaining_s = view.get("remaining_s")
    if phase == "complete":
        return 0.0, f"{required} held without a break"
    if phase in ("ended", "waiting") or remaining_s is None:
        return None, ""
    label = {
        "hold": f"still to hold, of {required}",
        "come_up": "to hold once it boils",
        "cooling": f"to hold once it boils: all {required}",
        "boil_lost": f"to hold from the moment it boils again: all {required}",
    }.get(phase, f"not yet shown to be held, of {required}")
    return float(remaining_s), label


def sample_age_s(view: Mapping[str, Any], row_age_s: float, rate: float = 1.0) -> float | None:
    """Age of the newest reading on the viewer's clock, ``None`` before the first. [s]"""
    last_s = view.get("last_sample_s")
    if last_s is None:
        return None
    apart_s = float(view["at_s"]) - float(last_s)
    # A reading of a time that has not come yet is as strange as one that is so old.
    apart_s = -apart_s if apart_s < -AHEAD_S else max(0.0, apart_s)
    return apart_s / rate + max(0.0, row_age_s)


def nobody_watches(row_ages_s: Sequence[float]) -> bool:
    """Whether the collector has stopped writing of every run that is on: then no alarm can be raised. [s]"""
    return bool(row_ages_s) and min(row_ages_s) > PATIENCE_S


def patience_s(spacing_s: float) -> float:
    """How old a reading may be before its figure is hidden: 3 s beyond the moment the next was due."""
    return max(PATIENCE_S, spacing_s + GRACE_S)


def usual_spacing_s(times_s: Sequence[float]) -> float:
    """Median time between readings; 1 s before there are two. [s]"""
    gaps = sorted(later - sooner for sooner, later in pairwise(times_s))
    return gaps[len(gaps) // 2] if gaps else 1.0


def most_urgent_first(boards: Sequence[Board]) -> list[Board]:
    """Lost boils first, then what is unknown, then what is done, then the least time left; of those that have ended,
    the ones that did not hold."""

    def rank(item: Board) -> tuple[int, float, bool, str]:
        order = URGENCY.index(item.phase) if item.phase in URGENCY else 1
        left_s = item.remaining_s if item.remaining_s is not None else float("inf")
        return order, left_s, item.tone not in ("alarm", "unsure"), item.title

    return sorted(boards, key=rank)


def batch_words(food: str | None, pack: str | None, jar: str | None, jars: int | None) -> str:
    """``7 pint jars of pear halves, hot pack``; what is not known is left out."""
    count = f"{jars} " if jars else ""
    kind = f"{jar.replace('_', '-')} " if jar else ""
    noun = ("jar" if jars == 1 else "jars") if (jars or jar) else ""
    parts = f"{count}{kind}{noun}".strip()
    named = " of ".join(part for part in (parts, _within(food or "") if parts else food or "") if part)
    return f"{named}, {pack} pack" if named and pack else named


def _within(food: str) -> str:
    """A food's name inside a sentence: the tables' names begin with a capital, what people type stays as it is."""
    if food not in {known.name for known in foods().values()} or food.startswith(PROPER):
        return food
    return food[:1].lower() + food[1:]


def facts(
    view: Mapping[str, Any], fahrenheit: bool = False, *, seen_before: bool = False
) -> list[tuple[str, str]]:
    """The figures beside the board: name and value, in the order a cook asks for them.

    ``seen_before``: a person marked a full boil in this run, of this boil or of an earlier one.
    """
    unseen = "not said of this boil: look, and say so again" if seen_before else "nobody has said so yet"
    eye = "seen by eye" if view.get("seen_by_eye") else unseen
    if view.get("phase") == "boil_lost":
        eye = "lost; say so when you see it again"
    rows = [
        ("Water", figures.temperature(view.get("water_C"), fahrenheit)),
        ("Boils here at", _with_source(view, fahrenheit)),
        ("Counts as boiling from", figures.temperature(view.get("floor_C"), fahrenheit)),
        ("Expanded uncertainty", "± " + figures.difference(view.get("expanded_uncertainty_K"), fahrenheit)),
        ("Proven without a break", figures.held(view.get("proven_s"))),
        *([("Full boil", eye)] if view.get("phase") != "ended" else []),
    ]
    if come_up := come_up_words(view, fahrenheit):
        rows.insert(1, ("Come-up" if view.get("phase") == "come_up" else "Change", come_up))
    return rows


def _with_source(view: Mapping[str, Any], fahrenheit: bool) -> str:
    point = figures.temperature(view.get("boiling_point_C"), fahrenheit)
    source = view.get("boiling_point_from")
    return f"{point} ({source})" if source and view.get("boiling_point_C") is not None else point


def come_up_words(view: Mapping[str, Any], fahrenheit: bool = False) -> str:
    """``boil in about 12 min (9 to 16 min), rising 1.8 K/min``; while it cools, how fast; empty otherwise."""
    if view.get("phase") not in ("come_up", "cooling"):
        return ""
    rate = view.get("rate_K_per_min")
    rising = ""
    if rate is not None:
        way = "falling" if rate < 0.0 else "rising"
        moves = abs(rate) >= STANDS_K_PER_MIN
        rising = f"{way} {figures.difference(abs(rate), fahrenheit, 1)}/min" if moves else "hardly changing"
    eta = view.get("eta_s")
    if not eta:
        return rising or ("no estimate yet" if view.get("phase") == "come_up" else "")
    if float(eta[1]) < NEARLY_S:
        # The engine dates the end of the rise some way back, and needs readings after it to do so.
        return "nearly there: when the boil began is being worked out"
    soonest, likely, latest = (figures.about(max(0.0, float(span_s))) for span_s in eta)
    spread = f" ({soonest} to {latest})" if soonest != latest else ""
    return f"boil in about {likely}{spread}" + (f", {rising}" if rising else "")

"""The scenario suite: thousands of labelled runs through the engine, and what it got wrong.

A *false held* is a run called held though the true boil was too short, or though the record may not be called
held at all. Where the only thing that made it too short was a pause too faint for any detector, it is counted
apart, as *faint*. A *missed hold* is a run with a plainly long enough true hold that was not called held. A *wrong
reason* is a run that lacks an event a right verdict brings with it, or one that held and in which the engine saw
a trouble that never was. An *overcredit* is a run credited with
more than 5 s beyond the true boil (the probe's lag).
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from math import inf

from monitor.judge import judge
from monitor.judge.verdict import BROKEN, HELD, Event, Verdict
from monitor.simulate.labelled import Labelled
from monitor.simulate.scenarios import FAMILIES, draw, tell
from monitor.simulate.story import creditable_s

#: What the probe's own lag may add to a stretch. [s] Our goal; a 3 mm sheath lags by 1 to 3 s (a cable maker's table).
LAG_S = 5.0

#: So long before a boil ends on the heat that a ring still holds, its end may show. [s]
FADING_S = 30.0

#: Families whose record, up to the moment somebody is told to stop, is the same whenever they stop.
STOPPABLE = (
    "plain_hold",
    "unmarked_hold",
    "storm_hold",
    "typed_pressure_hold",
    "coarse_hold",
    "noisy_hold",
    "slow_sampling_hold",
    "cycling_hold",
)

#: Troubles that must not be named in a run that held, unless they happened.
TROUBLES = frozenset(
    {
        "clock_stepped",
        "node_restarted",
        "pressure_disagrees",
        "probe_fault",
        "probe_moved",
        "reading_frozen",
        "reads_above_boiling",
    }
)

#: Families in which nothing fails but the boil, and how plain a loss must be to be timed.
KETTLE_ALONE = ("dip", "two_dips", "lid_off_dip", "slow_fall", "cold_water_added", "dip_then_whole_hold")
PLAIN = 20.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run of the suite, judged."""

    family: str
    seed: int
    safe: bool | None
    must_not_hold: str
    beyond: bool
    verdict: str | None
    required_s: float
    true_s: float
    creditable_s: float
    proven_s: float
    possible_s: float
    #: Of the loss that is hardest to see; 0 where no boil was lost between two.
    depth_K: float
    plainness: float
    #: The true hold when losses too faint for any detector are bridged.
    visible_s: float
    guarded: bool
    sensor: str
    seen: bool
    note: str
    missing: tuple[str, ...] = ()
    #: Troubles named that never were.
    imagined: tuple[str, ...] = ()
    #: When losses were cried inside a true boil, and how long true boil was watched. [s]
    alarms_s: tuple[float, ...] = ()
    boil_s: float = 0.0
    #: For each plain loss of an announced boil: its ``boil_lost``, (raised, onset) less the true start; None if
    #: it never came. [s]
    called: tuple[tuple[float, float] | None, ...] = ()
    #: After being told to stop, and stopping: the verdict; "" where that was not tried.
    stopped_verdict: str | None = ""

    @property
    def unsafe(self) -> bool:
        """May not be called held, and a detector can be asked to see why."""
        if self.beyond or self.faint:
            return False
        return self.safe is False or bool(self.must_not_hold)

    @property
    def faint(self) -> bool:
        """Too short a hold, but only for a loss at the limit of what can be seen: reported, not asserted."""
        return self.safe is False and self.visible_s >= self.required_s and not self.must_not_hold

    @property
    def false_held(self) -> bool:
        return self.verdict == HELD and self.unsafe

    @property
    def faint_held(self) -> bool:
        return self.verdict == HELD and self.faint

    @property
    def missed(self) -> bool:
        return self.safe is True and self.verdict != HELD

    @property
    def taken_back(self) -> bool:
        """Told that the hold is complete, stopped, and not held in the end."""
        return self.stopped_verdict not in ("", HELD)

    @property
    def false_broken(self) -> bool:
        """Called broken though the true hold was long enough: worse than unproven, though it errs safely."""
        if self.beyond or self.must_not_hold:
            return False
        return self.verdict == BROKEN and self.creditable_s >= self.required_s

    @property
    def overcredit(self) -> bool:
        return self.proven_s > max(self.true_s, self.visible_s) + LAG_S and not self.beyond

    @property
    def false_alarms(self) -> int:
        return len(self.alarms_s)

    @property
    def wrong_reason(self) -> bool:
        return bool(self.missing or self.imagined)

    @property
    def shortfall_s(self) -> float:
        """What a held run was credited less than it could have been. [s]"""
        return self.creditable_s - self.proven_s


def judge_one(family: str, seed: int, *, stop: bool = False) -> Outcome:
    """Tell a run and judge it; with ``stop`` also as it goes when the cook stops on being told."""
    labelled = tell(family, seed)
    verdict = judge(labelled.run)
    faintest = labelled.faintest
    kinds = {event.kind for event in verdict.events}
    told_s = next((event.raised_s for event in verdict.events if event.kind == "hold_complete"), None)
    return Outcome(
        family=family,
        seed=seed,
        safe=labelled.safe,
        must_not_hold=labelled.must_not_hold,
        beyond=labelled.beyond,
        verdict=verdict.verdict,
        required_s=verdict.required_s,
        true_s=labelled.true_hold_s,
        creditable_s=creditable_s(labelled.truth, labelled.run),
        proven_s=verdict.proven_s,
        possible_s=verdict.possible_s,
        depth_K=faintest.depth_K if faintest else 0.0,
        plainness=faintest.plainness if faintest else 0.0,
        visible_s=labelled.visible_hold_s(_claimed_at_s(verdict, told_s)),
        guarded=labelled.guarded,
        sensor=labelled.sensor,
        seen=labelled.seen,
        note=labelled.note,
        missing=tuple(kind for kind in labelled.wants if kind not in kinds),
        imagined=_imagined(labelled, kinds),
        alarms_s=_false_alarms(labelled, verdict),
        boil_s=sum(stretch.length_s for stretch in labelled.truth.stretches()),
        called=_called(labelled, verdict) if FAMILIES[family].side != "reported" else (),
        stopped_verdict=_stopped(labelled, told_s) if stop and told_s is not None else "",
    )


def _claimed_at_s(verdict: Verdict, told_s: float | None) -> float:
    """Until when the engine had seen the record when it proved what it proved. [s]

    Where that is no more than it promised with ``hold_complete``, nothing later could change it.
    """
    promised = told_s is not None and verdict.proven_s <= verdict.required_s + 1.0
    return told_s if told_s is not None and promised else inf


def _imagined(labelled: Labelled, kinds: set[str]) -> tuple[str, ...]:
    """Troubles named in a run that held and had none of them."""
    if FAMILIES[labelled.family].side != "held":
        return ()
    return tuple(sorted((kinds & TROUBLES) - set(labelled.wants)))


def _lost(verdict: Verdict) -> list[Event]:
    return [event for event in verdict.events if event.kind == "boil_lost"]


def _false_alarms(labelled: Labelled, verdict: Verdict) -> tuple[float, ...]:
    """When ``boil_lost`` was raised in the middle of a true boil, more than a minute after it began. [s]

    In its last seconds the heat is gone and the plumes fade already: a loss called then is called early.
    """
    if FAMILIES[labelled.family].side != "held":
        return ()
    return tuple(
        event.raised_s
        for event in _lost(verdict)
        for stretch in labelled.truth.stretches()
        if stretch.start_s + 60.0 < event.raised_s < stretch.end_s - FADING_S
    )


def _told_boiling(verdict: Verdict, at_s: float) -> bool:
    """Whether the boil had been announced, and not yet taken back, shortly before ``at_s``."""
    told = [
        event.kind
        for event in verdict.events
        if event.kind in ("boil_reached", "boil_back", "boil_lost") and event.raised_s < at_s - 10.0
    ]
    return bool(told) and told[-1] != "boil_lost"


def _called(labelled: Labelled, verdict: Verdict) -> tuple[tuple[float, float] | None, ...]:
    """How late each plain loss of an announced boil was called, in runs where only the kettle failed."""
    if labelled.family not in KETTLE_ALONE:
        return ()
    found: list[tuple[float, float] | None] = []
    for loss in labelled.losses:
        if loss.plainness < PLAIN or not _told_boiling(verdict, loss.start_s):
            continue
        near = [e for e in _lost(verdict) if loss.start_s - 10.0 <= e.raised_s <= loss.end_s + 90.0]
        found.append((near[0].raised_s - loss.start_s, near[0].onset_s - loss.start_s) if near else None)
    return tuple(found)


def _stopped(labelled: Labelled, told_s: float) -> str | None:
    """The verdict when the heat goes off a few seconds after ``hold_complete`` was raised."""
    story = labelled.story
    heat_off_s = labelled.truth.heat_off_s
    if story is None or heat_off_s is None or told_s + 3.0 >= heat_off_s:
        return ""
    story.stop_at(told_s + 2.0 + labelled.seed % 7)
    return judge(story.run(labelled.run.run_id, story.observe())).verdict


def _judge_pair(pair: tuple[str, int]) -> Outcome:
    family, seed = pair
    return judge_one(family, seed, stop=family in STOPPABLE and seed % 2 == 0)


def run_suite(pairs: Sequence[tuple[str, int]], jobs: int = 1) -> list[Outcome]:
    """Judge every (family, seed); the order of the outcomes is that of the pairs."""
    if jobs <= 1:
        return [_judge_pair(pair) for pair in pairs]
    # Runs of one family stand together and families differ in length: small pieces keep all processes busy.
    chunk = max(1, min(20, len(pairs) // (8 * jobs)))
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        return list(pool.map(_judge_pair, pairs, chunksize=chunk))


def suite_pairs(unsafe: int, safe: int, seed: int) -> list[tuple[str, int]]:
    """The runs of the suite's given size."""
    reported = max(35, (unsafe + safe) // 40)
    return [
        *draw("lost", unsafe, seed),
        *draw("held", safe, seed),
        *draw("reported", reported, seed),
    ]

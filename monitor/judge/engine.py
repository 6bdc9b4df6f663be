"""The decision, sample by sample: boiling, not boiling or unknown.

Each moment of a run is in one of three states, and the verdict follows from those and nothing else. The
guarded decision is that of JCGM 106:2012: boiling where T - U ≥ floor, not boiling where T + U < floor,
unknown between; but only on a plateau, which begins where the rise ends (:mod:`monitor.judge.plateau`) and
ends where a fall begins (:mod:`monitor.judge.dip`). Credit runs only while the jars are in.

Samples come in time order (:class:`monitor.judge.session.Session` sees to that), in pieces of any size.
Nothing here reads a clock: samples and ticks bring the time in.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.judge import words
from monitor.judge.budget import (
    ALLOWANCE_SEEN_K,
    ALLOWANCE_UNSEEN_K,
    expanded_K,
    probe_budget,
)
from monitor.judge.comeup import ComeUp
from monitor.judge.dip import Fall, FallDetector
from monitor.judge.gap import CEILING_S, lowest_in_gap_C
from monitor.judge.ledger import Ledger
from monitor.judge.noise import Noise
from monitor.judge.plateau import find_plateau
from monitor.judge.pressure import PressureBasis, PressureTracker
from monitor.judge.sag import THRESHOLD, UNTOLD_THRESHOLD, Sag, SagWatch
from monitor.judge.readings import FALL_K_PER_S, RISE_K_PER_S, JumpFilter, Step, StillWatch
from monitor.judge.trace import Trace
from monitor.judge.verdict import BOILING, NOT_BOILING, UNKNOWN, Event
from monitor.record.model import Mark, Run, Sample

#: From this share of the alarm's threshold on, a fall is doubted: unknown, no alarm yet. By Monte Carlo about
#: once in 100 h of boil.
DOUBT = 0.84
#: Sooner with coarse steps, whose threshold is set wide for their heavy tails.
DOUBT_COARSE = 0.6
#: The judged value is a mean over up to this long. [s]
MEAN_S = 30.0
#: On one plateau the level is pooled over up to this long. [s]
POOL_S = 300.0
#: The record must show a rise through the floor from at least this far below it. [K]
COME_UP_K = 5.0
#: Above the boiling point by more than U and this, no open kettle can be. [K]
TOO_HOT_K = 1.5
#: A node that has said nothing for this long is silent. [s] Slower nodes: 2.5 of their intervals.
SILENT_S = 5.0
#: A mark of the rolling boil this much before the plateau's early start still belongs to it. [s]
MARK_SLACK_S = 15.0
#: A later plateau lower than an earlier one by more than this is steady, but not the boil seen before. [K]
LOWER_PLATEAU_K = 0.12
#: A rise before a plateau that lasted no longer than this cannot be told from scatter. [s]
RISE_SHOWS_S = 15.0
#: A plateau may drift by this on top (cold junction, weather). [K/s] 0.3 K an hour.
DRIFT_K_PER_S = 0.3 / 3600.0
#: Slow departures, beyond the detector's windows: means of a minute that differ by more than this. [K]
SLOW_FALL_K, SLOW_RISE_K = 0.25, 0.12
BLOCK_S = 60.0
#: A quick drop bigger than added cold water makes is the probe's. [K]
PROBE_OUT_K = 15.0
#: Back within this of where it fell from, it is back. [K]
BACK_K = 0.5
#: So long without a jump, a fallen reading is the water's again; one that fell far, after this long. [s]
CALM_S, EXCURSION_S = 60.0, 600.0
#: Two water probes further apart than this are flagged. [K]
SECOND_PROBE_K = 0.5
OVERRUN_S = 300.0
#: Start and end of a hold are rounded to the tenth against the canner: that much more must be there. [s]
ROUNDING_S = 0.2
WATER_CHECK_S = 900.0
#: A rhythm slower than this hides dips that matter: each interval is then a gap to be bridged. [s]
SPARSE_S = 3.5


@dataclass(slots=True)
class Excursion:
    """A fall too fast for cooling: since when and from where; whether it is the probe's for sure."""

    since_s: float
    was_C: float
    jumped_s: float
    out: bool
    recent_s: float = 0.0
    recent_C: float = 1e9


class Engine:
    """Judges one run. ``header`` is the run without its samples (any it has are not looked at)."""

    def __init__(self, header: Run) -> None:
        self.header = header
        self.required_s = header.required_s
        self.probe = probe_budget(header)
        self.pressure = PressureTracker(header)
        self.ledger = Ledger()
        self.events: list[Event] = []
        self.counts = {"samples": 0, "faults": 0, "jumps": 0, "conflicts": 0, "late": 0, "gaps": 0}
        self.noise = Noise(self.probe.step_K)
        self.trace = Trace()
        self.jumps = JumpFilter(self.noise)
        self.still = StillWatch()
        self.come_up = ComeUp()
        self.detector: FallDetector | None = None
        self.sags: SagWatch | None = None

        self.first_s: float | None = None
        self.last_s = -1e18  # newest sample of any kind
        self.valid_s = -1e18  # newest sample with a believable reading
        self.valid_C = 0.0
        self.reading_s = -1e18  # newest reading of any value, believed or not
        self.heard_s = -1e18  # newest sign of life (not a late one)
        self.spacing_s = 1.0
        self._intervals = 0
        self._gaps_alike = 0
        self._last_gap_s = 0.0
        self.water_C: float | None = None
        self.boil_C: float | None = None
        self.floor_C: float | None = None
        self.expanded_K: float | None = None
        self.basis: PressureBasis = self.pressure.at(0.0)
        self._basis_s = -1e18
        #: What the hold was judged by, kept when the heat goes off: the verdict is on the hold.
        self.hold_basis: PressureBasis | None = None
        self._near_C = 1e9

        self.seen_low = False
        self.on_plateau = False
        self.plateau_early_s = 0.0
        self.plateau_s = 0.0
        self.seen_s: float | None = None  # rolling boil seen, in this plateau
        self.seen_any = False
        self._early_marks_s: list[float] = []
        self._carried_s: float | None = None  # seen on a plateau that rose a little further
        self.blocked = False
        self._best_level_K: float | None = None  # plateau level above the boiling point, highest so far
        self._best_level_s = 0.0
        self._first_block: tuple[float, float] | None = None
        self._top_block: tuple[float, float] | None = None
        self._block_until_s = 0.0
        self._excursion: Excursion | None = None  # a fall too fast for cooling, not yet explained
        self._fault = ""
        self._silent = False
        self.lost_raised = False
        self._boil_told = False  # boil_reached or boil_back was said, boil_lost not since
        self._doubt = False
        self.tick_s = -1e18
        self.best_allowance_K = ALLOWANCE_UNSEEN_K
        self._boot: int | None = None
        self._seq: int | None = None
        self._uptime_s: float | None = None
        self._heater_top_W = 0.0
        self._heater_on: bool | None = None
        self._heater_said_s = -1e18
        self._said: set[str] = set()

        self.marks = sorted(header.marks, key=lambda mark: mark.t_s)
        self.next_mark = 0
        self.jars_in_s: float | None = None
        self.window_end_s: float | None = None
        self.heat_off_s: float | None = None
        self.completed_s: float | None = None  # hold_complete was said, with a stretch from completed_start
        self.completed_start_s = 0.0
        self._water_due_s = WATER_CHECK_S

    # --- what comes in ------------------------------------------------------------------------------------

    def add_mark(self, mark: Mark) -> None:
        """A mark at or after the newest sample. (An older one needs the run judged anew.)"""
        self.marks.append(mark)
        self.marks.sort(key=lambda each: each.t_s)

    def push(self, sample: Sample, conflict: bool = False) -> None:
        """Take in the next sample, in time order. ``conflict``: its number came with two values."""
        t = sample.t_s
        if t - self.heard_s > SILENT_S and self._has_been_silent(sample):
            silent_s = self.heard_s + self.silent_after_s
            self._marks_up_to(silent_s)
            self._silence(silent_s)
        if self.next_mark < len(self.marks) and self.marks[self.next_mark].t_s <= t:
            self._marks_up_to(t)
        if self.first_s is None:
            self.first_s = t
            self.ledger.set_from(t, NOT_BOILING, words.COME_UP)
        self.counts["samples"] += 1
        if sample.late:
            self.counts["late"] += 1
        else:
            self.heard_s = t
            self._silent = False
        broken_off = self._continuity(sample)
        if not conflict:
            # Of two values for one sample nobody can say which is right: none of it is used.
            if sample.pressure_kPa is not None:
                self.pressure.hear(t, sample.pressure_kPa)
            if sample.heater_W is not None or sample.mains is not None:
                self._heater(sample)
        self.last_s = t
        raw = sample.water_C
        if sample.water_fault or raw is None or conflict:
            self._no_reading(sample, conflict)
            return
        y = raw + self.probe.offset_K
        if sample.water_2_C is not None:
            y = self._second_probe(t, y, sample.water_2_C + self.probe.offset_K)
        self.water_C = y
        if t - self._basis_s >= 30.0:
            self._refresh_basis(t)
        interval = t - self.reading_s
        self.reading_s = t
        if (interval > SPARSE_S and interval > 2.2 * self.spacing_s) or broken_off:
            self._gap(t, y, interval, broken_off)
        elif interval > 0.0:
            self._learn_spacing(interval)
        self._fault = ""
        if y < self._near_C and not self.on_plateau and self._excursion is None:
            self._far(t, y)
        else:
            self._near(sample, t, y, raw)

    def _has_been_silent(self, sample: Sample) -> bool:
        return (
            not sample.late and self.first_s is not None and sample.t_s - self.heard_s > self.silent_after_s
        )

    def finish(self) -> None:
        """The record ends here: what a live engine would still say in the seconds after it."""
        silent_s = self.heard_s + self.silent_after_s
        ends_s = self.header.ended_at_s
        self._marks_up_to(silent_s)
        if self.window_end_s is None and self.first_s is not None and (ends_s is None or ends_s > silent_s):
            self.tick(silent_s)
        self._marks_up_to(float("inf"))

    def tick(self, now_s: float) -> None:
        """Time has passed without a sample."""
        self.tick_s = max(self.tick_s, now_s)
        if self.next_mark < len(self.marks) and self.marks[self.next_mark].t_s <= now_s:
            self._marks_up_to(now_s)
        if self.first_s is not None and not self._silent and now_s - self.heard_s >= self.silent_after_s:
            self._silence(self.heard_s + self.silent_after_s)
        if self.first_s is not None and now_s - self.valid_s > CEILING_S and self.window_end_s is None:
            self._unknown_since_valid(words.gap(now_s - self.valid_s))
        if self.completed_s is not None and self.heat_off_s is None:
            self._overrun(now_s)

    @property
    def silent_after_s(self) -> float:
        """How long after the last sample a node counts as silent. [s]"""
        return max(SILENT_S, 2.5 * min(self.spacing_s, 12.0))

    # --- the readings -------------------------------------------------------------------------------------

    def _learn_spacing(self, interval: float) -> None:
        self._gaps_alike = 0
        if self._intervals < 20:
            self._intervals += 1
            self.spacing_s += (interval - self.spacing_s) / self._intervals
        else:
            self.spacing_s += 0.02 * (interval - self.spacing_s)

    def _refresh_basis(self, t: float) -> None:
        self._basis_s = t
        self.basis = basis = self.pressure.at(t)
        self.boil_C = basis.boil_C
        if basis.boil_C is None:
            self.floor_C = self.expanded_K = None
            self._near_C = -1e9
        else:
            self.expanded_K = expanded_K(self.probe, basis)
            self.floor_C = basis.boil_C - self.allowance_K
            self._near_C = basis.boil_C - ALLOWANCE_SEEN_K - max(self.expanded_K, 0.5) - 5.0
        if basis.disagrees:
            self._say_once("pressure_disagrees", t, basis.disagrees[0].upper() + basis.disagrees[1:] + ".")

    @property
    def allowance_K(self) -> float:
        """How far below the boiling point still counts: more where a person saw the rolling boil. [K]"""
        return ALLOWANCE_SEEN_K if self.seen_s is not None else ALLOWANCE_UNSEEN_K

    def _far(self, t: float, y: float) -> None:
        """Far below the floor: nothing can be boiling, little needs doing."""
        if self.trace.t:
            self.trace.clear()
        self.blocked = False
        self.jumps.restart(t, y)
        self.valid_s, self.valid_C = t, y
        if not self.seen_low and self.floor_C is not None and y <= self.floor_C - COME_UP_K:
            self.seen_low = True
        if self.basis.disagrees:
            self._set(t, UNKNOWN, words.PRESSURE)
        elif self.ledger.state != NOT_BOILING:
            self._set(t, NOT_BOILING, words.COME_UP if not self.lost_raised else words.LOST)
        if self.heat_off_s is None and self.come_up.take(t, y):
            self._event("come_up_stalled", t, t, words.STALLED)

    def _near(self, sample: Sample, t: float, y: float, raw: float) -> None:
        """Near the boil: every check there is."""
        if not self.seen_low and self.floor_C is not None and y <= self.floor_C - COME_UP_K:
            self.seen_low = True
        if self.valid_s < -1e17:
            self.jumps.restart(t, y)
        step = self.jumps.take(t, y)
        if step is Step.PENDING:
            return
        if step is not Step.ACCEPTED:
            self._jumped(step, t, y)
        before_C = self.valid_C
        self.valid_s, self.valid_C = t, y
        dropped = self.trace.append(t, self._tamed(y) if self.on_plateau else y)
        if dropped and self.detector is not None:
            self.detector.start = max(self.detector.start - dropped, 0)
        if dropped and self.sags is not None:
            self.sags.start = max(self.sags.start - dropped, 0)
        if self.detector is not None:
            if self.noise.learn_boil(self.trace, self.detector.start):
                self.detector.refit()
        elif self.heat_off_s is None:
            self.noise.learn_rise(self.trace, self.spacing_s)
        still = self.still.take(t, raw, sample.chip_C, self.noise, self.on_plateau)
        if still:
            self._stands_still(t)
            return
        if self._excursion is not None:
            self._in_excursion(t, y)
            if self._excursion is not None:
                return
        if self.on_plateau:
            self._on_plateau(t)
        else:
            stalled = self.heat_off_s is None and self.come_up.take(t, y)
            # Where the boiling point is not known the water may well be boiling.
            if stalled and self.boil_C is not None and not self.basis.disagrees:
                self._event("come_up_stalled", t, t, words.STALLED)
            self._off_plateau(t, y, before_C)

    def _tamed(self, y: float) -> float:
        """A reading on the plateau, kept within what scatter and water can do in one step.

        A single odd reading may not weigh like a fall; a real fall arrives in many small steps.
        """
        trace = self.trace
        n = len(trace)
        if n < 8 or not self.noise.is_learned:
            return y
        around = trace.mean(n - 5, n)
        reach = max(4.5 * self.noise.sd_K, 1.1 * self.noise.step_K) + 0.03
        return min(max(y, around - reach), around + reach)

    def _jumped(self, step: Step, t: float, y: float) -> None:
        """After a reading that water cannot have followed."""
        self.counts["jumps"] += 1
        if step is Step.SPIKE:
            return
        since = self.valid_s
        if self._excursion is not None:
            self._excursion.jumped_s = t
            if step is Step.ROSE and y > self._excursion.was_C - BACK_K:
                self._back_in(t)
        elif step is Step.FELL:
            self._fell(self._dated_before(since), self.valid_C, y, t)
        elif step is Step.ROSE:
            self._break_off(since, UNKNOWN, words.IMPOSSIBLE_RISE)
        else:
            self._break_off(since, UNKNOWN, words.ERRATIC)
            self._say_at_most("probe_fault", t, words.ERRATIC_TEXT, 60.0, since)
        if step is not Step.ERRATIC:
            self.trace.clear()

    def _dated_before(self, since: float) -> float:
        """When a sudden fall may have begun at the earliest: the probe lags, and it may have begun gently."""
        if self.detector is None or len(self.trace) - self.detector.start < 30:
            return since
        early = since - 2.0 * self.probe.response_s
        if self.detector.look() < -0.5:
            early = min(early, self.detector.locate().early_s)
        return max(early, self.plateau_early_s, self.told_until_s)

    def _fell(self, since: float, was_C: float, y: float, t: float) -> None:
        """A fall faster than cooling: cold water was added, or the probe has left the water."""
        added = any(
            m.kind in ("water_added", "jars_in") and -60.0 <= m.t_s - since <= 120.0 for m in self.marks
        )
        out = was_C - y > PROBE_OUT_K and not added
        self._excursion = Excursion(since, was_C, t, out)
        if out:
            self._break_off(since, UNKNOWN, words.PROBE_OUT)
            self._probe_moved(since, t)
        else:
            self._break_off(since, NOT_BOILING, words.COLD_WATER)
            if self._boil_told:
                self._lost(since, since, since, t, words.COLD_WATER_TEXT)

    def _in_excursion(self, t: float, y: float) -> None:
        """Was it the water or the probe? It shows in how the reading comes back."""
        excursion = self._excursion
        assert excursion is not None
        if not excursion.out and excursion.was_C - y > PROBE_OUT_K + 5.0:
            excursion.out = True
            self.ledger.relabel(excursion.since_s, t, NOT_BOILING, UNKNOWN, words.PROBE_OUT)
            self._set(t, UNKNOWN, words.PROBE_OUT)
            self._probe_moved(excursion.since_s, t)
        rise = y - excursion.recent_C
        if t - excursion.recent_s >= 15.0:
            if rise > 2.0 * RISE_K_PER_S * (t - excursion.recent_s):
                self._back_in(t)
                return
            excursion.recent_s, excursion.recent_C = t, y
        calm_s = t - excursion.jumped_s
        if y > excursion.was_C - BACK_K or calm_s > (EXCURSION_S if excursion.out else CALM_S):
            # It came back, or goes on, as water does.
            self._excursion = None

    def _back_in(self, t: float) -> None:
        """Back up faster than any stove heats: the water was never seen in between."""
        excursion = self._excursion
        assert excursion is not None
        self._excursion = None
        self.ledger.relabel(excursion.since_s, t, NOT_BOILING, UNKNOWN, words.PROBE_OUT)
        self._set(t, UNKNOWN, words.PROBE_OUT)
        self.trace.clear()
        if not excursion.out:
            self._probe_moved(excursion.since_s, t)

    def _probe_moved(self, since: float, t: float) -> None:
        self._event("probe_moved", since, t, words.PROBE_OUT_TEXT)

    def _second_probe(self, t: float, y: float, second: float) -> float:
        """The lower of two water probes decides."""
        if abs(y - second) > SECOND_PROBE_K and self.on_plateau:
            self._say_at_most("probe_fault", t, words.two_probes(y, second), 600.0)
        return min(y, second)

    def _stands_still(self, t: float) -> None:
        since = self.still.since_s
        if self.ledger.state != UNKNOWN or self.ledger.why != words.FROZEN:
            self._break_off(since, UNKNOWN, words.FROZEN)
            self._say_at_most(
                "reading_frozen", t, words.frozen(self.still.value, t - self.still.since_s), 600.0, since
            )
        self.trace.clear()

    def _no_reading(self, sample: Sample, conflict: bool) -> None:
        t = sample.t_s
        if conflict:
            self.counts["conflicts"] += 1
            self._break_off(self.valid_s if self.valid_s > -1e17 else t, UNKNOWN, words.CONFLICT)
            self.trace.clear()
            return
        self.counts["faults"] += 1
        if sample.water_fault and sample.water_fault != self._fault:
            self._fault = sample.water_fault
            self._event("probe_fault", t, t, words.probe_fault(sample.water_fault))
        if t - self.valid_s > CEILING_S:
            self._unknown_since_valid(words.fault_gap(self._fault))

    # --- continuity ---------------------------------------------------------------------------------------

    def _continuity(self, sample: Sample) -> str:
        """Node restarts and clock steps. Returns why the sample does not simply follow the last, or ""."""
        boot, seq, uptime = sample.boot, sample.seq, sample.uptime_s
        if uptime is None and boot == self._boot and self._seq is not None and seq == self._seq + 1:
            # The next number of the same start: by far the most common, and it follows.
            self._seq = seq
            return ""
        t = sample.t_s
        reason = ""
        if boot is not None and self._boot is not None and boot != self._boot:
            self._event("node_restarted", self.last_s, t, words.RESTARTED)
            reason = words.RESTART_GAP
            self._uptime_s = None
        elif self._stepped(t, boot, seq, uptime):
            self._say_at_most("clock_stepped", t, words.CLOCK_STEPPED, 10.0)
            reason = words.CLOCK_GAP
        if boot is not None:
            self._boot = boot
        if seq is not None:
            self._seq = seq
        if uptime is not None:
            self._uptime_s = uptime
        return reason

    def _stepped(self, t: float, boot: int | None, seq: int | None, uptime: float | None) -> bool:
        if self.last_s < -1e17:
            return False
        passed = t - self.last_s
        if uptime is not None and self._uptime_s is not None:
            return abs((uptime - self._uptime_s) - passed) > 2.0
        if seq is not None and self._seq is not None and self._intervals >= 20:
            if seq <= self._seq:
                return True
            # More numbers than time can hold: time was lost, and what happened in it is not known.
            return (seq - self._seq) * self.spacing_s > 1.5 * passed + 2.0 * self.spacing_s + 2.0
        return False

    def _gap(self, t: float, y: float, interval: float, broken_off: str) -> None:
        """Nothing believable between ``valid_s`` and ``t``: bridge it or call it unknown."""
        if self.valid_s < -1e17:
            return
        if abs(interval - self._last_gap_s) < 0.2 * interval:
            self._gaps_alike += 1
            if self._gaps_alike >= 5:
                # Not gaps at all: the node has gone over to a slower rhythm.
                self.spacing_s, self._gaps_alike = interval, 0
        self._last_gap_s = interval
        self.counts["gaps"] += 1
        why = broken_off or (words.fault_gap(self._fault) if self._fault else words.gap(interval))
        if interval <= CEILING_S and broken_off != words.CLOCK_GAP:
            if not self.on_plateau:
                if broken_off or not self._bridged_unfound(y, interval):
                    self._lose_track(why)
                return
            if self._bridged(y, interval):
                return
        if not self.on_plateau:
            self._lose_track(why)
        self._break_off(self.valid_s, UNKNOWN, why)
        self.trace.clear()
        self.jumps.restart(t, y)
        self._excursion = None
        if y < self._near_C:
            self._set(t, NOT_BOILING, words.LOST if self.lost_raised else words.COME_UP)

    def _bridged(self, y: float, interval: float) -> bool:
        """Whether even the deepest dip that this gap could hide stays above the guarded floor."""
        if self.floor_C is None or self.expanded_K is None or self.ledger.state != BOILING:
            return False
        before = self._judged_C()
        # The judged value stands for the readings on both sides, unless the new one lies lower.
        after = min(y + 2.0 * self.noise.sd_K, before)
        return lowest_in_gap_C(before, after, interval) - self.expanded_K >= self.floor_C

    def _bridged_unfound(self, y: float, interval: float) -> bool:
        """The same before a plateau is found: it may turn out to have begun before the gap."""
        n = len(self.trace)
        if n == 0 or self.boil_C is None or self.expanded_K is None:
            return False
        before = self.trace.mean(max(n - 5, 0), n)
        if before + self.expanded_K < self.boil_C - ALLOWANCE_SEEN_K:
            # No boil yet: there is nothing to bridge.
            return True
        allowance_K = ALLOWANCE_SEEN_K if self._early_marks_s else ALLOWANCE_UNSEEN_K
        lowest_C = lowest_in_gap_C(before, min(y + 2.0 * self.noise.sd_K, before), interval)
        return lowest_C - self.expanded_K >= self.boil_C - allowance_K

    def _lose_track(self, why: str) -> None:
        """Nothing after may lean on the readings so far; what may have been a boil among them is unknown."""
        trace = self.trace
        coming_up = not self.lost_raised and self.ledger.why == words.COME_UP
        if coming_up and self.boil_C is not None and self.expanded_K is not None:
            least_C = self.boil_C - ALLOWANCE_SEEN_K - self.expanded_K
            n = len(trace)
            first = next((i + 1 for i in range(n - 1, -1, -1) if trace.y[i] < least_C), 0)
            if first < n:
                self._set(trace.t[first], UNKNOWN, why)
        trace.clear()

    def _unknown_since_valid(self, why: str) -> None:
        if self.on_plateau or self.ledger.state == BOILING:
            self._break_off(self.valid_s, UNKNOWN, why)
            self.trace.clear()
        elif self.ledger.state is not None and self.ledger.state != UNKNOWN:
            self._set(max(self.valid_s, self.first_s or 0.0), UNKNOWN, why)

    def _silence(self, raised_s: float) -> None:
        if self._silent or self.window_end_s is not None or self.heat_off_s is not None:
            # After the heat is off a node may slow down or be put away: nothing depends on it any more.
            return
        self._silent = True
        self._event("node_silent", self.heard_s, raised_s, words.silent(raised_s - self.heard_s))

    # --- off the plateau ----------------------------------------------------------------------------------

    def _off_plateau(self, t: float, y: float, before_C: float) -> None:
        if self.boil_C is None or self.floor_C is None or self.expanded_K is None:
            self._set(t, UNKNOWN, words.NO_BOILING_POINT)
            return
        if self.basis.disagrees:
            self._set(t, UNKNOWN, words.PRESSURE)
            return
        if self.blocked:
            # A person saw no full boil: only the eye, or a real fall and return, can begin a new stretch.
            if self._best_level_K is not None and y < self.boil_C + self._best_level_K - 0.7:
                self.blocked = False
            return
        if self.ledger.state == UNKNOWN:
            self._set(t, NOT_BOILING, words.COME_UP if not self.lost_raised else words.LOST)
        plateau = find_plateau(self.trace, self.noise, self.spacing_s)
        if plateau is None:
            return
        self.on_plateau = True
        self.noise.learn_past(self.trace, plateau.index)
        self.plateau_early_s, self.plateau_s = self._early_start(plateau.early_s), plateau.late_s
        self.detector = FallDetector(self.trace, self.noise, plateau.index)
        self.sags = SagWatch(self.trace, self.noise, plateau.index)
        self._first_block = self._top_block = None
        self._block_until_s = plateau.late_s + BLOCK_S
        within = (mark for mark in self._early_marks_s if mark >= plateau.early_s - MARK_SLACK_S)
        self.seen_s = next(within, self._carried_s)
        self._set(self.plateau_early_s, UNKNOWN, words.DATING_START)
        self._judge_plateau(plateau.late_s if self.seen_s is None else max(plateau.late_s, self.seen_s), t)

    def _early_start(self, early_s: float) -> float:
        """After an interruption the first readings may be the plateau's too: unknown, not "not boiling"."""
        first_s = self.trace.t[0]
        state, why = self.ledger.just_before(first_s)
        interrupted = state == UNKNOWN and why != words.DATING_END
        return first_s if interrupted and early_s - first_s <= RISE_SHOWS_S else early_s

    # --- on the plateau -----------------------------------------------------------------------------------

    def _judged_C(self) -> float:
        """The short mean that is judged. [°C]"""
        trace = self.trace
        n = len(trace)
        first = max(trace.index_at(max(trace.t[-1] - MEAN_S, self.plateau_s)), 0) if n else 0
        return trace.mean(min(first, n - 1), n) if n else self.valid_C

    def _pooled_C(self) -> float:
        """The mean over the plateau's last minutes. [°C]

        While no departure is seen the plateau has one level, so a longer mean tells it better than one of
        30 s; without it a level near the guarded floor would flicker with the agitation.
        """
        trace = self.trace
        n = len(trace)
        first = trace.index_at(max(trace.t[-1] - POOL_S, self.plateau_s)) if n else 0
        return trace.mean(min(first, n - 1), n) if n else self.valid_C

    def _on_plateau(self, t: float) -> None:
        assert self.detector is not None
        look = self.detector.look()
        if look <= -1.0:
            self._departed(self.detector.locate(), t)
            return
        if look >= 1.0:
            self._still_rising(t)
            return
        doubt = DOUBT_COARSE if self.noise.step_K > self.noise.sd_K else DOUBT
        if look <= -doubt:
            self._doubted(t)
            return
        if self._doubt:
            if look < -0.5 * doubt:
                return
            self._doubt = False
            if self._boil_told:
                self._event("verdict_revised", t, t, words.DOUBT_TEXT)
        if t >= self._block_until_s and self._slow_departure(t):
            return
        assert self.sags is not None
        sag = self.sags.look()
        if sag is not None:
            self._sagged(sag, t)
        self._judge_plateau(t, t)
        if self.heat_off_s is None:
            self._credit(t)

    def _sagged(self, sag: Sag, t: float) -> None:
        """The water may have stopped boiling for a while: that while is not counted."""
        assert self.sags is not None
        early = max(sag.early_s - self.probe.response_s, self.plateau_early_s, self.told_until_s)
        self.sags.start = self.trace.index_at(sag.late_s) + 1
        if sag.late_s <= early:
            return
        self.ledger.relabel(early, sag.late_s, BOILING, UNKNOWN, words.SAGGED)
        if self._boil_told and self.heat_off_s is None:
            self._event("verdict_revised", early, t, words.SAGGED_TEXT)

    def _doubted(self, t: float) -> None:
        """Perhaps a fall: too little for an alarm, too much to count on."""
        if self._doubt:
            return
        self._doubt = True
        if self.ledger.state == BOILING:
            assert self.detector is not None
            early = self.detector.locate().early_s - self.probe.response_s
            self._set(max(early, self.plateau_early_s, self.told_until_s), UNKNOWN, words.DOUBT)

    def _judge_plateau(self, from_s: float, t: float) -> None:
        """The guarded decision on the judged value; a change of state holds from ``from_s``."""
        state, why = self._guarded()
        if state == self.ledger.state and why == self.ledger.why:
            return
        if self.ledger.state == BOILING and state != BOILING:
            # The mean that failed reaches back over its own length.
            from_s = max(t - MEAN_S, self.plateau_s, self.told_until_s)
            if why == words.TOO_HOT:
                self._say_at_most("reads_above_boiling", t, self._too_hot_text(), 600.0)
        elif why == words.TOO_HOT:
            self._say_at_most("reads_above_boiling", t, self._too_hot_text(), 600.0)
        self._set(from_s, state, why)
        if state == BOILING:
            self._reached(from_s, t)
        elif state == NOT_BOILING and self._boil_told and self.heat_off_s is None:
            self._lost(from_s, from_s, t, t, words.COOLED)

    def _too_hot_text(self) -> str:
        assert self.boil_C is not None
        return words.too_hot(self._judged_C(), self.boil_C)

    def _guarded(self) -> tuple[str, str]:
        if self.boil_C is None or self.expanded_K is None:
            return UNKNOWN, words.NO_BOILING_POINT
        if self.basis.disagrees:
            return UNKNOWN, words.PRESSURE
        short, wide = self._judged_C(), self.expanded_K
        judged = self._pooled_C()
        scatter = 2.0 * self.noise.mean_variance(30) ** 0.5
        self.best_allowance_K = self.allowance_K
        self.floor_C = floor = self.boil_C - self.allowance_K
        if short > self.boil_C + wide + TOO_HOT_K:
            return UNKNOWN, words.TOO_HOT
        if short + wide < floor:
            return NOT_BOILING, words.SIMMER
        if judged - wide < floor or short - wide < floor - scatter:
            return UNKNOWN, words.between(wide)
        rhythm_s = self.spacing_s
        if rhythm_s > SPARSE_S and lowest_in_gap_C(judged, judged, rhythm_s) - wide < floor:
            return UNKNOWN, words.sparse(rhythm_s)
        if not self.seen_low:
            return UNKNOWN, words.NO_COME_UP
        if self._lower_than_before(judged):
            return UNKNOWN, words.LOWER_PLATEAU
        return BOILING, words.BOIL

    def _lower_than_before(self, judged: float) -> bool:
        if self._best_level_K is None or self.seen_s is not None or self.boil_C is None:
            return False
        allowed = LOWER_PLATEAU_K + DRIFT_K_PER_S * (self.valid_s - self._best_level_s)
        allowed += 2.0 * self.noise.mean_variance(30) ** 0.5
        return bool(judged - self.boil_C < self._best_level_K - allowed)

    def _slow_departure(self, t: float) -> bool:
        """Once a minute: has the plateau crept away, too slowly for the detector?"""
        self._block_until_s = t + BLOCK_S
        trace = self.trace
        i = trace.index_at(t - BLOCK_S)
        n = len(trace)
        if n - i < 8:
            return False
        block = trace.mean(i, n)
        error = 3.0 * (2.0 * self.noise.mean_variance(n - i)) ** 0.5
        if self.noise.is_quiet:
            error = max(error, self.noise.step_K)
        if self._first_block is None or self._top_block is None:
            self._first_block = self._top_block = (t, block)
            return False
        drift = DRIFT_K_PER_S * (t - self._first_block[0])
        if block > self._first_block[1] + SLOW_RISE_K + error + drift:
            self._still_rising(t)
            return True
        drift = DRIFT_K_PER_S * (t - self._top_block[0])
        if block < self._top_block[1] - SLOW_FALL_K - error - drift:
            since = self._top_block[0]
            self._departed(Fall(0.5 * (since + t), since, t, 0.0), t)
            return True
        if block > self._top_block[1]:
            self._top_block = (t, block)
        if self.boil_C is not None and self.ledger.state == BOILING:
            level = block - self.boil_C
            if self._best_level_K is None or level > self._best_level_K:
                self._best_level_K, self._best_level_s = level, t
        return False

    def _still_rising(self, t: float) -> None:
        """The plateau was none: the water was still on its way up."""
        self.ledger.relabel(
            max(self.plateau_early_s, self.told_until_s), t, BOILING, UNKNOWN, words.WAS_RISING
        )
        seen_s = self.seen_s
        self._leave(t, NOT_BOILING, words.COME_UP)
        # The boil was not lost: what a person saw of it stands for the plateau it rises to.
        self._carried_s = seen_s
        self._keep_since(self.trace.t[max(len(self.trace) - 120, 0)])

    def _departed(self, fall: Fall, t: float) -> None:
        """A fall away from the plateau: what was boiling ends at its onset, dated early."""
        if fall.slope_K_per_s > 2.0 * FALL_K_PER_S:
            was_C = self._pooled_C()
            self._fell(fall.early_s, was_C, self.valid_C, t)
            self._keep_since(t)
            return
        self._look_back(fall.early_s, t)
        lag = self.probe.response_s
        early = max(fall.early_s - lag, self.plateau_early_s)
        early = max(early, self.told_until_s)
        onset, late = max(fall.onset_s, early), max(fall.late_s, early)
        held_s = self._held_until(early)
        self._leave(early, UNKNOWN, words.DATING_END)
        self._set(late, NOT_BOILING, words.LOST if self.heat_off_s is None else words.AFTER_HEAT)
        if self._boil_told and (self.heat_off_s is None or late < self.heat_off_s):
            self._lost(onset, early, late, t, words.lost(held_s))
        self._keep_since(late)

    @property
    def told_until_s(self) -> float:
        """Until when hold_complete promised that the boil counts: no dating takes it back. [s]"""
        if self.completed_s is None:
            return -1e18
        return self.completed_start_s + self.required_s + ROUNDING_S

    def _held_until(self, end_s: float) -> float:
        start = max(self.credit_start_s or end_s, self.jars_in_s or 0.0)
        return max(end_s - start, 0.0)

    def _keep_since(self, t_s: float) -> None:
        """Only what came after ``t_s`` may show the next plateau."""
        trace = self.trace
        i = trace.index_at(t_s)
        kept = list(zip(trace.t[i:], trace.y[i:], strict=True))
        trace.clear()
        for t, y in kept:
            trace.append(t, y)

    def _look_back(self, until_s: float, t: float) -> None:
        """The plateau is over; what is there to be seen of it now?"""
        if self.sags is None or self.told_until_s >= until_s:
            return
        threshold = UNTOLD_THRESHOLD if self.completed_s is None else THRESHOLD
        sag = self.sags.look_everywhere(until_s, threshold)
        if sag is not None:
            self._sagged(sag, t)

    def _break_off(self, from_s: float, state: str, why: str) -> None:
        """The plateau ends without a fall seen; one just begun before ``from_s`` would not show yet."""
        self._look_back(from_s, from_s)
        start_s = self.credit_start_s
        if self.detector is not None and start_s is not None:
            margin_s = self.detector.margin_s(self.spacing_s) + self.probe.response_s
            sure_s = min(self.valid_s - self.margin_s, from_s - margin_s)
            sure_s = max(sure_s, start_s, self.told_until_s)
            if sure_s < from_s:
                self._set(sure_s, UNKNOWN, words.TOO_SOON)
        self._leave(from_s, state, why)

    def _leave(self, from_s: float, state: str, why: str) -> None:
        """The plateau is over."""
        self.on_plateau = False
        self.detector = None
        self.sags = None
        self.seen_s = None
        self._early_marks_s.clear()
        self._carried_s = None
        self._doubt = False
        self._set(max(from_s, self.first_s if self.first_s is not None else from_s), state, why)

    # --- credit and events --------------------------------------------------------------------------------

    @property
    def credit_start_s(self) -> float | None:
        """Where the stretch that is on now began, or None."""
        return self.ledger.boiling_since()

    @property
    def margin_s(self) -> float:
        """The last so many seconds of a plateau that a fall just begun could still take back. [s]"""
        if self.detector is None:
            return 0.0
        margin = self.detector.margin_s(self.spacing_s) + self.probe.response_s
        if self.still.chip_moved_s < self.still.since_s:
            # Nothing but the reading itself says that the converter is alive: count up to its last move.
            margin = max(margin, self.valid_s - self.still.since_s)
        return margin

    def held_s(self, t: float) -> float:
        """What the stretch that is on now proves by ``t``, margin taken off. [s]"""
        start = self.credit_start_s
        if start is None or self.jars_in_s is None:
            return 0.0
        end = t - self.margin_s
        if self.window_end_s is not None:
            end = min(end, self.window_end_s)
        return max(end - max(start, self.jars_in_s), 0.0)

    def _credit(self, t: float) -> None:
        if self.ledger.state != BOILING or self.jars_in_s is None or self.window_end_s is not None:
            return
        if self.completed_s is not None:
            self._overrun(t)
            return
        start = max(self.credit_start_s or t, self.jars_in_s)
        if self.required_s > 1800.0 and self._water_due_s <= t - start < self.required_s:
            self._water_due_s += WATER_CHECK_S
            self._event("water_check_due", t, t, words.WATER_CHECK)
        if t - start < self.required_s or self.held_s(t) < self.required_s + ROUNDING_S:
            return
        if self.completed_s is None:
            assert self.sags is not None
            sag = self.sags.look_everywhere()
            if sag is not None:
                self._sagged(sag, t)
                return
            self.completed_s = t
            self.completed_start_s = start
            done = self.completed_start_s + self.required_s
            self._event("hold_complete", done, t, words.complete(self.required_s))

    def _overrun(self, t: float) -> None:
        assert self.completed_s is not None
        if t - self.completed_s >= OVERRUN_S:
            self._say_once("overrun", t, words.OVERRUN)

    def _reached(self, start_s: float, t: float) -> None:
        kind = "boil_back" if self.lost_raised else "boil_reached"
        if not self.lost_raised and any(e.kind == "boil_reached" for e in self.events):
            return
        if self.heat_off_s is not None:
            return
        self.lost_raised = False
        self._boil_told = True
        self.events.append(
            Event(kind, start_s, t, words.reached(kind, self.required_s), self.plateau_early_s, start_s)
        )
        self._water_due_s = WATER_CHECK_S

    def _lost(self, onset: float, early: float, late: float, t: float, text: str) -> None:
        self.lost_raised = True
        self._boil_told = False
        self.events.append(Event("boil_lost", onset, t, text, early, late))

    def _set(self, t: float, state: str, why: str) -> None:
        self.ledger.set_from(t, state, why)

    def _event(self, kind: str, onset_s: float, raised_s: float, text: str) -> None:
        self.events.append(Event(kind, onset_s, raised_s, text))

    def _say_once(self, kind: str, t: float, text: str) -> None:
        if kind not in self._said:
            self._said.add(kind)
            self._event(kind, t, t, text)

    def _say_at_most(
        self, kind: str, t: float, text: str, every_s: float, onset_s: float | None = None
    ) -> None:
        for event in reversed(self.events):
            if event.kind == kind:
                if t - event.raised_s < every_s:
                    return
                break
        self._event(kind, t if onset_s is None else onset_s, t, text)

    # --- marks and heater ---------------------------------------------------------------------------------

    def _marks_up_to(self, t: float) -> None:
        while self.next_mark < len(self.marks) and self.marks[self.next_mark].t_s <= t:
            self._mark(self.marks[self.next_mark])
            self.next_mark += 1

    def _mark(self, mark: Mark) -> None:
        t = mark.t_s
        if mark.kind == "jars_in":
            self.jars_in_s, self.window_end_s, self.heat_off_s = t, None, None
            self.hold_basis = None
            self.completed_s = None
        elif mark.kind in ("heat_off", "jars_lifted"):
            if mark.kind == "heat_off" and self.heat_off_s is None:
                self.heat_off_s = t
            if self.jars_in_s is not None and self.window_end_s is None:
                self.window_end_s = t
                self._look_back(t, t)
                self.hold_basis = self.basis if self.first_s is not None else None
        elif mark.kind == "rolling_boil_seen":
            self._seen(t)
        elif mark.kind == "boil_not_seen" and self.first_s is not None:
            self._break_off(t, NOT_BOILING, words.NOT_SEEN)
            self.blocked = True
            if self._boil_told:
                self._lost(t, t, t, t, words.NOT_SEEN_TEXT)

    def _seen(self, t: float) -> None:
        self.seen_any = True
        if self.blocked:
            self.blocked = False
            self._keep_since(t)
        if not self.on_plateau:
            self._early_marks_s.append(t)
        if not self.on_plateau or self.seen_s is not None:
            return
        self.seen_s = t
        self.ledger.relabel(max(self.plateau_s, self.told_until_s), t, BOILING, UNKNOWN, words.BEFORE_SEEN)
        if self.ledger.state == BOILING or self.valid_s >= t - CEILING_S:
            self._judge_plateau(t, t)

    def _heater(self, sample: Sample) -> None:
        on: bool | None = None
        if sample.heater_W is not None:
            self._heater_top_W = max(self._heater_top_W, sample.heater_W)
            if self._heater_top_W > 50.0:
                on = sample.heater_W > 0.05 * self._heater_top_W
        if sample.mains is False:
            on = False
        elif sample.mains is True and on is None:
            on = True
        if on is False and self._heater_on and self.heat_off_s is None and self.jars_in_s is not None:
            if sample.t_s - self._heater_said_s > 60.0:
                self._event("heater_off", sample.t_s, sample.t_s, words.HEATER_OFF)
            self._heater_said_s = sample.t_s
        if on is not None:
            self._heater_on = on

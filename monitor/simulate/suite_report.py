"""What the scenario suite prints: the counts, a table by family, how late losses were called, each run gone wrong.

Every run listed begins with its family and seed, which are all that `python -m monitor.simulate one` needs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from statistics import median

from monitor.judge.verdict import HELD
from monitor.simulate.scenarios import FAMILIES
from monitor.simulate.suite import Outcome

#: Edges of the depths [K] and of the plainness by which lost boils are counted.
DEPTHS_K = (0.05, 0.1, 0.2, 0.3, 0.5, 1.0, float("inf"))
PLAINNESS = (0.0, 3.0, 5.0, 7.0, 9.0, 12.0, 20.0, float("inf"))

SENSORS = ("fine", "resistance", "coarse")

#: A plain loss called later than this, or dated further off, is listed with its seed. [s]
LATE_S = 60.0
OFF_S = 30.0

#: Runs listed under one heading at most.
MOST = 40

SIDES = (
    ("lost", "the boil was lost, or the record proves nothing: none may be called held"),
    ("held", "the boil held: hardly one may be missed"),
    (
        "reported",
        "too close to call, or errors at the limit of what is stated or beyond it: counted, never asserted",
    ),
)

#: What can go wrong with a run: heading, its attribute of `Outcome`, what it means.
FAULTS = (
    ("false held", "false_held", "called held, and must not be"),
    ("missed hold", "missed", "a plainly long enough hold that is not called held"),
    ("taken back", "taken_back", "told that the hold is complete, stopped, and not held in the end"),
    (
        "wrong reason",
        "wrong_reason",
        "an event is missing that a right verdict brings, or a trouble is named that never was",
    ),
    ("overcredit", "overcredit", "credited more than 5 s beyond the true boil"),
    ("false broken", "false_broken", "called broken though the hold was long enough"),
    ("false alarm", "false_alarms", "a loss cried in the middle of a true boil"),
    ("faint, and held", "faint_held", "too short only by a loss that no detector can be asked to see"),
)


def report(outcomes: Sequence[Outcome]) -> str:
    """The suite's counts, table and lists, as text."""
    asserted = [outcome for outcome in outcomes if not outcome.beyond]
    beyond = [outcome for outcome in outcomes if outcome.beyond]
    lines = [*_counts(asserted), "", *_table(outcomes), "", *_timing(outcomes)]
    if beyond:
        lines += ["", *_at_the_limit(beyond)]
    lines += ["", "lost boils by the depth of the faintest loss"]
    lines += _binned(asserted, lambda outcome: outcome.depth_K, DEPTHS_K, "K")
    lines += [
        "",
        "the same by its plainness (the best detector calls half at 5.4, one false alarm in 1,000 h)",
    ]
    lines += _binned(asserted, lambda outcome: outcome.plainness, PLAINNESS, " ")
    for title, attribute, meaning in FAULTS:
        lines += _listed(f"{title}: {meaning}", [o for o in outcomes if getattr(o, attribute)])
    lines += _listed(
        f"late: a plain loss never called, called after more than {LATE_S:.0f} s or dated more than {OFF_S:.0f} s off",
        [outcome for outcome in outcomes if _late(outcome)],
    )
    lines += ["", "To look into one: python -m monitor.simulate one FAMILY SEED --to DIR"]
    return "\n".join(lines)


def _counts(outcomes: Sequence[Outcome]) -> list[str]:
    """The headline figures, each against the number of runs in which it could happen."""
    hours = _watched_h(outcomes)
    could = {
        "false_held": (sum(o.unsafe for o in outcomes), "runs that must not be held"),
        "faint_held": (sum(o.faint for o in outcomes), "such runs"),
        "missed": (sum(o.safe is True for o in outcomes), "plainly long enough holds"),
        "taken_back": (sum(o.stopped_verdict != "" for o in outcomes), "stopped on being told"),
    }
    lines = []
    for title, attribute, _ in FAULTS:
        count = sum(getattr(outcome, attribute) for outcome in outcomes)
        if attribute == "false_alarms":
            rate = f", {1000.0 * count / hours:.1f} in 1,000 h" if hours else ""
            lines.append(f"{title:16}{count:6} in {hours:.0f} h of true boil{rate}")
        else:
            of, what = could.get(attribute, (len(outcomes), "runs"))
            lines.append(f"{title:16}{count:6} of {of} {what}")
    guarded = [o for o in outcomes if FAMILIES[o.family].side == "held" and o.guarded]
    held = sum(outcome.verdict == HELD for outcome in guarded)
    lines.append(f"under the guard band: {len(guarded)} true holds, {held} called held all the same")
    return lines


def _watched_h(outcomes: Iterable[Outcome]) -> float:
    """How long true boil was watched in runs that held. [h]"""
    return sum(o.boil_s for o in outcomes if FAMILIES[o.family].side == "held") / 3600.0


#: Headings of the table's columns, in two lines, each this wide.
_COLUMNS = (
    ("", "runs"),
    ("must", "not"),
    ("", "safe"),
    ("", "held"),
    ("", "broken"),
    ("un-", "proven"),
    ("false", "held"),
    ("", "missed"),
    ("taken", "back"),
    ("wrong", "reason"),
    ("over-", "credit"),
    ("false", "broken"),
    ("false", "alarm"),
    ("faint,", "held"),
    ("short", "by s"),
)
_WIDE = 7


def _table(outcomes: Sequence[Outcome]) -> list[str]:
    lines = []
    for side, heading in SIDES:
        families = [family for family in FAMILIES.values() if family.side == side]
        rows = [
            _row(family.name, mine)
            for family in families
            if (mine := [outcome for outcome in outcomes if outcome.family == family.name])
        ]
        if rows:
            lines += [heading, *_headings(), *rows, ""]
    lines.append(_row("all", outcomes))
    lines.append("a dot is none; short: what held runs lack of their true boil")
    return lines


def _headings() -> list[str]:
    return [" " * 26 + "".join(f"{pair[line]:>{_WIDE}}" for pair in _COLUMNS) for line in (0, 1)]


def _row(name: str, outcomes: Sequence[Outcome]) -> str:
    def count(attribute: str) -> int:
        return sum(getattr(outcome, attribute) for outcome in outcomes)

    verdicts = [
        sum(outcome.verdict == word for outcome in outcomes) for word in ("held", "broken", "unproven")
    ]
    figures = [
        len(outcomes),
        count("unsafe"),
        sum(outcome.safe is True for outcome in outcomes),
        *verdicts,
        *(count(attribute) for _, attribute, _ in FAULTS),
    ]
    cells = [f"{figure or '.':>{_WIDE}}" for figure in figures]
    short = [outcome.shortfall_s for outcome in outcomes if outcome.safe and outcome.verdict == HELD]
    return f"{name:26}" + "".join(cells) + (f"{median(short):{_WIDE}.1f}" if short else f"{'.':>{_WIDE}}")


def _timing(outcomes: Sequence[Outcome]) -> list[str]:
    """How late and how well plain losses were called, by the kind of probe."""
    lines = []
    for sensor in SENSORS:
        timed = [called for o in outcomes if o.sensor == sensor for called in o.called]
        calls = [called for called in timed if called is not None]
        if calls:
            late = sorted(raised for raised, _ in calls)
            off = sorted(abs(onset) for _, onset in calls)
            nine = int(0.9 * (len(calls) - 1))
            lines.append(
                f"plain losses, {sensor}: {len(timed)}, never called {len(timed) - len(calls)}; raised after "
                f"{median(late):.0f} s at the median, {late[nine]:.0f} s at 90 %; onset off by {median(off):.0f} s, "
                f"{off[nine]:.0f} s at 90 %"
            )
    return lines


def _late(outcome: Outcome) -> bool:
    return any(called is None or called[0] > LATE_S or abs(called[1]) > OFF_S for called in outcome.called)


def _at_the_limit(outcomes: Sequence[Outcome]) -> list[str]:
    """What became of runs whose errors lie at the limit of what their record states, or beyond it."""
    lines = [
        "errors at the stated limit or beyond it, by family: how many were called held that must not be, or not"
    ]
    for name in dict.fromkeys(outcome.family for outcome in outcomes):
        mine = [outcome for outcome in outcomes if outcome.family == name]
        held = sum(outcome.verdict == HELD for outcome in mine)
        lost = [outcome for outcome in mine if outcome.safe is False]
        wrongly = sum(outcome.verdict == HELD for outcome in lost)
        lines.append(
            f"  {name:26}{len(mine):5} runs, {held:4} held; {len(lost):4} of them too short, {wrongly:4} of those held"
        )
    return lines


def _binned(
    outcomes: Iterable[Outcome], figure: Callable[[Outcome], float], edges: Sequence[float], unit: str
) -> list[str]:
    """Lost boils by a figure of their faintest loss, and how many of those runs were called held."""
    unsafe = [outcome for outcome in outcomes if outcome.safe is False and outcome.depth_K > 0.0]
    lines = []
    for low, high in pairwise(edges):
        cells = []
        for sensor in SENSORS:
            mine = [o for o in unsafe if low <= figure(o) < high and o.sensor == sensor]
            held = sum(outcome.verdict == HELD for outcome in mine)
            cells.append(f"{sensor:>12} {held:4} held of {len(mine):5}")
        lines.append(f"  {low:5.2f} to {high:5.2f} {unit}" + "".join(cells))
    return lines


def _listed(title: str, outcomes: Sequence[Outcome]) -> list[str]:
    """Runs under a heading, each with what it takes to make it again."""
    if not outcomes:
        return []
    more = f" (the first {MOST} of {len(outcomes)})" if len(outcomes) > MOST else ""
    return ["", f"{title}{more}", *(f"  {_line(outcome)}" for outcome in outcomes[:MOST])]


def _line(outcome: Outcome) -> str:
    stopped = f", stopped on being told: {outcome.stopped_verdict}" if outcome.stopped_verdict else ""
    parts = [
        f"{outcome.family} {outcome.seed}: {outcome.verdict or 'open'}{stopped}",
        f"required {outcome.required_s:.0f}, true {outcome.true_s:.0f}, creditable {outcome.creditable_s:.0f}, "
        f"proven {outcome.proven_s:.0f}, possible {outcome.possible_s:.0f} s",
        f"{outcome.sensor}{', seen' if outcome.seen else ''}",
        outcome.note,
        f"faintest loss {outcome.depth_K:.2f} K, plainness {outcome.plainness:.1f}"
        if outcome.depth_K
        else "",
        outcome.must_not_hold,
        f"lacks {', '.join(outcome.missing)}" if outcome.missing else "",
        f"imagines {', '.join(outcome.imagined)}" if outcome.imagined else "",
        f"alarms at {', '.join(f'{at_s:.0f}' for at_s in outcome.alarms_s)} s" if outcome.alarms_s else "",
        *(_call(called) for called in (outcome.called if _late(outcome) else ())),
    ]
    return "; ".join(part for part in parts if part)


def _call(called: tuple[float, float] | None) -> str:
    if called is None:
        return "a plain loss never called"
    return f"called after {called[0]:.0f} s, dated {called[1]:+.0f} s"

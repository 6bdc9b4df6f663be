"""What the scenario suite prints: a table by family, rates at the limit, and each run that went wrong."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import median

from monitor.judge.verdict import HELD
from monitor.simulate.scenarios import FAMILIES
from monitor.simulate.suite import Outcome

#: Edges of the depths [K] and of the plainness by which lost boils are counted.
DEPTHS_K = (0.05, 0.1, 0.2, 0.3, 0.5, 1.0, float("inf"))
PLAINNESS = (0.0, 3.0, 5.0, 7.0, 9.0, 12.0, 20.0, float("inf"))


def _row(name: str, outcomes: Sequence[Outcome]) -> str:
    def count(attribute: str) -> int:
        return sum(bool(getattr(outcome, attribute)) for outcome in outcomes)

    verdicts = [
        sum(outcome.verdict == word for outcome in outcomes) for word in ("held", "broken", "unproven")
    ]
    short = [outcome.shortfall_s for outcome in outcomes if outcome.safe and outcome.verdict == HELD]
    return (
        f"{name:24}{len(outcomes):6}{count('unsafe'):7}"
        f"{sum(o.safe is True for o in outcomes):6}{verdicts[0]:7}{verdicts[1]:7}{verdicts[2]:9}"
        f"{count('false_held'):7}{count('faint_held'):4}/{count('faint'):<3}{count('missed'):6}{count('taken_back'):7}{count('wrong_reason'):7}"
        f"{count('overcredit'):6}{count('false_broken'):7}"
        + (f"{median(short):7.1f}" if short else "      -")
    )


def report(outcomes: Sequence[Outcome]) -> str:
    """The suite's table and lists, as text."""
    lines = [
        f"{'family':24}{'runs':>6}{'unsafe':>7}{'safe':>6}{'held':>7}{'broken':>7}{'unproven':>9}"
        f"{'false':>7}{'faint':>8}{'missed':>6}{'taken':>7}{'wrong':>7}{'over':>6}{'false':>7}{'short':>7}",
        f"{'':24}{'':6}{'':7}{'':6}{'':7}{'':7}{'':9}"
        f"{'held':>7}{'held':>8}{'hold':>6}{'back':>7}{'reason':>7}{'cred.':>6}{'broken':>7}{'fall s':>7}",
    ]
    for side in ("lost", "held", "reported"):
        for family in FAMILIES.values():
            mine = [outcome for outcome in outcomes if outcome.family == family.name]
            if family.side == side and mine:
                lines.append(_row(family.name, mine))
    lines.append(_row("all", outcomes))
    lines += ["", *_timing(outcomes)]
    guarded = [o for o in outcomes if FAMILIES[o.family].side == "held" and o.guarded]
    lines += [
        "",
        f"true holds under the guard band: {len(guarded)}, {sum(o.verdict == HELD for o in guarded)} held",
    ]
    lines += ["", "lost boils by the depth of the faintest loss, and how many of those runs were called held"]
    lines += _binned(outcomes, "depth_K", DEPTHS_K, " K")
    lines += [
        "",
        "the same by its plainness (5.4: the best detector calls half, at one false alarm in 1000 h)",
    ]
    lines += _binned(outcomes, "plainness", PLAINNESS, "")
    for title, attribute in (
        ("false held", "false_held"),
        ("faint, and held", "faint_held"),
        ("missed hold", "missed"),
        ("taken back", "taken_back"),
        ("overcredit", "overcredit"),
        ("false broken", "false_broken"),
        ("wrong reason", "wrong_reason"),
    ):
        lines += _listed(title, [o for o in outcomes if getattr(o, attribute)])
    return "\n".join(lines)


def _timing(outcomes: Sequence[Outcome]) -> list[str]:
    """False alarms an hour, and how late and how well plain losses were called."""
    held = [o for o in outcomes if FAMILIES[o.family].side == "held"]
    hours = sum(o.boil_s for o in held) / 3600.0
    lines = [f"false alarms in true boil: {sum(o.false_alarms for o in held)} in {hours:.0f} h"]
    for sensor in ("fine", "resistance", "coarse"):
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


def _binned(outcomes: Iterable[Outcome], attribute: str, edges: Sequence[float], unit: str) -> list[str]:
    unsafe = [o for o in outcomes if o.safe is False and not o.beyond and o.depth_K > 0.0]
    lines = []
    for low, high in pairwise(edges):
        for sensor in ("fine", "resistance", "coarse"):
            mine = [o for o in unsafe if low <= getattr(o, attribute) < high and o.sensor == sensor]
            if mine:
                held = sum(o.verdict == HELD for o in mine)
                lines.append(
                    f"  {low:5.2f} to {high:5.2f}{unit}  {sensor:11}{len(mine):6} runs {held:5} held"
                )
    return lines


def _listed(title: str, outcomes: Sequence[Outcome], most: int = 40) -> list[str]:
    if not outcomes:
        return []
    lines = ["", f"{title}: {len(outcomes)}" + (f", the first {most}" if len(outcomes) > most else "")]
    lines += [
        f"  {o.family} {o.seed}: {o.verdict}{'/' + str(o.stopped_verdict) if o.stopped_verdict else ''}, "
        f"required {o.required_s:.0f}, true {o.true_s:.0f}, creditable {o.creditable_s:.0f}, "
        f"proven {o.proven_s:.0f}, possible {o.possible_s:.0f} s; "
        f"lost {o.depth_K:.2f} K, plain {o.plainness:.1f}; {o.sensor}"
        f"{', seen' if o.seen else ''}{'; ' + o.note if o.note else ''}"
        f"{'; ' + o.must_not_hold if o.must_not_hold else ''}"
        f"{'; lacks ' + ', '.join(o.missing) if o.missing else ''}"
        for o in outcomes[:most]
    ]
    return lines

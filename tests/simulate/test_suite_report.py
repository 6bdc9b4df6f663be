"""The suite's own bookkeeping: each kind of fault is counted, and listed with what it takes to make the run again.

All figures are made up for the bookkeeping.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from monitor.simulate.__main__ import main
from monitor.simulate.scenarios import FAMILIES, family_pairs
from monitor.simulate.suite import Outcome, judge_one, run_suite, suite_pairs
from monitor.simulate.suite_report import FAULTS, report


@pytest.fixture(scope="module")
def short() -> Outcome:
    return judge_one("short_by_seconds", 3)


@pytest.fixture(scope="module")
def long() -> Outcome:
    return judge_one("plain_hold", 3)


def test_a_right_verdict_is_no_fault(short: Outcome, long: Outcome) -> None:
    assert short.unsafe and short.verdict == "broken"
    assert long.safe and long.verdict == "held"
    text = report([short, long])
    for title, _, meaning in FAULTS:
        assert re.search(rf"^{title} +0 (of|in) ", text, re.M), title
        assert f"{title}: {meaning}" not in text


@pytest.mark.parametrize("title", [title for title, _, _ in FAULTS])
def test_each_fault_is_counted_and_named_with_its_seed(title: str, short: Outcome, long: Outcome) -> None:
    too_long_s = short.true_s + 60.0
    faulty = {
        "false held": replace(short, verdict="held"),
        "missed hold": replace(long, verdict="unproven"),
        "taken back": replace(long, stopped_verdict="unproven"),
        "wrong reason": replace(short, missing=("boil_lost",)),
        "overcredit": replace(short, proven_s=too_long_s),
        "false broken": replace(long, safe=None, verdict="broken"),
        "false alarm": replace(long, alarms_s=(812.0,)),
        "faint, and held": replace(short, verdict="held", visible_s=short.required_s + 1.0),
    }[title]
    text = report([short, long, faulty])
    assert re.search(rf"^{title} +1 (of|in) ", text, re.M)
    meaning = next(meaning for name, _, meaning in FAULTS if name == title)
    listed = text.split(f"{title}: {meaning}\n", 1)[1].splitlines()[0]
    assert listed.startswith(f"  {faulty.family} {faulty.seed}: ")
    if title == "false alarm":
        assert "alarms at 812 s" in listed


def test_a_late_call_is_listed_with_its_seed(short: Outcome) -> None:
    text = report([replace(short, called=((95.0, 3.0), None, (12.0, -44.0)))])
    line = text.split("late: ", 1)[1].splitlines()[1]
    assert line.startswith("  short_by_seconds 3: ")
    assert "called after 95 s, dated +3 s; a plain loss never called; called after 12 s, dated -44 s" in line


def test_a_trouble_that_never_was_is_a_wrong_reason(long: Outcome) -> None:
    imagined = replace(long, imagined=("probe_moved",))
    assert imagined.wrong_reason
    assert "imagines probe_moved" in report([imagined])


def test_errors_beyond_what_is_stated_are_counted_apart() -> None:
    """A simmer called held for an error beyond ±U is no false held, and is seen all the same."""
    beyond = replace(judge_one("simmer_beyond_stated", 1), verdict="held")
    assert beyond.safe is False and not beyond.false_held
    text = report([beyond])
    assert re.search(r"simmer_beyond_stated +1 runs, +1 held; +1 of them too short, +1 of those held", text)


def test_every_family_is_drawn() -> None:
    assert {family for family, _ in suite_pairs(200, 100, 1)} == set(FAMILIES)


def test_more_processes_give_the_same_outcomes_in_the_same_order() -> None:
    pairs = family_pairs(("dip", "no_jars_in", "plain_hold"), 3, 4)
    assert run_suite(pairs, jobs=2) == run_suite(pairs)


def test_a_family_by_hand(capsys: pytest.CaptureFixture[str], tmp_path: object) -> None:
    assert main(["suite", "--family", "simmer_marked", "--runs", "2", "--seed", "5"]) == 0
    assert re.search(r"^simmer_marked +2 +2 ", capsys.readouterr().out, re.M)
    assert main(["one", "simmer_marked", "5000001", "--to", f"{tmp_path}/run"]) == 0
    assert capsys.readouterr().out.startswith(f"boilwitness judge {tmp_path}/run\n")

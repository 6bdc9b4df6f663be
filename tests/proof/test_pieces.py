"""Canonical bytes, the chain's links, the comparison of verdicts, spans, and how long a record is kept."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.jars import batch_state
from monitor.judge import judge
from monitor.judge.words import asked, exact
from monitor.proof.after import keep_until
from monitor.proof.canon import NOTHING_BEFORE, canonical, engine_form, rules_stamp
from monitor.proof.chain import Seal, check_links, linked
from monitor.proof.closed import closed_bytes, open_closed
from monitor.proof.compare import compare_verdicts
from monitor.proof.facts import probe_facts
from monitor.proof.figures import day_time
from monitor.proof.report import Report
from monitor.record import read_run

RECORDS = Path(__file__).parents[2] / "recorded_runs"

JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(JSON)
def test_canonical_bytes_do_not_depend_on_the_order_of_keys_and_say_the_same(form: Any) -> None:
    data = canonical(form)
    assert canonical(json.loads(data)) == data
    assert b"\n" not in data
    if isinstance(form, dict):
        assert canonical(dict(reversed(list(form.items())))) == data


def test_the_link_is_the_published_hash_of_three_lines() -> None:
    """By hand, with hashlib (FIPS 180-4): what the handbook prints."""
    digest = hashlib.sha256(b"x").hexdigest()
    assert linked(NOTHING_BEFORE, digest) == hashlib.sha256(f"{'0' * 64}\n{digest}\n".encode()).hexdigest()


def links(count: int) -> list[Seal]:
    found: list[Seal] = []
    previous = NOTHING_BEFORE
    for number in range(1, count + 1):
        statement = canonical({"run_id": f"r{number}", "sealed_utc": "2026-01-01T00:00:00.000Z"})
        digest = hashlib.sha256(statement).hexdigest()
        value = linked(previous, digest)
        found.append(
            Seal(
                number, f"r{number}", "2026-01-01T00:00:00.000Z", digest, previous, value, statement.decode()
            )
        )
        previous = value
    return found


@pytest.mark.parametrize("place", range(5))
def test_any_link_changed_removed_added_or_moved_breaks_the_chain(place: int) -> None:
    chain = links(5)

    def problems(seals: list[Seal]) -> list[str]:
        report = Report("chain")
        check_links(seals, report)
        return report.problems

    assert problems(chain) == []
    changed = [*chain]
    changed[place] = replace(changed[place], run_id="other")
    assert problems(changed)
    if place < 4:
        assert problems(chain[:place] + chain[place + 1 :])
        swapped = [*chain]
        swapped[place : place + 2] = reversed(swapped[place : place + 2])
        assert problems(swapped)
        renumbered = [
            replace(seal, seal_id=n) for n, seal in enumerate(chain[:place] + chain[place + 1 :], 1)
        ]
        assert problems(renumbered)
    assert problems([*chain[: place + 1], *chain[place:]])


@given(st.dictionaries(st.text(), JSON, min_size=1), st.data())
def test_a_closed_file_shows_any_flipped_bit(form: dict[str, Any], data: st.DataObject) -> None:
    # The last lines' own names are no document's.
    own = ("format", "signed_by", "signature", "sha256")
    whole = closed_bytes({"format": "f", **{key: value for key, value in form.items() if key not in own}})
    report = Report("file")
    assert open_closed(whole, "f", "file", report) is not None and report.good
    at = data.draw(st.integers(0, len(whole) - 1))
    changed = bytearray(whole)
    changed[at] ^= 1 << data.draw(st.integers(0, 7))
    open_closed(bytes(changed), "f", "file", report)
    assert not report.good


def recorded() -> dict[str, Any]:
    form: dict[str, Any] = json.loads(json.dumps(judge(read_run(RECORDS / "held-low-altitude")).as_json()))
    return form


@pytest.fixture(scope="module")
def verdict() -> dict[str, Any]:
    return recorded()


def compared(old: dict[str, Any], new: dict[str, Any], engine: dict[str, Any]) -> Report:
    report = Report("verdict")
    compare_verdicts(old, new, engine, report)
    return report


def test_every_value_of_a_verdict_counts_under_the_same_rules(verdict: dict[str, Any]) -> None:
    assert compared(verdict, verdict, engine_form()).good

    def leaves(form: Any, path: tuple[Any, ...] = ()) -> Any:
        items = form.items() if isinstance(form, dict) else enumerate(form) if isinstance(form, list) else ()
        found = [leaf for key, value in items for leaf in leaves(value, (*path, key))]
        return found or [path]

    for path in leaves(verdict):
        changed = json.loads(json.dumps(verdict))
        inner = changed
        for key in path[:-1]:
            inner = inner[key]
        old = inner[path[-1]]
        inner[path[-1]] = "changed" if not isinstance(old, int | float) or isinstance(old, bool) else old + 1
        assert not compared(changed, verdict, engine_form()).good, path


def test_an_upgrade_may_date_a_little_otherwise_and_says_so(verdict: dict[str, Any]) -> None:
    other = engine_form() | {"version": "0.0.9", "rules_sha256": "f" * 64}
    shifted = verdict | {"proven_s": verdict["proven_s"] - 4.0}
    report = compared(shifted, verdict, other)
    assert report.good and any("version 0.0.9; here are others" in text for text in report.remarks)
    assert not compared(verdict | {"proven_s": verdict["proven_s"] + 60.0}, verdict, other).good
    assert not compared(verdict | {"verdict": "broken"}, verdict, other).good
    assert not compared(verdict | {"required_s": 600.0}, verdict, other).good


def test_the_stamp_of_the_rules_is_that_of_their_files() -> None:
    """Independently: every source and table of the rooms that decide, in order."""
    room = Path(__file__).parents[2] / "monitor"
    total = hashlib.sha256()
    for name in ("physics", "tables", "record", "judge"):
        for path in sorted((room / name).iterdir(), key=lambda path: path.name):
            if path.is_file() and path.suffix in (".py", ".csv", ".css", ".toml"):
                total.update(f"{name}/{path.name}".encode() + b"\0" + path.read_bytes() + b"\0")
    assert rules_stamp() == total.hexdigest()


@pytest.mark.parametrize(
    "seconds, down, up",
    [
        (1307.9, "21 min 47 s", "21 min 48 s"),
        (59.99, "59 s", "1 min 00 s"),
        (1200.0, "20 min 00 s", "20 min 00 s"),
    ],
)
def test_spans_are_rounded_one_way(seconds: float, down: str, up: str) -> None:
    assert (exact(seconds), exact(seconds, up=True)) == (down, up)


def test_a_required_time_is_said_as_published() -> None:
    assert (asked(1800.0), asked(450.0), asked(2700.5)) == ("30 min", "7 min 30 s", "45 min 01 s")


def test_a_record_is_kept_three_years_and_a_year_after_the_last_jar() -> None:
    """21 CFR 113.100(e) and 114.100(e) as a yardstick for the three years; the year is this project's own."""
    run = read_run(RECORDS / "held-low-altitude")
    state = batch_state(run, judge(run), [], datetime(2026, 7, 26, 12, tzinfo=UTC))
    assert keep_until(run, state) == date(2029, 7, 25)
    assert keep_until(run, state, gone=datetime(2030, 2, 1, 12, tzinfo=UTC)) == date(2031, 2, 1)
    assert keep_until(run, state, gone=datetime(2026, 9, 1, 12, tzinfo=UTC)) == date(2029, 7, 25)


def test_the_hour_that_comes_twice_is_told_apart() -> None:
    """RFC 3339 offsets; in Denver 2026-11-01 01:30 comes twice (IANA time zone database)."""
    run = replace(read_run(RECORDS / "held-low-altitude"), zone="America/Denver")
    first, second = datetime(2026, 11, 1, 7, 30, tzinfo=UTC), datetime(2026, 11, 1, 8, 30, tzinfo=UTC)
    assert day_time(run, first) == "2026-11-01 01:30:00-06:00"
    assert day_time(run, second) == "2026-11-01 01:30:00-07:00"


@pytest.mark.parametrize(
    ("place", "told"),
    [
        ("mid-depth, at jar-shoulder height", "p1, mid-depth, at jar-shoulder height"),
        ("other", "p1, not known where it sits"),
    ],
)
def test_where_the_probe_sits_is_told_as_far_as_it_is_known(place: str, told: str) -> None:
    run = read_run(RECORDS / "dip-then-completed")
    run = replace(run, probe=replace(run.probe, extra={"probe_id": "p1", "place": place}))
    assert dict(probe_facts(run, {}, ()))["Probe"] == told

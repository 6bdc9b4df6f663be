"""A jar opened for a test is no better than it was found while it was closed.

After 24 h a jar that is not found sealed is discarded (Iowa State University Extension, G56); one that bulges is not
tasted (USDA, G66, G67).
"""

from __future__ import annotations

from typing import Any

import pytest

from monitor.jars import Status, lost_seals

HOUR = 3600.0
LIFTED = 3700.0
COLD = (Status.REFRIGERATE, Status.DISCARDED)
BIN = (Status.DISCARDED,)


def opened(batch: Any, at_h: float, **answers: Any) -> Any:
    """Jar 1 after it was opened at ``at_h`` hours from lifting, and after somebody wanted it cold."""
    batch.add("jar_seal", LIFTED + at_h * HOUR, jar=1, opened=True, **answers)
    return batch.state(LIFTED + at_h * HOUR + 60.0).jars[0]


@pytest.mark.parametrize(
    ("judged_h", "found", "opened_h", "offered"),
    [
        (None, {}, 80.0, BIN),
        (None, {}, 20.0, COLD),
        (79.0, {"press": "springs"}, 80.0, BIN),
        (19.0, {"press": "springs"}, 20.0, COLD),
        (19.0, {"press": "springs"}, 80.0, BIN),
        (3.0, {}, 80.0, BIN),
        (3.0, {}, 20.0, COLD),
        (13.0, {}, 80.0, COLD),
        (13.0, {"sight": "bulging"}, 20.0, BIN),
        (79.0, {"sight": "bulging"}, 80.0, BIN),
    ],
)
def test_opening_a_jar_never_offers_more_than_what_was_found_before(
    kitchen: Any, judged_h: float | None, found: dict[str, Any], opened_h: float, offered: tuple[Status, ...]
) -> None:
    batch = kitchen(jars=1)
    if judged_h is not None:
        batch.seal(1, LIFTED + judged_h * HOUR, **found)
    jar = opened(batch, opened_h)
    assert (jar.status, jar.choices) == (Status.ON_HOLD, offered)
    assert ("do not taste" in jar.do.lower()) is (offered == BIN)
    batch.add("jar_disposition", LIFTED + opened_h * HOUR + 120.0, jar=1, to="refrigerate")
    state = batch.state(LIFTED + opened_h * HOUR + 180.0)
    assert (state.jars[0].status is Status.REFRIGERATE) is (offered == COLD)
    assert bool(state.refused) is (offered == BIN)


@pytest.mark.parametrize("seen", [0, 1, None])
def test_whoever_opened_it_and_whatever_they_had_read(kitchen: Any, seen: int | None) -> None:
    batch = kitchen(jars=1)
    batch.seal(1, LIFTED + 79 * HOUR, by="Bert", press="springs")
    assert opened(batch, 80.0, **({} if seen is None else {"seen": seen})).choices == BIN


def test_opened_twice_it_is_still_what_it_was(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    opened(batch, 79.0)
    assert opened(batch, 80.0).choices == BIN


def test_its_clock_goes_on_while_it_stands_open(kitchen: Any) -> None:
    """Refrigerated in time it stays there."""
    batch = kitchen(jars=2)
    jar = opened(batch, 20.0)
    assert jar.due is not None and "before the 24 hours close" in jar.do
    assert batch.state(LIFTED + 30 * HOUR).jars[0].choices == BIN
    batch.add("jar_disposition", LIFTED + 20.1 * HOUR, jar=1, to="refrigerate")
    assert batch.state(LIFTED + 30 * HOUR).jars[0].status is Status.REFRIGERATE


def test_a_bulging_jar_that_was_opened_is_boiled_and_binned(kitchen: Any) -> None:
    batch = kitchen(jars=2)
    batch.seal(1, LIFTED + 13 * HOUR, sight="bulging")
    jar = opened(batch, 14.0)
    assert jar.seal_lost and {"G66", "G67"} <= set(jar.guidance)
    assert jar.do.startswith("Do not taste. Boil jar, lid and contents under water for 30 minutes")
    (lost,) = lost_seals([batch.state(LIFTED + 15 * HOUR)])
    assert lost.do == jar.do, "nobody is told not to open what is open"


def test_broken_glass_that_is_called_opened_is_not_tasted(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    batch.add("jar_seal", LIFTED + 13 * HOUR, jar=1, broken=True)
    assert opened(batch, 14.0, seen=1).choices == BIN

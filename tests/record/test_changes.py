"""What a change makes of a header: the id of a food goes with the words that it belonged to."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.record.changes import laid_over

PEARS = {"food": "pear halves", "food_id": "pears", "jars": 7}


@pytest.mark.parametrize(
    ("before", "change", "food_id"),
    [
        (PEARS, {"food": "green beans"}, None),
        (PEARS, {"food": "peach halves"}, None),
        (PEARS, {"food": "moon fruit"}, None),
        (PEARS, {"food": "moon fruit", "food_id": "figs"}, "figs"),
        (PEARS, {"food": "Pears, halved"}, "pears"),
        (PEARS, {"food": "PEAR-HALVES"}, "pears"),
        (PEARS | {"food": "Birnen"}, {"food": "birnen"}, "pears"),
        (PEARS | {"food": "Birnen"}, {"food": "pears"}, "pears"),
        # Words that come to an id that stood alone, or go, replace no others.
        (PEARS | {"food": None}, {"food": "Birnen"}, "pears"),
        (PEARS, {"food": None}, "pears"),
        (PEARS, {"jars": 6}, "pears"),
        ({"food": "green beans"}, {"food": "peas"}, None),
    ],
)
def test_an_id_stays_only_with_the_food_it_belongs_to(
    before: dict[str, Any], change: dict[str, Any], food_id: str | None
) -> None:
    header = {"run_id": "r1", "batch": before}
    after = laid_over(header, {"batch": change})
    assert after["batch"].get("food_id") == food_id
    assert after["batch"]["food"] == {**before, **change}["food"]
    assert header["batch"] is before and before.get("food_id") in ("pears", None), (
        "the old header stays as it was"
    )


@pytest.mark.parametrize("broken", [None, "pears", 7, []])
def test_a_batch_that_is_no_object_is_replaced_as_a_whole(broken: object) -> None:
    assert laid_over({"batch": broken}, {"batch": {"food": "figs"}})["batch"] == {"food": "figs"}
    assert laid_over({"batch": PEARS}, {"batch": broken})["batch"] == broken

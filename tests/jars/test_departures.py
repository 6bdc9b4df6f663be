"""What an event of the engine is called in the list of deviations."""

from __future__ import annotations

from typing import Any

from monitor.judge import words

HOUR = 3600.0
LIFTED = 3700.0


def test_a_departure_is_called_by_its_cause_whatever_its_words_are(kitchen: Any) -> None:
    batch = kitchen(jars=1)
    event = {
        "kind": "probe_fault",
        "onset_s": 900.0,
        "raised_s": 900.0,
        "text": "Other words.",
        "cause": "two_probes",
    }
    batch.verdict["events"] = [event]
    (one,) = batch.state(LIFTED + 13.5 * HOUR).deviations
    assert one.what == "the two water probes contradicted each other: Other words."


def test_times_that_jumped_while_the_jars_were_in_are_a_departure(kitchen: Any) -> None:
    """No boil counts across such a jump: somebody must look into it before the jars go on the shelf."""
    batch = kitchen(jars=1)
    batch.verdict["events"] = [
        {"kind": "clock_stepped", "onset_s": 900.0, "raised_s": 900.0, "text": words.CLOCK_STEPPED}
    ]
    (one,) = batch.state(LIFTED + 13.5 * HOUR).deviations
    assert one.what.startswith("times jumped: ") and one.is_open

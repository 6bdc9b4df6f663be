"""The run records that ship with the project: which there are, and what each is expected to show.

All are invented: made by the kettle model, with the published processing times of the project's tables and
kitchens that do not exist. What is expected of a verdict follows from what was true and from the rules of the
record, never from what an engine once said.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

from monitor.record.write import write_run
from monitor.simulate import record_boils, record_troubles
from monitor.simulate.record_kit import Recorded

RECORDS: tuple[Callable[[], Recorded], ...] = (
    record_boils.held_low_altitude,
    record_boils.held_high_altitude,
    record_boils.dip_then_completed,
    record_boils.dip_stopped_short,
    record_boils.simmer_never_boiled,
    record_troubles.silent_node,
    record_troubles.altitude_only,
    record_boils.coarse_probe_held,
    record_boils.unmarked_held,
    record_troubles.frozen_probe,
    record_troubles.probe_out_of_water,
    record_troubles.no_jars_in,
    record_troubles.sea_level_pressure,
    record_boils.cycling_ring_held,
    record_boils.jars_into_boiling_water,
    record_boils.short_by_a_minute,
    record_boils.a_night_of_cooling,
)

_README = """# Recorded runs

Run records to look at, to try `boilwitness judge` on, and to hold every change of the engine to. All of them
are invented: made by the kettle model in `monitor/simulate` with published processing times, in kitchens
that do not exist. `python -m monitor.simulate recorded_runs` makes the same bytes again.

Beside `run.json` and `samples.csv` each has an `about.json`: what it shows, where it comes from, when the water
truly boiled, and which verdict and events are to be expected, with tolerances. The expectations follow from the
truth and the rules; no engine was asked.

| record | verdict | shows |
|---|---|---|
"""


def write_records(folder: Path) -> list[Path]:
    """Write every record into ``folder``, one subfolder each. The same bytes every time."""
    written = []
    lines = []
    for make in RECORDS:
        recorded = make()
        place = write_run(recorded.run, folder / recorded.name)
        text = json.dumps(recorded.about, indent=2, ensure_ascii=False) + "\n"
        (place / "about.json").write_text(text, encoding="utf-8", newline="\n")
        written.append(place)
        lines.append(
            f"| `{recorded.name}` | {recorded.about['expected']['verdict']} | {recorded.about['shows']} |\n"
        )
    (folder / "README.md").write_text(_README + "".join(lines), encoding="utf-8", newline="\n")
    return written

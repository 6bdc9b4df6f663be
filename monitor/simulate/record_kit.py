"""How a shipped record is told: a place, a batch, a story, and what is to be expected of its verdict."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from monitor.record.model import Batch, Required, Run, Sample, Site
from monitor.simulate.kettle import canner
from monitor.simulate.kitchen import Kitchen, some_kitchen
from monitor.simulate.story import Story
from monitor.simulate.truth import FALTER_K, Truth
from monitor.simulate.weather import Weather
from monitor.tables.processes import cell_at

ORIGIN = (
    "invented: made by the kettle model in monitor/simulate, seed {seed}; no such kitchen or batch exists"
)


@dataclass(frozen=True, slots=True)
class Recorded:
    """A record with its story. ``about`` is what ``about.json`` says."""

    name: str
    run: Run
    truth: Truth
    about: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Place:
    """An invented kitchen and the batch in it."""

    kitchen: str
    altitude_m: float
    zone: str
    started: str
    food_id: str
    pack: str = "hot"
    jar: str = "pint"
    jars: int = 7
    volume_L: float = 20.0
    heater_W: float = 2000.0
    ring_s: float = 0.0
    sensor: str = "fine"
    pressure: str = "barometer"
    quiet: bool = True
    room_C: float = 23.0


HILL = Place("hill kitchen", 1650.0, "America/Denver", "2026-08-14T09:12:00", "pears")
VALLEY = Place("valley kitchen", 180.0, "America/New_York", "2026-07-25T13:40:00", "pears")
COAST = Place("harbour kitchen", 12.0, "Europe/Lisbon", "2026-06-30T17:05:00", "peaches")
HIGH = Place("mountain kitchen", 2400.0, "America/Denver", "2026-08-29T10:30:00", "peaches")


class Told:
    """A story with a place, its expectations gathered on the way."""

    def __init__(
        self,
        place: Place,
        seed: int,
        *,
        seen: bool,
        by: str = "M.K.",
        hours: float = 3.0,
        weather: Weather | None = None,
    ) -> None:
        self.place = place
        self.seed = seed
        self.by = by
        self.rng = np.random.default_rng(seed)
        cell = cell_at(place.food_id, place.pack, place.jar, place.altitude_m)
        self.source = cell.source
        self.food = cell.row.food
        drawn = some_kitchen(
            self.rng,
            sensor=place.sensor,
            altitude_m=place.altitude_m,
            pressure=place.pressure,
            quiet=place.quiet,
            minutes=float(cell.minutes),
        )
        self.kitchen: Kitchen = replace(
            drawn,
            weather=weather or drawn.weather,
            kettle=canner(
                place.volume_L,
                place.jar,
                place.jars,
                heater_W=place.heater_W,
                ring_s=place.ring_s,
                room_C=place.room_C,
            ),
            jar=place.jar,
            jars=place.jars,
            node=replace(drawn.node, has_chip=True),
        )
        self.story = Story(self.kitchen, self.rng, seen=seen, longest_s=int(hours * 3600))
        self.events: list[dict[str, Any]] = []

    @property
    def required_s(self) -> float:
        return self.kitchen.minutes * 60.0

    @property
    def now_s(self) -> float:
        return self.story.now_s

    def expect(self, kind: str, onset_s: float, tolerance_s: float) -> None:
        """An event that the verdict must bring, with its onset and how far off it may be dated."""
        self.events.append({"kind": kind, "onset_s": round(onset_s, 1), "tolerance_s": round(tolerance_s, 1)})

    def expect_boil(self, kind: str = "boil_reached") -> float:
        """Call when it boils: expects the event, and gives the time from which credit can run."""
        slack_s = 30.0 if self.place.sensor == "coarse" else 14.0
        start_s = self.now_s
        looked = [m.t_s for m in self.story.marks if m.kind == "rolling_boil_seen" and m.t_s >= start_s]
        credited_s = min(looked) if looked else start_s + slack_s
        self.expect(kind, 0.5 * (start_s + credited_s), 0.5 * (credited_s - start_s) + 2 * slack_s)
        return credited_s

    def expect_again(self, at_s: float) -> None:
        """Readings are to be believed again from ``at_s`` on, and it boils: expects that the time counts anew."""
        slack_s = 30.0 if self.place.sensor == "coarse" else 14.0
        self.expect("boil_back", at_s + 0.5 * slack_s, 2.5 * slack_s)

    def expect_complete(self, credited_s: float) -> None:
        """Expects that the tool says when to turn the heat off."""
        tolerance_s = 100.0 if self.place.sensor == "coarse" else 60.0
        self.expect("hold_complete", credited_s + self.required_s, tolerance_s)

    def record(
        self,
        name: str,
        shows: str,
        verdict: str,
        samples: list[Sample] | None = None,
        *,
        site: Site | None = None,
        more_truth: dict[str, Any] | None = None,
    ) -> Recorded:
        """The finished record."""
        place = self.place
        run = self.story.run(self._run_id(), self.story.observe() if samples is None else samples)
        zone = ZoneInfo(place.zone)
        started = datetime.fromisoformat(place.started).replace(tzinfo=zone)
        checked = started - timedelta(days=13)
        calibration = run.probe.calibration
        probe = replace(run.probe, calibration=calibration and replace(calibration, at=checked))
        marks = tuple(replace(mark, by=self.by) for mark in run.marks)
        stated = replace(
            run.site,
            name=f"{place.kitchen} (invented)",
            altitude_m=place.altitude_m,
            barometer_checked_at=checked if place.pressure == "barometer" else None,
        )
        site = site or stated
        if site.station_pressure_kPa is not None:
            site = replace(site, extra={"station_pressure_at": started.isoformat()})
        origin = ORIGIN.format(seed=self.seed)
        run = replace(
            run,
            started_at=started,
            zone=place.zone,
            site=site,
            batch=Batch(self.food, place.food_id, place.pack, place.jar, place.jars),
            required=Required(self.kitchen.minutes, self.source),
            probe=probe,
            marks=marks,
            extra={"origin": origin},
        )
        truth = self.story.kettle.truth()
        about = {
            "shows": shows,
            "origin": origin,
            "truth": {
                "boiling": [[stretch.start_s, stretch.end_s] for stretch in truth.stretches(FALTER_K)],
                "longest_s": truth.longest_s(FALTER_K),
                "jars_in_s": truth.jars_s,
                "heat_off_s": truth.heat_off_s,
                "boiling_point_C": round(float(np.median(truth.boil_C)), 3),
                **(more_truth or {}),
            },
            "expected": {"verdict": verdict, "events": self.events},
        }
        return Recorded(name, run, truth, about)

    def _run_id(self) -> str:
        return f"{self.place.started[:10]}-canner-1-a"

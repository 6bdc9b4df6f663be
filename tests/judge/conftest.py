"""Records built by hand, second by second: what the water did is known exactly, the scatter is seeded."""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from monitor.judge import Verdict
from monitor.judge.verdict import BOILING, UNKNOWN, Event
from monitor.record.model import Batch, Calibration, Mark, Probe, Required, Run, Sample, Site

STARTED = datetime(2026, 8, 14, 15, 0, tzinfo=UTC)
#: Saturation temperature at 101.325 kPa: 99.9743 °C (IAPWS R7-97(2012), region 4).
SEA_LEVEL_BOIL_C = 99.9743
#: What a true boil reads above it, deep in the pot (our estimate of half the depth effect).
PLUME_K = 0.15

CHECKED = Probe(
    kind="type K class 1",
    converter="linearised, 0.0078 K steps",
    calibration=Calibration(
        offset_K=0.0,
        expanded_uncertainty_K=0.2,
        ice_offset_K=0.0,
        boil_offset_K=0.0,
        at=STARTED - timedelta(days=13),
        method="ice and boiling points",
    ),
)
SEA_LEVEL = Site(
    name="invented",
    altitude_m=0.0,
    altitude_uncertainty_m=10.0,
    pressure_source="barometer",
    barometer_checked_at=STARTED - timedelta(days=13),
)


@dataclass
class Cook:
    """Builds a record. Temperatures are given in K from the boiling point, rates in K/min.

    The jars go in at 0 s unless told otherwise; ``jars_in_s=None`` leaves the mark out.
    """

    minutes: float = 5.0
    start_K: float = -12.0
    jars_in_s: float | None = 0.0
    seed: int = 2
    sigma_K: float = 0.03
    rho: float = 0.4
    step_K: float = 0.0078125
    every_s: float = 1.0
    boil_C: float = SEA_LEVEL_BOIL_C
    pressure_kPa: float | None = 101.325
    probe: Probe = CHECKED
    site: Site = SEA_LEVEL
    batch: Batch = field(default_factory=Batch)
    true_K: list[float] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.now_K = self.start_K
        if self.jars_in_s is not None:
            self.marks.append(Mark(self.jars_in_s, "jars_in"))

    @property
    def now_s(self) -> float:
        return len(self.true_K) * self.every_s

    def go(self, to_K: float, rate_K_per_min: float) -> Cook:
        """Straight to a temperature."""
        seconds = abs(to_K - self.now_K) / rate_K_per_min * 60.0
        steps = max(1, round(seconds / self.every_s))
        self.true_K += np.linspace(self.now_K, to_K, steps + 1)[1:].tolist()
        self.now_K = to_K
        return self

    def stay(self, seconds: float) -> Cook:
        """Keep the temperature."""
        self.true_K += [self.now_K] * round(seconds / self.every_s)
        return self

    def mark(self, kind: str, at_s: float | None = None) -> Cook:
        self.marks.append(Mark(self.now_s if at_s is None else at_s, kind))
        return self

    def come_up(self) -> Cook:
        """To the boil, at the rate of a small kettle."""
        return self.go(PLUME_K, 4.0)

    def seen(self, at_s: float | None = None) -> Cook:
        return self.mark("rolling_boil_seen", at_s)

    def samples(self) -> list[Sample]:
        rng = np.random.default_rng(self.seed)
        # The first draw comes first: a record cut short keeps the scatter of its beginning.
        samples, noise = [], rng.normal(0.0, self.sigma_K)
        white = rng.normal(0.0, self.sigma_K * math.sqrt(1.0 - self.rho**2), len(self.true_K))
        for n, true_K in enumerate(self.true_K):
            noise = self.rho * noise + white[n]
            reading = self.boil_C + true_K + noise
            if self.step_K:
                reading = round(reading / self.step_K) * self.step_K
            samples.append(
                Sample(
                    t_s=round(n * self.every_s, 3),
                    water_C=reading,
                    pressure_kPa=self.pressure_kPa if n % 10 == 0 else None,
                    chip_C=round(25.0 + 0.002 * n + 0.0625 * (n % 3), 4),
                    boot=7,
                    seq=n,
                )
            )
        return samples

    def run(self, samples: list[Sample] | None = None, **changes: object) -> Run:
        run = Run(
            run_id="built",
            started_at=STARTED,
            required=Required(self.minutes, "a time chosen for the test"),
            zone="UTC",
            site=self.site,
            batch=self.batch,
            probe=self.probe,
            marks=tuple(self.marks),
            samples=tuple(self.samples() if samples is None else samples),
        )
        return replace(run, **changes)  # type: ignore[arg-type]


@pytest.fixture
def cook() -> Callable[..., Cook]:
    """A fresh record builder: ``cook(minutes=5).come_up().stay(400).mark("heat_off").run()``."""
    return Cook


@pytest.fixture
def held_run(cook: Callable[..., Cook]) -> Callable[..., Run]:
    """A plain hold of 5 min with 90 s to spare, seen by eye, heat off, cooling."""

    def build(**settings: object) -> Run:
        story = cook(**settings).come_up()
        story.seen(story.now_s + 5.0).stay(story.minutes * 60.0 + 90.0).mark("heat_off")
        return story.go(-2.0, 1.0).run()

    return build


def _kinds(verdict: Verdict) -> list[str]:
    return [event.kind for event in verdict.events]


@pytest.fixture
def kinds() -> Callable[[Verdict], list[str]]:
    return _kinds


@pytest.fixture
def first() -> Callable[[Verdict, str], Event]:
    """The first event of a kind; the test fails where there is none."""

    def first_event(verdict: Verdict, kind: str) -> Event:
        found = [each for each in verdict.events if each.kind == kind]
        assert found, f"no {kind} among {_kinds(verdict)}"
        return found[0]

    return first_event


@pytest.fixture
def state_at() -> Callable[[Verdict, float], tuple[str, str]]:
    """(state, why) at a moment; a moment that no stretch covers is unknown."""

    def at(verdict: Verdict, t_s: float) -> tuple[str, str]:
        for stretch in verdict.stretches:
            if stretch.start_s <= t_s < stretch.end_s:
                return stretch.state, stretch.why
        return UNKNOWN, "outside the record"

    return at


@pytest.fixture
def boiling_s() -> Callable[[Verdict], list[tuple[float, float]]]:
    """The boiling stretches as (start, end)."""
    return lambda verdict: [(s.start_s, s.end_s) for s in verdict.stretches if s.state == BOILING]


@pytest.fixture(scope="session")
def second_opinion() -> ModuleType:
    """The independent judge that lies beside these tests."""
    path = Path(__file__).with_name("second_opinion.py")
    spec = importlib.util.spec_from_file_location("second_opinion", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module  # dataclasses look their module up there
    spec.loader.exec_module(module)
    return module


def _pieces(rng: np.random.Generator, rows: list[Sample], longest: int) -> Iterator[list[Sample]]:
    start = 0
    while start < len(rows):
        size = int(rng.integers(1, longest + 1))
        yield rows[start : start + size]
        start += size


@pytest.fixture
def pieces() -> Callable[[np.random.Generator, list[Sample], int], Iterator[list[Sample]]]:
    """Rows cut into pieces of 1 to ``longest``."""
    return _pieces

"""How fast a record is judged: side by side with pandas, sample by sample, and over a week.

By hand, about two minutes:

    python tests/benchmarks/judge_speed.py
    python tests/benchmarks/judge_speed.py --profile

1. A record of 26 h at 1 Hz with four channels (water, room, a jar, pressure): the whole process of
   ``boilwitness judge --json`` against the whole process of ``pandas.read_csv``, in turns, medians of the same
   run. Goal: at most twice.
2. One sample on the plateau, fed live: median and 99th percentile. Goal: median under 20 µs.
3. A week of samples through a live session: memory at the end of each day. Goal: flat.

Measured on two cores of a virtual machine, Python 3.11, pandas 3.1 (2026-11-28; the ratio varies least): 26 h
record 0.65 to 0.66 s against 0.33 to 0.37 s, ratio 1.8 to 2.0 by the clock and 1.5 by processor time; one sample on
the plateau 17 to 18 µs at the median through the live session; over a week 2.0 to 2.3 MB.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import resource
import subprocess
import sys
import tempfile
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path
from statistics import median, quantiles

import numpy as np

from monitor.judge import Session, judge
from monitor.judge.session import Session as LiveSession
from monitor.record.model import Mark, Run, Sample
from monitor.record.read import read_run
from monitor.record.write import write_run
from monitor.simulate.kitchen import some_kitchen
from monitor.simulate.story import Story

HOUR_S = 3600


def a_long_record(hours: float = 26.0, seed: int = 3) -> Run:
    """A plain hold, then a night and a day of cooling at the same rate of one sample a second."""
    rng = np.random.default_rng(seed)
    kitchen = some_kitchen(rng, sensor="fine", quiet=True, minutes=30.0)
    story = Story(kitchen, rng, seen=True)
    story.come_up()
    story.boil(30.0 * 60.0 + 120.0)
    story.end(cool_s=400.0)
    off_s = story.kettle.heat_off_s or story.now_s
    run = story.run("long", story.observe())
    first = run.samples
    rest_s = np.arange(int(first[-1].t_s) + 1, int(hours * HOUR_S))
    age_s = rest_s - off_s
    jar_C = 22.0 + 74.0 * np.exp(-age_s / 5400.0) + rng.normal(0.0, 0.05, len(rest_s))
    water_C = 22.0 + 76.0 * np.exp(-age_s / 9000.0) + rng.normal(0.0, 0.03, len(rest_s))
    room_C = 22.0 + 0.5 * np.sin(rest_s / 9000.0)
    kPa = first[0].pressure_kPa or 83.0
    rows = [
        sample._replace(room_C=22.0, pressure_kPa=kPa, jars={1: 90.0}, chip_C=None, uptime_s=None)
        for sample in first
    ]
    rows += [
        Sample(
            t_s=float(t),
            water_C=round(water, 4),
            room_C=round(room, 4),
            pressure_kPa=kPa,
            boot=first[-1].boot,
            seq=(first[-1].seq or 0) + 1 + place,
            jars={1: round(jar, 4)},
        )
        for place, (t, water, room, jar) in enumerate(
            zip(rest_s.tolist(), water_C.tolist(), room_C.tolist(), jar_C.tolist(), strict=True)
        )
    ]
    return replace(run, samples=tuple(rows), marks=(*run.marks, Mark(off_s + 330.0, "jars_lifted")))


def _seconds(command: list[str]) -> tuple[float, float]:
    """Wall-clock and processor time of a whole process. [s]"""
    begun, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, capture_output=True, check=False)
    if done.returncode not in (0, 10, 11):
        raise SystemExit(done.stderr.decode())
    now = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.perf_counter() - begun, now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime


def against_pandas(folder: Path, times: int) -> None:
    """Whole process against whole process, in turns."""
    judged = [sys.executable, "-m", "monitor", "judge", str(folder), "--json"]
    read = [sys.executable, "-c", f"import pandas; pandas.read_csv({str(folder / 'samples.csv')!r})"]
    ours, theirs = [], []
    for _ in range(times):
        theirs.append(_seconds(read))
        ours.append(_seconds(judged))
    rows = sum(1 for _ in (folder / "samples.csv").open()) - 1
    print(f"26 h record, {rows} rows, {times} times each (goal: ratio at most 2)")
    for place, what in enumerate(("wall clock", "processor")):
        a, b = [pair[place] for pair in ours], [pair[place] for pair in theirs]
        print(
            f"  {what}: judge {median(a):.2f} s ({min(a):.2f}-{max(a):.2f}), pandas.read_csv {median(b):.2f} s "
            f"({min(b):.2f}-{max(b):.2f}), ratio {median(a) / median(b):.2f}"
        )


def each_sample() -> None:
    """Time of one sample on the plateau, through the live session and in the engine alone."""
    rng = np.random.default_rng(5)
    kitchen = some_kitchen(rng, sensor="fine", minutes=60.0)
    story = Story(kitchen, rng, seen=True)
    story.come_up()
    boils_s = story.now_s
    story.boil(3600.0)
    run = story.run("plateau", story.observe())
    session = Session(replace(run, samples=()))
    taken = []
    for sample in run.samples:
        begun = time.perf_counter_ns()
        session.feed((sample,))
        if sample.t_s > boils_s + 300.0:
            taken.append((time.perf_counter_ns() - begun) / 1000.0)
    cuts = quantiles(taken, n=100)
    print(
        f"one sample on the plateau, live: median {median(taken):.1f} µs, mean {sum(taken) / len(taken):.1f} µs, "
        f"99 % {cuts[98]:.0f} µs (goal: median under 20 µs)"
    )
    begun = time.perf_counter()
    judge(run)
    print(
        f"judging that hour at once: {(time.perf_counter() - begun) / len(run.samples) * 1e6:.1f} µs a sample"
    )


def a_week() -> None:
    """Seven days of a boil that never ends: allocated memory at the end of each day."""
    rng = np.random.default_rng(6)
    kitchen = some_kitchen(rng, sensor="fine", minutes=60.0)
    story = Story(kitchen, rng, seen=True)
    story.come_up()
    story.boil(3600.0)
    run = story.run("week", story.observe())
    hold = [s for s in run.samples if s.t_s > run.samples[-1].t_s - 3000.0]
    session: LiveSession = Session(replace(run, samples=()))
    tracemalloc.start()
    session.feed(run.samples)
    t_s, seq, sizes = run.samples[-1].t_s, len(run.samples), []
    for _ in range(7):
        day_s = t_s + 24 * HOUR_S
        while t_s < day_s:
            piece = []
            for sample in hold:
                t_s, seq = t_s + 1.0, seq + 1
                piece.append(sample._replace(t_s=t_s, seq=seq, uptime_s=None))
            session.feed(piece)
        sizes.append(tracemalloc.get_traced_memory()[0] / 1e6)
    tracemalloc.stop()
    print("a week of boil, MB held after each day: " + ", ".join(f"{size:.2f}" for size in sizes))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=7, help="turns of the race against pandas")
    parser.add_argument(
        "--profile", action="store_true", help="show where judging the long record spends its time"
    )
    parser.add_argument("--skip-week", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as kept:
        folder = write_run(a_long_record(), Path(kept) / "long")
        if args.profile:
            profile = cProfile.Profile()
            profile.enable()
            judge(read_run(folder))
            profile.disable()
            pstats.Stats(profile).sort_stats("tottime").print_stats(18)
            return
        against_pandas(folder, args.times)
    each_sample()
    if not args.skip_week:
        a_week()


if __name__ == "__main__":
    main()

"""Check a proof, or an exported run folder, with nothing but Python's standard library.

    python3 independent_check.py proof.html
    python3 independent_check.py exported-run-folder

Nothing of the program that wrote the record is used. First the bytes: the SHA-256 on the last line, and that of
each file. Then the time, from the raw readings: the boiling point from the pressure by the published equation of
the saturation line (IAPWS-IF97, region 4), and for every stretch that is claimed as boiling that

  * the jars were in, the heat was on and the run marked so,
  * no two good readings are more than 30 s apart,
  * the mean reading of every 30 s, corrected, lies above the floor by the whole uncertainty,
  * the water was not still rising or already falling: both ends are level with the middle.

The longest such stretch is the proven time. Prints what it found; exit status 0 when it agrees, 1 when not.
"""

import base64
import csv
import gzip
import hashlib
import io
import json
import math
import pathlib
import re
import statistics
import sys
from itertools import pairwise

GAP_S = 30.0
#: Readings and dating are rounded; nothing below this is a disagreement.
SLACK_K = 0.05
SLACK_S = 0.25
LEVEL_K = 0.5


def read_proof(data):
    """Files and facts of a proof, after checking its last line and every file in it."""
    cut = data[:-1].rfind(b"\n") + 1
    stated = re.fullmatch(rb'<p id="sha256">.*<code>([0-9a-f]{64})</code>.*\n', data[cut:])
    check(stated is not None, "the last line states a SHA-256")
    found = hashlib.sha256(data[:cut]).hexdigest()
    check(found == stated[1].decode(), f"SHA-256 of everything above the last line: {found}")
    blocks = dict(
        re.findall(r'<script type="[^"]*" id="([^"]*)">\n(.*?)\n</script>', data.decode(), re.DOTALL)
    )
    facts = json.loads(blocks.pop("dossier"))
    files = {name: gzip.decompress(base64.b64decode(text)) for name, text in blocks.items()}
    return files, facts


def read_folder(folder):
    """Files and facts of an exported folder, after checking the seal's own last line."""
    data = (folder / "seal.json").read_bytes()
    above, _, last = data.removesuffix(b"\n}\n").rpartition(b"\n")
    found = hashlib.sha256(above + b"\n").hexdigest()
    check(last == f' "sha256": "{found}"'.encode(), f"SHA-256 of seal.json above its last lines: {found}")
    facts = json.loads(data)
    files = {path.name: path.read_bytes() for path in folder.iterdir() if path.name != "seal.json"}
    return files, facts


def check(good, text):
    print(("agrees    " if good else "DISAGREES ") + text)
    if not good:
        sys.exit(1)


def saturation_C(p_kPa):
    """Temperature at which water boils, IAPWS-IF97 equation 31. [°C]"""
    n = (
        1167.0521452767,
        -724213.16703206,
        -17.073846940092,
        12020.82470247,
        -3232555.0322333,
        14.91510861353,
        -4823.2657361591,
        405113.40542057,
        -0.23855557567849,
        650.17534844798,
    )
    beta = (p_kPa / 1000.0) ** 0.25
    e = beta * beta + n[2] * beta + n[5]
    f = n[0] * beta * beta + n[3] * beta + n[6]
    g = n[1] * beta * beta + n[4] * beta + n[7]
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    return 0.5 * (n[9] + d - math.sqrt((n[9] + d) ** 2 - 4.0 * (n[8] + n[9] * d))) - 273.15


def boiling_C(header, rows, start_s, end_s):
    """From the node's barometer in the hold, else the typed pressure, else the altitude on a warm day."""
    inside = [(t, float(row["pressure_kPa"])) for t, row in rows if row.get("pressure_kPa")]
    hold = [p for t, p in inside if start_s <= t <= end_s] or [p for _, p in inside]
    site = header.get("site") or {}
    if hold and site.get("pressure_source") in ("barometer", None):
        return saturation_C(statistics.median(hold))
    if site.get("station_pressure_kPa"):
        return saturation_C(site["station_pressure_kPa"])
    altitude_m = site["altitude_m"]
    # ICAO standard atmosphere, and 0.27 K per 1650 m for the warm season.
    p_kPa = 101.325 * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588
    return saturation_C(p_kPa) + 0.27 * max(altitude_m, 0.0) / 1650.0


def window(header):
    """When credit can run: from the last jars_in to the first heat_off or jars_lifted after it."""
    marks = [(m["t_s"], m["kind"]) for m in header.get("marks") or []]
    jars_in = max((t for t, kind in marks if kind == "jars_in"), default=None)
    if jars_in is None:
        return None
    ends = [t for t, kind in marks if kind in ("heat_off", "jars_lifted") and t >= jars_in]
    return jars_in, min(ends, default=math.inf)


def readings(rows, offset_K):
    """(time, corrected reading) of every good row, in time order; one sample told twice counts once."""
    good = {}
    for t, row in rows:
        if row.get("water_C") and not row.get("water_fault"):
            good[t] = float(row["water_C"]) + offset_K
    return sorted(good.items())


def means(points, start_s, end_s):
    """The mean of every 30 s of a stretch; of the whole where it is shorter."""
    width = min(30.0, end_s - start_s)
    inside = [(t, value) for t, value in points if start_s - 1e-6 <= t <= end_s + 1e-6]
    found, low, total = [], 0, 0.0
    for high, (t, value) in enumerate(inside):
        total += value
        while inside[low][0] < t - width:
            total -= inside[low][1]
            low += 1
        if t - start_s >= width - 2.0:
            found.append(total / (high - low + 1))
    return found


def check_stretch(points, start_s, end_s, least_C):
    times = [start_s, *(t for t, _ in points if start_s < t < end_s), end_s]
    longest = max(b - a for a, b in pairwise(times))
    name = f"boiling {start_s:.1f} to {end_s:.1f} s"
    check(longest <= GAP_S + SLACK_S, f"{name}: longest silence {longest:.1f} s")
    level = means(points, start_s, end_s)
    if not level:
        check(end_s - start_s < 60.0, f"{name}: too short to average")
        return
    check(
        min(level) >= least_C - SLACK_K, f"{name}: lowest 30 s mean {min(level):.2f}, needed {least_C:.2f} °C"
    )
    middle = statistics.median(level)
    ends = (level[0], level[-1])
    check(max(abs(end - middle) for end in ends) <= LEVEL_K, f"{name}: both ends level with the middle")


def main(path):
    path = pathlib.Path(path)
    files, facts = read_folder(path) if path.is_dir() else read_proof(path.read_bytes())
    for name, stated in facts["files"].items():
        found = hashlib.sha256(files[name]).hexdigest()
        check(found == stated["sha256"], f"{name}: SHA-256 {found}")
    verdict = facts["verdict"]
    header = json.loads(files["run.json"])
    table = csv.DictReader(io.StringIO(files["samples.csv"].decode("utf-8-sig")))
    rows = [(float(row["t_s"]), row) for row in table]
    offset_K = ((header.get("probe") or {}).get("calibration") or {}).get("offset_K", 0.0)
    points = readings(rows, offset_K)

    required_s = header["required"]["minutes"] * 60.0
    check(verdict["required_s"] == required_s, f"required {required_s:.0f} s")
    span = window(header)
    boiling, longest_s, possible_s, run_s, reached_s = [], 0.0, 0.0, 0.0, None
    for stretch in verdict["stretches"] if span else []:
        start_s, end_s = max(stretch["start_s"], span[0]), min(stretch["end_s"], span[1])
        if end_s <= start_s:
            continue
        if stretch["state"] == "boiling":
            joined = bool(boiling) and abs(boiling[-1][1] - start_s) < 1e-6
            boiling[-1:] = [(boiling[-1][0], end_s)] if joined else [*boiling[-1:], (start_s, end_s)]
        run_s = (
            0.0
            if stretch["state"] == "not_boiling"
            else end_s - start_s + (run_s if reached_s == start_s else 0.0)
        )
        possible_s, reached_s = max(possible_s, run_s), end_s
    longest_s = max((end - start for start, end in boiling), default=0.0)
    check(
        abs(verdict["proven_s"] - longest_s) <= SLACK_S,
        f"proven {verdict['proven_s']} s: the longest boiling stretch",
    )
    if span:
        check(abs(verdict["possible_s"] - possible_s) <= 1.0, f"possible {verdict['possible_s']} s")

    if boiling:
        start_s, end_s = max(boiling, key=lambda stretch: stretch[1] - stretch[0])
        boil_C = boiling_C(header, rows, start_s, end_s)
        stated_C = verdict["boiling_point_C"]
        check(abs(boil_C - stated_C) <= SLACK_K, f"water boils at {boil_C:.2f} °C there; stated {stated_C}")
        spread = [row["standard_K"] for row in verdict["budget"]["rows"]]
        whole = 2.0 * math.sqrt(sum(u * u for u in spread))
        stated_K = verdict["expanded_uncertainty_K"]
        check(abs(whole - stated_K) <= 0.02, f"expanded uncertainty {whole:.2f} K from the budget's terms")
        check(stated_C - 1.0 - 0.011 <= verdict["floor_C"] <= stated_C, f"floor {verdict['floor_C']} °C")
        for stretch in boiling:
            check_stretch(points, *stretch, verdict["floor_C"] + stated_K)

    word = verdict["verdict"]
    fits = {
        "held": longest_s >= required_s,
        "broken": possible_s < required_s,
        "unproven": longest_s < required_s <= possible_s + 1.0 or bool(verdict["reasons"]),
    }
    check(fits.get(word, False), f"{word}: {longest_s:.1f} s proven of {required_s:.0f} s required")


if __name__ == "__main__":
    main(sys.argv[1])

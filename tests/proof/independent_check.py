"""Check a proof, or an exported run folder, with nothing but Python's standard library.

    python3 independent_check.py proof.html
    python3 independent_check.py exported-run-folder

Nothing of the program that wrote the record is used, and nothing it says about boiling is believed. First the
bytes: the SHA-256 on the last line, and that of each file. Then the time, from the raw readings:

  * the boiling point from the pressure, by the published equation of the saturation line (IAPWS-IF97, region 4);
  * the floor: 1.0 K below it where a person marked the rolling boil, 0.6 K where nobody did;
  * the uncertainty from the terms of the budget, which the record gives;
  * reading by reading: the jars are in and the heat is on, the last good reading is at most 30 s ago, and the mean
    of the 30 s around it, corrected, is level with the rest, which is above the floor by the whole uncertainty.

What passes is joined to stretches of this script's own. They begin a little early and end a little late, because
a rise or a fall of some seconds does not show in such means: the longest is the most that the readings support.
Every boil that the record claims must lie within one of them, and the proven time must be the longest claimed.
A claim of less than 30 s is not tested: no mean of 30 s can.
Prints what it found; exit status 0 when all agrees, 1 at the first disagreement.
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

GAP_S = 30.0
MEAN_S = 30.0
#: More than this from one reading to the next is the probe's doing and not the water's.
JUMP_K = 3.0
STILL_S = 300.0
#: So far a 30 s mean may dip while the water still boils: agitation, and the steps of a coarse probe.
WAVE_K = 0.15
#: How far a 30 s mean may lie from the middle of its stretch: a boil agitates, a fall goes on.
LEVEL_K = 0.3
#: Figures are rounded and pressure wanders; nothing below this is a disagreement.
SLACK_K = 0.05
SLACK_S = 2.5


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


def window(marks):
    """When credit can run: from the last jars_in to the first heat_off or jars_lifted after it."""
    jars_in = max((t for t, kind in marks if kind == "jars_in"), default=None)
    if jars_in is None:
        return None
    ends = [t for t, kind in marks if kind in ("heat_off", "jars_lifted") and t >= jars_in]
    return jars_in, min(ends, default=math.inf)


def readings(rows, offset_K):
    """(time, corrected reading) of every good row, in time order.

    A sample told twice with two values is none. What has stood still longer than a living probe does is left out,
    unless the converter's own temperature moves beside it.
    """
    good, seen = {}, {}
    for t, row in rows:
        text = row.get("water_C", "") if not row.get("water_fault") else ""
        number = (row["boot"], row["seq"]) if row.get("boot") and row.get("seq") else (t,)
        if seen.setdefault(number, text) != text:
            good.pop(t, None)
        elif text:
            good[t] = (text, row.get("chip_C", ""))
    found, before, moved_s = [], None, 0.0
    for t in sorted(good):
        moved_s = t if good[t] != before else moved_s
        before = good[t]
        if t - moved_s <= STILL_S:
            found.append((t, float(good[t][0]) + offset_K))
    return found


def unbroken(points):
    """Points cut at every silence and at every jump that water cannot make; one wild reading alone is left out."""
    found = []
    for place, (t, value) in enumerate(points):
        beside = [points[k][1] for k in (place - 1, place + 1) if 0 <= k < len(points)]
        if min(abs(value - other) for other in beside or [value]) > JUMP_K:
            continue
        if found and t - found[-1][-1][0] <= GAP_S + 0.5 and abs(value - found[-1][-1][1]) <= JUMP_K:
            found[-1].append((t, value))
        else:
            found.append([(t, value)])
    return found


def means(points):
    """The mean of the 30 s around each point."""
    found, first, last, total = [], 0, 0, 0.0
    for t, _ in points:
        while last < len(points) and points[last][0] <= t + MEAN_S / 2:
            total += points[last][1]
            last += 1
        while points[first][0] < t - MEAN_S / 2:
            total -= points[first][1]
            first += 1
        found.append(total / (last - first))
    return found


def spans_where(level, low_C, high_C):
    """(first, last) places between which every mean lies between the two."""
    found, first = [], None
    for place, mean_C in enumerate([*level, math.inf]):
        if low_C <= mean_C <= high_C:
            first = place if first is None else first
        elif first is not None:
            found.append((first, place - 1))
            first = None
    return found


def own_stretches(points, marks, boil_C, expanded_K):
    """(start, end) of every time that the readings support as a boil."""
    found = []
    for piece in unbroken(points):
        level = means(piece)
        for allowance_K in (1.0, 0.6):
            least_C = boil_C - allowance_K + expanded_K
            for a, b in spans_where(level, least_C - WAVE_K, boil_C + 3.0):
                begin_s, end_s = piece[a][0], piece[b][0]
                seen = [t for t, kind in marks if kind == "rolling_boil_seen" and begin_s <= t <= end_s]
                if allowance_K > 0.6 and not seen:
                    continue
                middle_C = statistics.median(level[a : b + 1])
                flat = spans_where(level[a : b + 1], middle_C - LEVEL_K, middle_C + LEVEL_K)
                for c, d in flat:
                    if statistics.median(level[a + c : a + d + 1]) < least_C - SLACK_K:
                        continue
                    start_s, end_s = piece[a + c][0], piece[a + d][0]
                    # The eye may shorten a hold: it starts at the first sight of the boil.
                    found.append((min((t for t in seen if start_s <= t <= end_s), default=start_s), end_s))
    return found


def claimed_stretches(verdict, span):
    """(start, end) of every boil that the record claims while the jars were in, neighbours joined."""
    found = []
    for stretch in verdict["stretches"] if span else []:
        start_s, end_s = max(stretch["start_s"], span[0]), min(stretch["end_s"], span[1])
        if stretch["state"] != "boiling" or end_s <= start_s:
            continue
        if found and abs(found[-1][1] - start_s) < 1e-6:
            found[-1] = (found[-1][0], end_s)
        else:
            found.append((start_s, end_s))
    return found


def check_time(header, rows, verdict):
    """The verdict against the readings: ``rows`` are (t_s, row of the table)."""
    marks = sorted((mark["t_s"], mark["kind"]) for mark in header.get("marks") or [])
    span = window(marks)
    required_s = header["required"]["minutes"] * 60.0
    check(verdict["required_s"] == required_s, f"required {required_s:.0f} s")

    claimed = claimed_stretches(verdict, span)
    longest_s = max((end - start for start, end in claimed), default=0.0)
    proven_s = verdict["proven_s"]
    check(abs(proven_s - longest_s) <= 0.25, f"proven {proven_s} s: the longest boil claimed")

    most_s = 0.0
    if span and verdict["boiling_point_C"] is not None and verdict["expanded_uncertainty_K"] is not None:
        hold = max(claimed, key=lambda pair: pair[1] - pair[0], default=span)
        boil_C = boiling_C(header, rows, *hold)
        stated_C = verdict["boiling_point_C"]
        check(abs(boil_C - stated_C) <= SLACK_K, f"water boils at {boil_C:.2f} °C there; stated {stated_C}")
        terms = [row["standard_K"] for row in verdict["budget"]["rows"]]
        # A known error that nothing corrects is no part of the squares.
        whole = [row for row in verdict["budget"]["rows"] if row.get("distribution") == "added whole"]
        expanded_K = 2.0 * math.sqrt(sum(u * u for u in terms)) + sum(float(row["value"]) for row in whole)
        stated_K = verdict["expanded_uncertainty_K"]
        check(
            abs(expanded_K - stated_K) <= 0.02,
            f"expanded uncertainty {expanded_K:.2f} K from the budget's terms",
        )
        probe_check = (header.get("probe") or {}).get("calibration") or {}
        if probe_check:
            alone_K = 2.0 * probe_check["expanded_uncertainty_K"] / probe_check.get("coverage_factor", 2)
            check(expanded_K >= alone_K - 0.01, f"no less than {alone_K:.2f} K, the probe's check alone")
        offset_K = probe_check.get("offset_K", 0.0)
        inside = [(t, row) for t, row in rows if span[0] - 60.0 <= t <= span[1] + 60.0]
        own = own_stretches(readings(inside, offset_K), marks, boil_C, expanded_K)
        own = [(max(a, span[0]), min(b, span[1])) for a, b in own]
        most_s = max((b - a for a, b in own), default=0.0)
        print(f"own count {most_s:.1f} s at most, reading by reading, of {required_s:.0f} s required")
        for start_s, end_s in [(a, b) for a, b in claimed if b - a >= MEAN_S]:
            fits = any(a - SLACK_S <= start_s and end_s <= b + SLACK_S for a, b in own)
            check(fits, f"boiling {start_s:.1f} to {end_s:.1f} s: the readings support it")
    if proven_s >= MEAN_S:
        check(
            proven_s <= most_s + 2 * SLACK_S,
            f"proven {proven_s} s, no more than this script's own {most_s:.1f} s",
        )
    if most_s >= required_s > proven_s:
        print("note      the record is more careful than this script; its reasons are among its stretches")
    word = verdict["verdict"]
    fits = {
        "held": proven_s >= required_s,
        "broken": verdict["possible_s"] < required_s,
        "unproven": required_s <= verdict["possible_s"] + 1.0
        and (proven_s < required_s or bool(verdict["reasons"])),
    }
    check(fits.get(word, False), f"{word}: {proven_s} s proven of {required_s:.0f} s required")


def main(path):
    path = pathlib.Path(path)
    files, facts = read_folder(path) if path.is_dir() else read_proof(path.read_bytes())
    for name, stated in facts["files"].items():
        found = hashlib.sha256(files[name]).hexdigest()
        check(found == stated["sha256"], f"{name}: SHA-256 {found}")
    table = csv.DictReader(io.StringIO(files["samples.csv"].decode("utf-8-sig")))
    rows = [(float(row["t_s"]), row) for row in table]
    check_time(json.loads(files["run.json"]), rows, facts["verdict"])


if __name__ == "__main__":
    main(sys.argv[1])

"""The sentences of a proof: what the record proves, and what the page does not say."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.judge.words import asked, exact

#: Word, what it means, and the shape that goes with it.
VERDICTS = {
    "held": ("HELD", "tick"),
    "broken": ("BROKEN", "cross"),
    "unproven": ("UNPROVEN", "diamond"),
}

NOT_SAID = (
    "This page does not say that the food is fit to eat or to sell. It speaks of the water at one probe and of what "
    "people entered; it did not see the recipe, the acid, the filling or the food.",
    "The limits below the boiling point at which minutes count (1.0 K where a person saw the rolling boil, 0.6 K where "
    "nobody did) are this project's own engineering choices. Published guidance names no such temperature.",
    "No part of a time, average or heat sum is credited: the whole time without a break, or nothing. Local codes and "
    "licensed practice come first.",
)

#: How a reader with a browser and Python checks the page; markup of our own.
HOW = (
    "<p>Save this page as <code>proof.html</code>, these lines beside it as <code>check.py</code>, and run "
    "<code>python3 check.py</code> (3.8 or later, nothing to install). It prints the SHA-256 of all that is above the "
    "last line, to be compared with that line; writes the record as <code>run.json</code> and "
    "<code>samples.csv</code>; and counts, from the readings alone, the longest time for which their corrected 30 s "
    "mean stood above the lowest floor that counted by the whole uncertainty, jars in, heat on. The proven time "
    "cannot be more than 3 s "
    "longer; it may be shorter, for a boil begins where the rise has ended. The handbook prints a stricter program; "
    "<code>boilwitness verify</code> judges the readings anew and draws this page again, byte for byte. A hash shows "
    "change, not authorship: for that, a signature, or the last line kept elsewhere.</p>"
)

#: The lines themselves, short enough to be typed from paper.
CHECK = """\
import base64, csv, gzip, hashlib, json, re
page = open("proof.html", "rb").read()
above = page[:page[:-1].rfind(b"\\n") + 1]
print("SHA-256", hashlib.sha256(above).hexdigest())
def inside(name):
    form = f'id="{name}">(.*?)</script'
    return re.search(form, page.decode(), re.S)[1]
for name in "run.json", "samples.csv":
    packed = base64.b64decode(inside(name))
    open(name, "wb").write(gzip.decompress(packed))
run = json.load(open("run.json", encoding="utf-8"))
verdict = json.loads(inside("dossier"))["verdict"]
floor, U = verdict["floor_C"], verdict["expanded_uncertainty_K"]
if floor and verdict["seen_by_eye"]:
    floor = min(floor, verdict["boiling_point_C"] - 1)
marks = [(m["t_s"], m["kind"]) for m in run.get("marks") or []]
start = max([t for t, k in marks if k == "jars_in"] or [1e9])
out = "heat_off", "jars_lifted"
end = min([t for t, k in marks if k in out and t > start] or [1e9])
check = (run.get("probe") or {}).get("calibration") or {}
points, longest, began, last = [], 0, 0, -99
for row in csv.DictReader(open("samples.csv", encoding="utf-8")):
    if row["water_C"] and start <= float(row["t_s"]) <= end:
        C = float(row["water_C"]) + check.get("offset_K", 0)
        points.append((float(row["t_s"]), C))
for t, _ in sorted(points):
    near = [C for other, C in points if abs(other - t) <= 15]
    if not floor or sum(near) / len(near) < floor + U - 0.05 \\
            or t - last > 31:
        began = t
    longest, last = max(longest, t - began), t
print("longest", round(longest, 1), "s; proven", verdict["proven_s"], "s")
"""


def headline(verdict: Mapping[str, Any]) -> str:
    """The one large sentence."""
    word = verdict.get("verdict")
    required, proven = float(verdict["required_s"]), float(verdict["proven_s"])
    possible = float(verdict["possible_s"])
    if word == "held":
        return f"The record proves a full boil of {exact(proven)} without a break; {asked(required)} were required."
    if word == "broken":
        return (
            f"A full boil of {asked(required)} was not held: the record allows {exact(possible, up=True)} at most, and "
            f"proves {exact(proven)}."
        )
    if proven >= required:
        return (
            f"The water boiled for {exact(proven)} without a break and {asked(required)} were required, but this does "
            "not count as proof for the batch, for the reasons given."
        )
    return (
        f"The record neither proves nor rules out a full boil of {asked(required)}: {exact(proven)} are proven, "
        f"{exact(possible, up=True)} are possible."
    )


def eye(verdict: Mapping[str, Any]) -> str:
    """Whether a person saw the boil."""
    return "a person marked having seen it" if verdict.get("seen_by_eye") else "nobody marked having seen it"

"""The recorded verdict against one computed again from the raw samples."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.proof.canon import rules_stamp
from monitor.proof.report import Report

#: Another machine's last digit may round the other way at these steps; the hashes guard the bytes.
_STEP = {"s": 0.1001, "C": 0.0101, "K": 0.0101}

#: A later engine may date a start or an end a little otherwise. Beyond this it is another answer. [s]
NEWER_RULES_S = 30.0


def compare_verdicts(
    recorded: Mapping[str, Any], again: Mapping[str, Any], engine: Mapping[str, Any], report: Report
) -> None:
    """Report each difference. ``engine`` is what the recorded verdict says it was decided by.

    Under the same rules every value must be the same. Under other rules (an upgrade) the word must be, and the
    proven time within 30 s; what else differs is told and does not count.
    """
    found = list(_differences(recorded, again, ""))
    same_rules = engine.get("rules_sha256") == rules_stamp()
    word, now = recorded.get("verdict"), again.get("verdict")
    if word != now:
        report.problem(f"the verdict is recorded as {word}; computed again from the samples it is {now}")
    if same_rules:
        for line in found:
            report.problem(f"the recorded verdict differs from the one computed again: {line}")
        if not found:
            report.remark(f"verdict computed again from the samples: {_told(again)}; every value as recorded")
        return
    report.remark(
        f"the verdict was decided by rules {str(engine.get('rules_sha256'))[:12]} of version "
        f"{engine.get('version')}; here are others ({rules_stamp()[:12]})"
    )
    if not _near(recorded.get("proven_s"), again.get("proven_s")):
        report.problem(
            f"proven_s is recorded as {recorded.get('proven_s')}, computed {again.get('proven_s')}"
        )
    if recorded.get("required_s") != again.get("required_s"):
        report.problem(
            f"required_s is recorded as {recorded.get('required_s')}, not {again.get('required_s')}"
        )
    report.remark(f"verdict computed again from the samples: {_told(again)}; {len(found)} values differ")


def _told(verdict: Mapping[str, Any]) -> str:
    return f"{verdict.get('verdict')}, {verdict.get('proven_s')} s proven of {verdict.get('required_s')} s"


def _near(recorded: Any, again: Any) -> bool:
    try:
        return abs(float(recorded) - float(again)) <= NEWER_RULES_S
    except (TypeError, ValueError):
        return False


def _differences(old: Any, new: Any, path: str) -> list[str]:
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        found = []
        for key in dict.fromkeys([*old, *new]):
            if key not in old or key not in new:
                found.append(f"{path}{key} is {'not recorded' if key not in old else 'recorded only'}")
            else:
                found += _differences(old[key], new[key], f"{path}{key}.")
        return found
    if isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            return [f"{path[:-1]} has {len(old)} items, computed {len(new)}"]
        return [
            line
            for number, pair in enumerate(zip(old, new, strict=True))
            for line in _differences(*pair, f"{path}{number}.")
        ]
    if _same(old, new, path):
        return []
    return [f"{path[:-1]} is {old!r}, computed {new!r}"]


def _same(old: Any, new: Any, path: str) -> bool:
    if isinstance(old, bool) or isinstance(new, bool):
        return old is new
    if isinstance(old, int | float) and isinstance(new, int | float):
        unit = path[:-1].rpartition("_")[2]
        return abs(old - new) <= max(_STEP.get(unit, 0.0), 1e-9 * abs(old))
    return bool(old == new)

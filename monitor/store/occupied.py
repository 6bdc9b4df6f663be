"""What a new run would take away from one that is on: its canner, its node, its probe.

A canner holds one load, so a new run there ends the one before (``store/runs.py``). That must never happen without
a word, and not at all while jars are in: whoever starts a run asks here first, and ``store/starting.py`` asks again as
it writes the start down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.errors import RefusedError
from monitor.record.model import jars_held
from monitor.store.runs import House, RunFacts

#: Headers say their start in whole seconds. [s]
SAME_S = 1.0


@dataclass(frozen=True, slots=True)
class StartClashes:
    """``holding``: the run whose jars are in, which the start would end or leave without readings, and why.

    ``ends`` is the run that the start ends; without harm where it is not ``holding``: it has not begun, or is over.
    ``notes`` are to be shown.
    """

    holding: str = ""
    why: str = ""
    ends: str = ""
    notes: tuple[str, ...] = ()


def start_clashes(
    house: House | None,
    canner: str | None,
    nodes: Sequence[str] = (),
    probe_id: str | None = None,
    *,
    starts_s: float | None = None,
) -> StartClashes:
    """What a run on ``canner`` with these nodes and this probe would take from the runs that are on.

    ``starts_s`` is when it starts (house time; None: now). A run that began after that is not ended by it.
    """
    if house is None or canner is None:
        return StartClashes()
    notes = _probe_notes(house, canner, probe_id)
    held: list[tuple[str, str]] = []
    before = _on(house, canner)
    if before is not None and starts_s is not None and before.started_s > starts_s + SAME_S:
        before = None
    if before is not None and jars_held(before.marks):
        why = f"run {before.run_id} is on at {canner} with its jars in, and a new run there ends it"
        held.append((before.run_id, why))
    for node in nodes:
        leaves = run_left_alone(house, node, canner)
        if leaves is None:
            continue
        what = f"node {node} watches {leaves.canner}, where run {leaves.run_id} is on"
        if jars_held(leaves.marks):
            why = f"{what} with its jars in; without the node it has no readings"
            held.append((leaves.run_id, why))
        else:
            notes.append(f"N{what[1:]}; from now on that run has no readings.")
    return StartClashes(
        holding=held[0][0] if held else "",
        why="; and ".join(why for _, why in held),
        ends=before.run_id if before else "",
        notes=tuple(notes),
    )


def check_again(house: House, canner: str | None, parent: str) -> bool:
    """Whether a run that reprocesses jars of ``parent`` ends ``parent``, which is still on, on ``canner``.

    Raises ``RefusedError`` where it would end another run.
    """
    on = [facts.run_id for facts in house.open_runs() if canner and facts.canner == canner]
    for run_id in on:
        if run_id != parent:
            raise RefusedError(
                f"run {run_id} is on {canner}, and this one would end it.",
                f"When it is over, end it first: 'boilwitness runs end {run_id}', or on the page Now.",
            )
    return bool(on)


def _on(house: House, canner: str) -> RunFacts | None:
    return next((facts for facts in house.open_runs() if facts.canner == canner), None)


def run_left_alone(house: House, node: str, canner: str | None) -> RunFacts | None:
    """The run on another canner that only ``node`` watches, were it to serve ``canner`` from now on."""
    serves = house.canner_of(node)
    if serves is None or serves == canner or house.nodes_at(serves) != [node]:
        return None
    return _on(house, serves)


def _probe_notes(house: House, canner: str, probe_id: str | None) -> list[str]:
    """The same probe, named for a run that is on at another canner."""
    if not probe_id:
        return []
    return [
        f"Probe {probe_id} is named for run {facts.run_id} on {facts.canner} too, and that is on: a probe can be in "
        "one canner only. Check which one it is in."
        for facts in house.open_runs()
        if facts.canner != canner and _probe_of(facts) == probe_id
    ]


def _probe_of(facts: RunFacts) -> str | None:
    probe = facts.header.get("probe")
    return probe.get("probe_id") if isinstance(probe, dict) else None

"""Before the heat goes on: what, where, with which probe, with whom; then start."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import (
    access,
    batch_form,
    data,
    draft,
    food_form,
    kitchen_data,
    kitchen_form,
    kitchen_model,
    look,
    plan_model,
    probe_form,
    settings,
    sound_test,
)
from dashboard.kitchen_form import Place
from dashboard.units import told
from monitor.errors import RefusedError, StoreError
from monitor.plan.header import free_run_id, header_of, start_entries
from monitor.plan.model import Plan
from monitor.plan.pressure import BAROMETER
from monitor.plan.setup import what_it_proves
from monitor.plan.start import StartFacts, decide_start
from monitor.store.database import free_bytes
from monitor.store.occupied import StartClashes, start_clashes
from monitor.store.reader import house_in
from monitor.store.starting import start_run

_ON_SCREEN = "start_takes"


def main() -> None:
    st.title("Before the heat goes on", anchor=False)
    if not access.ask("plan"):
        return
    look.page("<h2>1. The kitchen</h2>")
    place = kitchen_form.draw()
    look.page("<h2>2. The food</h2>")
    plan = food_form.draw(place)
    facts = _probe(_of_place(place, plan), place)
    if plan is not None:
        _batch(facts, plan, place)


def _of_place(place: Place, plan: Plan | None) -> StartFacts:
    return StartFacts(
        plan=plan,
        site=kitchen_model.site(place.kitchen, place.pressure),
        site_doubt=place.doubt,
        zone=place.kitchen.zone or None,
        canner=place.canner,
        node=place.node.node if place.node else None,
        reading_C=place.node.water_C if place.node else None,
        reading_age_s=place.node.age_s if place.node else None,
        heard_kPa=place.pressure.pressure_kPa
        if place.pressure and place.pressure.kind == BAROMETER
        else None,
    )


def _probe(facts: StartFacts, place: Place) -> StartFacts:
    look.page("<h2>3. The probe</h2>")
    item = probe_form.choose()
    if item is None:
        return facts
    facts = replace(facts, probe=item.registration, calibration=item.calibration, probe_blocked=item.blocked)
    facts = replace(facts, probe_said=item.said)
    if facts.plan is not None:
        header = header_of(facts, "plan", datetime.now(UTC))
        probe_form.show_set_up(what_it_proves(header, facts.heard_kPa))
    probe_form.describe(item)
    if st.button("Check this probe, or see its drift", key="to_probe"):
        kitchen_form.remember(place.kitchen)
        st.switch_page("views/probe.py")
    return facts


def _batch(facts: StartFacts, plan: Plan, place: Place) -> None:
    look.page("<h2>4. The batch</h2>")
    form = batch_form.draw(plan, facts.zone)
    whole = replace(
        facts, free_bytes=free_bytes(settings.current().data_dir), lots_taken=kitchen_data.known().lots_taken
    )
    _decide(plan_model.with_batch(whole, form), bool(form["all_ticked"]), plan, place)


def _decide(facts: StartFacts, all_ticked: bool, plan: Plan, place: Place) -> None:
    decision = decide_start(facts)
    clashes = _clashes(facts)
    may_take_over = _may_take_over(clashes, facts.canner)
    seen = _on_screen(clashes)
    if decision.may_start and not may_take_over:
        # Nothing else is in the way, and it is not ready all the same.
        return
    notes = "".join(
        f'<p class="bw-caution">{look.esc(told(text))}</p>'
        for text in (*decision.deviations, *decision.cautions)
    )
    missing = "".join(f"<li>{look.esc(told(item.text))}</li>" for item in decision.missing)
    if decision.may_start and not all_ticked:
        look.page(
            f"{notes}<p class='bw-lead'>Tick what has been done; what was not done stays open in the record.</p>"
        )
    else:
        look.page(f'{notes}<p class="bw-lead">{look.esc(told(decision.sentence))}</p><ul>{missing}</ul>')
    if not may_take_over:
        return
    if (decision.may_start and st.button("Start the run", type="primary", key="start")) or (
        decision.record_anyway and st.button("Record anyway, at most unproven", key="start_anyway")
    ):
        _start(facts, plan, place, seen)


def _clashes(facts: StartFacts) -> StartClashes:
    """What the start would take from runs that are on."""
    probe_id = None if facts.probe is None else facts.probe.probe_id
    house = house_in(settings.current().data_dir)
    return start_clashes(house, facts.canner, _nodes(facts), probe_id)


def _on_screen(now: StartClashes) -> StartClashes:
    """As it stood when a button was clicked: the click draws the page anew, and nobody has read that yet."""
    seen = st.session_state.get(_ON_SCREEN)
    st.session_state[_ON_SCREEN] = now
    return seen if isinstance(seen, StartClashes) else now


def _nodes(facts: StartFacts) -> list[str]:
    return [facts.node] if facts.node else []


def _may_take_over(clashes: StartClashes, canner: str | None) -> bool:
    """Say what the start would take from runs that are on; whether it may."""
    said = [*clashes.notes]
    if clashes.holding:
        said.append(f"Not yet: {clashes.why}. Mark its heat off or its end first, on the page Now.")
    elif clashes.ends:
        said.append(f"Run {clashes.ends} on {canner} is ended by this one.")
    look.page("".join(f'<p class="bw-caution">{look.esc(text)}</p>' for text in said))
    if not clashes.holding:
        return True
    return st.checkbox(
        f"Start all the same, at the cost of run {look.plain(clashes.holding)}", key="take_over"
    )


def _start(facts: StartFacts, plan: Plan, place: Place, seen: StartClashes) -> None:
    kitchen_form.remember(place.kitchen)
    folder, canner = settings.current().data_dir, str(facts.canner)
    now = datetime.now(UTC).astimezone(ZoneInfo(facts.zone or "UTC"))
    try:
        taken = [row.run_id for row in data.runs(folder)]
    except StoreError:
        # The first run of a new store.
        taken = []
    run_id = free_run_id(now.isoformat(), canner, taken)
    entries = list(start_entries(facts, run_id, now, batch_form.done_steps(plan)))
    if next((item.canner for item in data.nodes_now() if item.name == facts.node), None) != canner:
        entries.insert(0, ("node_assigned", {"node": facts.node, "canner": canner}))
    try:
        start_run(folder, run_id, entries, canner=canner, nodes=_nodes(facts), seen=seen, by=data.speaker())
    except RefusedError as refused:
        data.forget()
        look.page(look.refused(f"Not started: {refused}"))
        return
    kitchen_data.forget()
    draft.started()
    sound_test.forget()
    st.switch_page("views/live.py")


main()

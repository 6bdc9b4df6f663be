"""Where jars go: refrigerate, freeze, discard, or once more into the canner in a run of its own; and who signed."""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import quote

import streamlit as st

from dashboard import batches, data, jars_model, jars_when, look, number_field, settings
from dashboard.batches import Batch
from dashboard.number_field import Number
from dashboard.units import fahrenheit
from monitor.errors import RefusedError, UsageError
from monitor.jars import Status, evaluation_trouble, own_timing_trouble, reprocess_extra
from monitor.jars.disposition import Basis
from monitor.jars.reprocess import INSTEAD, child_header, hot_pack
from monitor.jars.state import JarState
from monitor.physics.units import f_to_c
from monitor.plan.water import fahrenheit_meant
from monitor.store.lots import with_lot
from monitor.store.occupied import check_again, start_clashes
from monitor.store.runs import read_house
from monitor.store.stamp import utc_text
from monitor.store.starting import start_run
from monitor.store.together import Saying

#: The run, and what was placed last when the form was drawn: what was placed since is chosen no more, even where the
#: press that did so did not come to its end.
_DRAWN_AFTER = "place_drawn_after"
#: Set once a place was taken back, until the form is empty again.
_TAKEN_BACK = "back_done"
#: No published time is near it. [min]
LONGEST_MIN = 600.0


def place(batch: Batch) -> bool:
    """Give jars their places; whether something was written down."""
    state = batch.state
    open_jars = [jar for jar in state.jars if any(one in jars_model.PLACES for one in jar.choices)]
    if not open_jars:
        return False
    if not state.undecided():
        with st.expander("Give a jar another place"):
            return _place(batch, open_jars)
    look.page("<h2>Give a jar its place</h2>")
    return _place(batch, open_jars)


def _place(batch: Batch, open_jars: list[JarState]) -> bool:
    _leave_out_the_placed(batch)
    choice = st.pills("Jars", [jar.jar for jar in open_jars], selection_mode="multi", key="place_jars")
    numbers = [jar.jar for jar in open_jars if jar.jar in choice]
    if not numbers:
        look.page('<p class="bw-note">Choose one or more jars; what is offered for them follows.</p>')
        return False
    offered = [
        status
        for status in jars_model.PLACES
        if all(status in jar.choices for jar in open_jars if jar.jar in numbers)
    ]
    wanted = st.segmented_control(
        "Place", offered, format_func=jars_model.PLACES.__getitem__, key="place_to", width="stretch"
    )
    if wanted is None or not st.button("Place them", key="place", type="primary"):
        return False
    for number in numbers:
        body = {"jar": number, "to": wanted.value}
        if why := batch.refusal_of("jar_disposition", body, data.speaker(), datetime.now(UTC)):
            st.error(f"{why}.")
            return False
    data.say_together(
        [
            Saying("jar_disposition", {"jar": number, "to": wanted.value}, run_id=batch.state.run_id)
            for number in numbers
        ]
    )
    return True


def _leave_out_the_placed(batch: Batch) -> None:
    """Left chosen, the jars placed last would go along with the next, or those of one run with another's."""
    said = [entry for entry in batch.entries if entry.kind == "jar_disposition"]
    newest = max((entry.id for entry in said), default=0)
    run_id, before = st.session_state.get(_DRAWN_AFTER, (batch.state.run_id, newest))
    choice = list(st.session_state.get("place_jars") or ())
    placed = {entry.body.get("jar") for entry in said if entry.id > before}
    left = [jar for jar in choice if jar not in placed] if run_id == batch.state.run_id else []
    if left != choice:
        st.session_state.update(place_jars=left, place_to=None)
    st.session_state[_DRAWN_AFTER] = (batch.state.run_id, newest)


def take_back(batch: Batch) -> bool:
    """Take back where a jar was put by mistake: what was said before that counts again; whether it was taken back."""
    # Where the jar is in another run, its being queued for that is no slip; another place may well be one.
    placed = {
        jar.jar: jar
        for jar in batch.state.jars
        if jar.placed_entry is not None and not (jar.child_run and jar.status is Status.REPROCESS)
    }
    if not placed:
        return False
    if st.session_state.pop(_TAKEN_BACK, False):
        st.session_state["back_why"] = ""
    with (
        st.expander("Take back where a jar was put by mistake"),
        st.form("take_back", border=False, enter_to_submit=False),
    ):
        number = st.selectbox(
            "Which", list(placed), format_func=lambda one: _placed_words(placed[one]), key="back_jar"
        )
        why = st.text_input("Why it is taken back", max_chars=200, key="back_why").strip()
        if not st.form_submit_button("Take it back"):
            return False
        if not why:
            st.error("Say why it is taken back.")
            return False
        try:
            data.take_back(
                placed[number].placed_entry or 0,
                batch.entries,
                run_id=batch.state.run_id,
                reason=why,
                of="jar_disposition",
            )
        except UsageError as trouble:
            st.error(look.plain(str(trouble)))
            return False
        st.session_state[_TAKEN_BACK] = True
        return True


def _placed_words(jar: JarState) -> str:
    return f"jar {jar.jar}: {jar.status.value}" + (f", placed by {jar.placed_by}" if jar.placed_by else "")


def reprocess(batch: Batch) -> bool:
    """Begin the run that reprocesses jars; whether it was begun."""
    able = [
        jar.jar
        for jar in batch.state.jars
        if not jar.child_run and (jar.status is Status.REPROCESS or Status.REPROCESS in jar.choices)
    ]
    if not able:
        return False
    if not batch.state.undecided() and all(jar.status is not Status.REPROCESS for jar in batch.state.jars):
        return False
    published = hot_pack(batch.run)
    queued = any(jar.status is Status.REPROCESS and not jar.child_run for jar in batch.state.jars)
    with (
        st.expander("Reprocess jars now, in a run of its own", expanded=queued),
        st.form("again", border=False, enter_to_submit=False),
    ):
        st.markdown(
            "Empty the jars, heat food and liquid to boiling, refill clean hot jars, check every rim for nicks, "
            "**new lids**, and hold the **full time**. Once only. Dense food, such as pie filling, is refrigerated or "
            "frozen instead. Boiling food, steam and hot glass scald."
        )
        again = _which_again(batch, able)
        least = published.minutes if published else batch.run.required.minutes
        minutes = number_field.ask(
            st.container(),
            "Minutes at a full boil",
            # Of this run and this time: what was typed for another would be the time of these jars.
            f"again_minutes_{batch.state.run_id}_{least:g}",
            float(least),
            low=1.0,
            high=LONGEST_MIN,
            unit="min",
        )
        source = st.text_input(
            "Where that hot-pack time is published",
            value=published.source if published else "",
            key="again_source",
        )
        if published is None:
            st.warning(
                "The published table has no hot-pack time for this food, jar and altitude. Give your tested "
                f"source's hot-pack time, or do not reprocess. {INSTEAD}"
            )
        coldest = _coldest(batch.state.run_id)
        hot = st.checkbox("Food and liquid boiled, packed hot into clean hot jars", key="again_hot")
        lids = st.checkbox("Rims checked, new lids on", key="again_lids")
        if not st.form_submit_button("Begin the run that reprocesses them", type="primary"):
            return False
        if minutes.value is None:
            st.error(minutes.why or "Give the minutes at a full boil.")
            return False
        if coldest.value is None:
            st.error(
                coldest.why
                or "Give the temperature of the coldest filled jar: the initial temperature is recorded anew."
            )
            return False
        coldest_C = f_to_c(coldest.value) if fahrenheit() else coldest.value
        return _begin(batch, again, minutes.value, source.strip(), coldest_C, hot=hot, lids=lids)


def _which_again(batch: Batch, able: list[int]) -> list[int]:
    """The jars that go in again. Chosen beforehand are those that somebody has queued; where the whole hold failed, and
    none was, all of them. A jar whose seal nobody has judged may well be sealed: it is chosen by hand."""
    queued = [jar.jar for jar in batch.state.jars if jar.jar in able and jar.status is Status.REPROCESS]
    failed = batch.state.standing.basis is Basis.FAILED
    before = queued or (able if failed else [])
    with st.container(key="again_jars"):
        return list(
            st.pills(
                "Jars to reprocess",
                able,
                selection_mode="multi",
                default=before,
                # Whatever changes what is chosen beforehand begins the choice anew.
                key=f"again_jars_{batch.state.run_id}_{'_'.join(map(str, before))}",
            )
        )


def _coldest(run_id: str) -> Number:
    """The coldest filled jar, asked for and given in the unit that was chosen."""
    low, high, unit = (32.0, 212.0, "°F") if fahrenheit() else (0.0, 100.0, "°C")
    return number_field.ask(
        st.container(),
        f"Coldest filled jar, {unit}",
        f"again_coldest_{unit}_{run_id}",
        low=low,
        high=high,
        unit=unit,
        hint=None if fahrenheit() else fahrenheit_meant,
    )


def _begin(
    batch: Batch, jars: list[int], minutes: float, source: str, coldest_C: float, *, hot: bool, lids: bool
) -> bool:
    now = datetime.now(UTC)
    fresh = batches.load(batch.state.run_id, now)
    assert fresh is not None
    try:
        extra = reprocess_extra(
            fresh.run,
            fresh.state,
            jars,
            pack="hot" if hot else "raw",
            source=source,
            minutes=minutes,
            new_lids=lids,
        )
    except RefusedError as refusal:
        if _go_on(fresh.run.run_id, jars):
            return True
        st.error(str(refusal))
        return False
    header = child_header(
        fresh.header, fresh.known_ids, extra, minutes=minutes, source=source, at=now, coldest_jar_C=coldest_C
    )
    with data.store() as conn:
        header = with_lot(conn, header)
        house = read_house(conn)
    canner, run_id = header.get("canner"), str(header["run_id"])
    also: list[Saying] = []
    if fresh.run.ended_at_s is None and not canner:
        # No canner is named whose next run would end it.
        also = [Saying("run_ended", {}, run_id=fresh.run.run_id, reason=f"its jars go on in {run_id}")]
    try:
        check_again(house, canner, fresh.run.run_id)
        start_run(
            settings.current().data_dir,
            run_id,
            [("run_started", header)],
            canner=canner,
            seen=start_clashes(house, canner),
            by=data.speaker(),
            happened_utc=utc_text(now),
            also=also,
        )
    except RefusedError as refusal:
        data.forget()
        if _go_on(fresh.run.run_id, jars):
            return True
        st.error(str(refusal))
        return False
    return True


def _go_on(run_id: str, jars: list[int]) -> bool:
    """Whether all these jars are in a run of their own by now: a second click of the press that began it is done."""
    found = batches.load(run_id, datetime.now(UTC))
    runs = {jar.jar: jar.child_run for jar in found.state.jars} if found is not None else {}
    return bool(jars) and all(runs.get(jar) for jar in jars)


def own_timing(batch: Batch) -> bool:
    """Sign an own timing of an unproven hold, while its clock is open; whether it was signed."""
    state = batch.state
    unproven = batch.verdict.get("verdict") == "unproven" and state.standing.basis is Basis.FAILED
    if not unproven or state.sign_by is None or batch.now > state.sign_by:
        return False
    with st.expander("Sign your own timing of this hold"):
        st.markdown(
            "Only if you timed the full boil yourself, for the whole time, without a break. The jars are "
            "then *on the cook's own timing*, on every page, label and proof, and never proven."
        )
        how = st.text_input("What you timed it with, and where you stood", key="own_how", max_chars=200)
        since, first = jars_when.moment("own_from", "From", state.zone, batch.run.started_at)
        until, second = jars_when.moment(
            "own_to", "To", state.zone, state.heat_off.at if state.heat_off else batch.now
        )
        if not st.button("Sign the timing", key="own_sign"):
            return False
        if first or second or since is None or until is None:
            st.error(first or second)
            return False
        body = {"how": how.strip(), "from_utc": since.isoformat(), "to_utc": until.isoformat()}
        if why := own_timing_trouble(batch.run, batch.verdict, body, data.speaker(), datetime.now(UTC)):
            st.error(f"{why[0].upper()}{why[1:]}.")
            return False
        data.say("own_timing", body, run_id=state.run_id)
        return True


def evaluation(batch: Batch) -> bool:
    """Attach a named competent person's written opinion; whether it was attached."""
    if batch.state.standing.basis is not Basis.FAILED:
        return False
    with (
        st.expander("Attach a competent person's written opinion"),
        st.form("opinion", border=False, enter_to_submit=False),
    ):
        st.markdown(
            "Nothing computed clears a hold that is not proven. A named person who is competent to judge the process, "
            "such as a process authority, may do so in writing; the jars are then *released by evaluation*, and "
            "labelled so."
        )
        person = st.text_input("Who", max_chars=120)
        competence = st.text_input("What makes this person competent", max_chars=200)
        opinion = st.text_area("The opinion, word for word", max_chars=20_000)
        if not st.form_submit_button("Attach and sign"):
            return False
        body = {"person": person.strip(), "competence": competence.strip(), "opinion": opinion.strip()}
        if why := evaluation_trouble(body, data.speaker()):
            st.error(f"{why[0].upper()}{why[1:]}.")
            return False
        data.say("evaluation", body, run_id=batch.state.run_id)
        return True


def linked(batch: Batch) -> None:
    """The runs before and after this one, with the way to them."""
    state = batch.state
    lines = []
    if state.parent_run:
        pairs = ", ".join(f"{own} was {before}" for own, before in enumerate(state.parent_jars, 1))
        lines.append(f"This run reprocesses jars of {_link(state.parent_run)} (jar {look.esc(pairs)}).")
    for child in dict.fromkeys(jar.child_run for jar in state.jars if jar.child_run):
        numbers = [str(jar.jar) for jar in state.jars if jar.child_run == child]
        go_on = f"Jar {numbers[0]} goes on" if len(numbers) == 1 else f"Jars {', '.join(numbers)} go on"
        known = batch.again.get(child)
        do = "that run is over; where its jars are is told there"
        if known is not None and not known.over:
            waits = any(jar.child_run == child and not jar.child_in for jar in state.jars)
            do = "mark jars in there, and hold the full time" if waits else "hold the full time there"
        lines.append(f"{go_on} in {_link(child)}: {do}.")
    if lines:
        look.page("".join(f'<p class="bw-lead">{line}</p>' for line in lines))


def _link(run_id: str) -> str:
    return f'<a href="/jars?run={quote(run_id, safe="")}" target="_self">{look.esc(run_id)}</a>'

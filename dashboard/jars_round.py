"""The seal round: one jar a screen, four questions, answers large enough for wet hands."""

from __future__ import annotations

from datetime import UTC, datetime
from math import inf

import streamlit as st

from dashboard import batches, data, jars_model, look
from dashboard.batches import Batch
from monitor.jars import ASK
from monitor.jars.disposition import Basis
from monitor.jars.seals import QUESTIONS, Seal, SealResult, newest_answer
from monitor.store.stamp import SYSTEM_TIME

#: ``_KEPT`` is the entry that was kept last, with its jar; ``_SEEN`` the newest one about the jar on the screen when
#: that was opened: what others say meanwhile, this viewer has not read.
_ON, _JAR, _KEPT, _SEEN = "round_on", "round_jar", "round_kept", "round_seen"
#: Which screen stands there, and since when: jar, what was read of it, steady time.
_DRAWN = "round_drawn"
#: A tap so soon after a screen came was meant for the one before it. [s] Chosen: nobody has looked at a jar by then.
TOO_SOON_S = 1.5
#: Why an answer is taken back by a press on Undo.
UNDONE = "taken back in the seal round"


def run_id() -> str | None:
    """The run whose jars this viewer is going through; None where none is."""
    found = st.session_state.get(_ON)
    return str(found) if found else None


def is_on(batch: Batch) -> bool:
    """Whether this viewer is going from jar to jar of this run."""
    return bool(st.session_state.get(_ON) == batch.state.run_id and batch.state.jars)


def begin(batch: Batch, jar: int | None = None) -> None:
    """Go to the first jar that asks for an answer, or to a given one."""
    st.session_state[_ON] = batch.state.run_id
    _go_to(jar or batch.state.next_jar() or batch.state.jars[0].jar)
    st.session_state.pop(_KEPT, None)


def end() -> None:
    for key in (_ON, _JAR, _KEPT, _SEEN, _DRAWN):
        st.session_state.pop(key, None)


def _go_to(jar: int) -> None:
    """The screen of a jar, opened anew."""
    st.session_state[_JAR] = jar
    st.session_state.pop(_SEEN, None)
    st.session_state.pop(_DRAWN, None)


def _seen(batch: Batch, jar: int) -> int:
    """The newest entry about this jar when its screen was opened."""
    kept: tuple[int, int] | None = st.session_state.get(_SEEN)
    if kept is None or kept[0] != jar:
        kept = (jar, newest_answer(batch.entries, jar))
        st.session_state[_SEEN] = kept
    return kept[1]


def offer(batch: Batch) -> None:
    """The way in, where seals may be looked at."""
    state = batch.state
    if state.lifting is None or not state.jars or state.standing.basis is Basis.FAILED:
        return
    following = state.next_jar()
    early = state.seals_from is not None and batch.now < state.seals_from
    label = "Look at the seals again" if following is None else f"Judge the seals, from jar {following}"
    if early and following is not None:
        label = "Judge a seal early (provisional)"
    marked = not state.lifting.how
    later = early or following is None or not marked
    if st.button(label, type="secondary" if later else "primary", key="begin_round"):
        begin(batch)
        st.rerun()


def screen(batch: Batch) -> None:
    """One jar."""
    state = batch.state
    numbers = [jar.jar for jar in state.jars]
    jar = st.session_state.get(_JAR)
    jar = jar if jar in numbers else numbers[0]
    _progress(batch, jar)
    seen, seal = _seen(batch, jar), next(one.seal for one in state.jars if one.jar == jar)
    _said_of(seal, state.zone)
    given: dict[str, object] = {"jar": jar}
    before = _answered(batch, seal)
    with st.container(key="asks"):
        for question, (label, answers) in jars_model.ROUND.items():
            with st.container(key=f"ask_{question}"):
                given[question] = st.segmented_control(
                    label,
                    list(answers),
                    default=before.get(question),
                    format_func=answers.__getitem__,
                    key=f"answer_{state.run_id}_{jar}_{seen}_{question}",
                    width="stretch",
                )
    missing = sum(given[question] is None for question in QUESTIONS)
    keep = st.button(f"Keep for jar {jar}", type="primary", key="keep_seal", width="stretch")
    if missing == len(QUESTIONS):
        look.page('<p class="bw-note">No question is answered yet: there is nothing to keep.</p>')
    elif missing:
        noun = "question is" if missing == 1 else "questions are"
        look.page(f'<p class="bw-note">{missing} {noun} unanswered: kept so, the jar counts as unsealed.</p>')
    # Below the button: above, its words would move the next jar's questions to where Keep was just tapped.
    _undo(batch)
    with st.container(horizontal=True, key="seal_others"):
        broken = st.button("It is broken", key="broken_seal")
        opened = st.button("Opened for a test", key="opened_seal")
        later = st.button("Stop here", key="end_round")
    _how()
    if later:
        end()
        st.rerun()
    touched = any(given[question] != before.get(question) for question in QUESTIONS)
    too_soon = _came_just_now(jar, seen, touched=touched)
    if keep or broken or opened:
        body = {"jar": jar, "broken": True} if broken else {"jar": jar, "opened": True} if opened else given
        if too_soon:
            look.page(look.refused(f"That tap came with jar {jar}.", "Nothing was kept for it; tap again."))
        elif keep and missing == len(QUESTIONS):
            look.page(look.refused(f"Nothing is answered of jar {jar}.", "Nothing was kept."))
        else:
            _keep(batch, jar, body | {"seen": seen})


def _came_just_now(jar: int, seen: int, *, touched: bool) -> bool:
    """Whether this jar's screen has not stood there for long enough to be answered; where something was, it has."""
    now_s = SYSTEM_TIME.monotonic_s()
    drawn: tuple[int, int, float] | None = st.session_state.get(_DRAWN)
    is_new = drawn is None or drawn[:2] != (jar, seen)
    since_s = -inf if touched else now_s if drawn is None or is_new else drawn[2]
    if is_new or touched:
        st.session_state[_DRAWN] = (jar, seen, since_s)
    return (is_new and not touched) or now_s - since_s < TOO_SOON_S


def _said_of(seal: SealResult, zone: str | None) -> None:
    """What was said of the jar on the screen, by whom and when."""
    if words := jars_model.said_of(seal, zone):
        tone = "bw-caution" if seal.disputed else "bw-note"
        look.page(f'<p class="{tone}">{look.esc(words)}</p>')


def _answered(batch: Batch, seal: SealResult) -> dict[str, str]:
    """What to begin from: the answers that count, else those taken back last. Of two that differ none is offered: the
    jar is looked at again."""
    if seal.disputed:
        return {}
    own = [one for one in batch.entries if one.kind == "jar_seal" and one.body.get("jar") == seal.jar]
    counted = [one for one in own if one.id == seal.entry] or own
    last = counted[-1].body if counted else {}
    return {question: last[question] for question, right in QUESTIONS.items() if last.get(question) in right}


def _how() -> None:
    """Each question in full, and where it is published."""
    asks = "".join(f"<li>{look.esc(ask)}</li>" for ask in ASK.values())
    published = "".join(
        f"<li>{look.esc(number)} {look.esc(told)} <span class='bw-note'>{look.esc(source)}</span></li>"
        for number, told, source in jars_model.cited(("G48", "G49", "G50"))
    )
    look.page(f"<details><summary>How each is judged</summary><ul>{asks}{published}</ul></details>")


def _undo(batch: Batch) -> None:
    """What was kept last, and the way to take it back: the entry stays, what was said before it counts again."""
    number, entry = st.session_state.get(_KEPT, (0, 0))
    kept = next((jar for jar in batch.state.jars if jar.jar == number), None)
    if kept is None:
        return
    own = next((one for one in kept.seal.answers if one.entry == entry), kept.seal)
    with st.container(horizontal=True, key="round_kept_row", vertical_alignment="center"):
        st.html(f'<p class="bw-note">{look.esc(jars_model.kept_words(own))}</p>', width="stretch")
        if st.button("Undo", key="undo_seal"):
            data.take_back(entry, batch.entries, run_id=batch.state.run_id, reason=UNDONE)
            batches.forget()
            begin(batch, kept.jar)
            st.rerun()


def _progress(batch: Batch, jar: int) -> None:
    dots = "".join(
        f'<span class="bw-dot bw-tone-{jars_model.SEALS[one.seal.seal].tone}{" bw-here" if one.jar == jar else ""}">'
        f'<span aria-hidden="true">{jars_model.SEALS[one.seal.seal].glyph}</span>'
        f'<span class="bw-said">jar {one.jar}: {look.esc(jars_model.SEALS[one.seal.seal].word)}</span></span>'
        for one in batch.state.jars
    )
    early = batch.state.seals_from is not None and batch.now < batch.state.seals_from
    note = ' <span class="bw-note">before 12 hours: provisional</span>' if early else ""
    look.page(
        f'<p class="bw-big bw-jar">Jar {jar} <span class="bw-note">of {len(batch.state.jars)}</span>{note}</p>'
        f'<p class="bw-dots">{dots}</p>'
    )


def _keep(batch: Batch, jar: int, body: dict[str, object]) -> None:
    entry = data.say("jar_seal", body, run_id=batch.state.run_id)
    batches.forget()
    st.session_state[_KEPT] = (jar, entry)
    after = batches.load(batch.state.run_id, datetime.now(UTC))
    following = _following(after, jar) if after is not None else None
    if following is None:
        end()
    else:
        _go_to(following)
    st.rerun()


def _following(batch: Batch, jar: int) -> int | None:
    """The next jar to judge, going round; before 12 hours each is asked once, but at once where others differ."""
    state = batch.state
    asked, disputed = state.to_judge(), {one.jar for one in state.disputed()}
    if jar in disputed and jar in asked:
        return jar
    if state.seals_from is not None and batch.now < state.seals_from:
        unknown = {one.jar for one in state.jars if one.seal.seal is Seal.NOT_JUDGED}
        asked = [one for one in asked if one in unknown | disputed]
    return min(asked, key=lambda one: (one <= jar, one), default=None)

"""The jars at rest: how each cools, when it will be near the room, what to expect under its lid."""

from __future__ import annotations

from datetime import timedelta

import streamlit as st

from dashboard import figures, jars_chart, look
from dashboard.batches import Batch
from dashboard.units import fahrenheit
from monitor.jars import rest_words
from monitor.jars.rest import JarAtRest, Rest, rest_of
from monitor.jars.times import times_of
from monitor.record import Run


@st.cache_resource(ttl=60.0, max_entries=8, show_spinner=False)
def _rest(run_id: str, newest: int, samples: int, _batch: Batch) -> Rest:
    return rest_of(_batch.run, times_of(_batch.run, _batch.verdict))


def show(batch: Batch) -> None:
    """The section, once the heat is off."""
    state = batch.state
    if state.heat_off is None and state.lifting is None:
        return
    newest = max((entry.id for entry in batch.entries), default=0)
    rest = _rest(state.run_id, newest, len(batch.run.samples), batch)
    look.page(f"<h2>Cooling</h2><p>{look.esc(rest.sentence)}</p>")
    if rest.jars:
        rows = [_row(batch.run, jar) for jar in rest.jars]
        heads = [
            "Jar",
            "Last reading",
            "Within 3 K of the room",
            "On the way",
            "Under a sealed lid",
            "The lid",
        ]
        kept = [place for place in range(len(heads)) if any(row[place] for row in rows)]
        heads, rows = [heads[p] for p in kept], [tuple(row[p] for p in kept) for row in rows]
        look.page(look.table(heads, rows, "Cooling"))
        chart = jars_chart.cooling_chart(
            [jar.cooling for jar in rest.jars], look.tones(), fahrenheit=fahrenheit()
        )
        if chart is not None:
            st.echarts_chart(chart, height=260, key="cooling", alt=jars_chart.words(rest, batch.run))
    elif rest.pull is not None:
        look.page(f"<p>{look.esc(_sentence(rest_words.pull(batch.run, rest.pull)))}</p>")
    probed = {jar.cooling.jar for jar in rest.jars}
    for number, t_s in ((number, t_s) for number, t_s in rest.heard if number not in probed):
        look.page(f"<p>{look.esc(_sentence(rest_words.heard(batch.run, number, t_s)))}</p>")
    for line in rest_words.assumptions(rest):
        look.page(f'<p class="bw-note">{look.esc(line)}</p>')


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _row(run: Run, jar: JarAtRest) -> tuple[str, ...]:
    """Cells that say what they are, since a phone shows them without their heads."""
    one = jar.cooling
    notes = [f"disturbed {_at(run, t_s)}" for t_s in one.disturbed_s]
    notes += ["cools too fast: cold surface or draught?"] if one.too_fast else []
    caution = (
        f'<br><span class="bw-sign bw-tone-unsure">▽ {look.esc("; ".join(notes))}</span>' if notes else ""
    )
    last = figures.temperature(one.last_C, fahrenheit(), 1)
    at = f" at {_at(run, one.last_s)}" if one.last_s is not None else ""
    marks = ((43, one.at_43_s), (35, one.at_35_s))
    passed = [f"{C} °C after {(t_s - one.start_s) / 60:.0f} min" for C, t_s in marks if t_s is not None]
    return (
        f"<strong>{one.jar}</strong>",
        look.esc(last + at) + caution,
        look.esc(_near(run, jar)),
        look.esc(", ".join(passed)),
        look.esc(_vacuum(jar)),
        look.esc(_lid(run, jar)),
    )


def _vacuum(jar: JarAtRest) -> str:
    band = jar.vacuum
    return f"{band.low_kPa:.0f} to {band.high_kPa:.0f} kPa of vacuum expected" if band is not None else ""


def _lid(run: Run, jar: JarAtRest) -> str:
    parts = []
    if jar.pull is not None:
        parts.append(f"expected to pull down {_at(run, jar.pull.early_s)} to {_at(run, jar.pull.late_s)}")
    if jar.heard_s is not None:
        parts.append(f"heard at {_at(run, jar.heard_s)}, a hint only")
    return "; ".join(parts)


def _near(run: Run, jar: JarAtRest) -> str:
    one = jar.cooling
    if one.cooled_s is not None:
        return f"near the room since {_at(run, one.cooled_s)}"
    if one.forecast is None:
        return f"no forecast: {one.why}"
    ahead = one.forecast
    span = f"{_at(run, ahead.early_s)} to {_at(run, ahead.late_s)}"
    return f"near the room about {_at(run, ahead.within_3_K_s)} ({span})"


def _at(run: Run, t_s: float) -> str:
    return figures.local_time(run.started_at + timedelta(seconds=t_s), run.zone)[:5]

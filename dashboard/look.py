"""The look: tones for light and dark, the style sheet, and small pieces of safe markup.

Every text that comes from a node or a person goes through :func:`esc`; nothing else builds markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta
from functools import cache
from html import escape
from importlib import resources
from typing import Any

import streamlit as st

from dashboard import figures, words
from dashboard.words import Sign
from monitor.judge.cooling_track import is_chill
from monitor.judge.daytime import label
from monitor.record import Run
from monitor.record.taken_in import TakenIn

#: Contrast against the paper is at least 4.5:1 for every tone (checked by a test with the WCAG 2.2 formula).
LIGHT = {
    "paper": "#fdfcf9",
    "ink": "#1d1b18",
    "soft": "#5c574f",
    "line": "#d6d1c6",
    "link": "#0b5578",
    "quiet": "#5f5a52",
    "boil": "#0b5f91",
    "held": "#00654a",
    "alarm": "#a83a00",
    "unsure": "#7d3a72",
}
DARK = {
    "paper": "#15171a",
    "ink": "#edebe5",
    "soft": "#b0aba1",
    "line": "#3b3e43",
    "link": "#86c5ea",
    "quiet": "#aaa59b",
    "boil": "#6cb8ea",
    "held": "#4fc79f",
    "alarm": "#ff9a62",
    "unsure": "#dc9fd0",
}
SANS = '"Source Sans", system-ui, sans-serif'
SERIF = '"Source Serif", Georgia, serif'


def dark() -> bool:
    """Whether this viewer's page is dark."""
    return st.context.theme.type == "dark"


def tones() -> dict[str, str]:
    return DARK if dark() else LIGHT


@cache
def _sheet() -> str:
    return resources.files("dashboard").joinpath("assets/look.css").read_text(encoding="utf-8")


def put_on() -> None:
    """Give the page its style sheet; once a run of the script."""
    variables = "".join(f"--bw-{name}:{value};" for name, value in tones().items())
    st.html(f"<style>:root{{{variables}--bw-sans:{SANS};--bw-serif:{SERIF};}}\n{_sheet()}</style>")


def esc(text: object) -> str:
    """Text as markup shows it, whatever it holds. Signs that would turn the rest of a line around are shown."""
    return escape(words.unturned(str(text)), quote=True)


def plain(text: str) -> str:
    """Our own sentences, or a name, as a widget's label takes them: markdown's signs would format."""
    return "".join(f"\\{sign}" if sign in "*_[]$`#~:<>\\" else sign for sign in text)


def refused(reason: str, instead: str = "") -> str:
    """What is not done and why, and what to do instead."""
    return (
        f'<div class="bw-alarm" data-priority="medium"><p class="bw-headline">{esc(reason)}</p>'
        f"<p>{esc(instead)}</p></div>"
    )


def sign(item: Sign, *, big: bool = False) -> str:
    """A state's shape and word in its tone."""
    kind = "bw-verdict" if big else "bw-sign"
    return (
        f'<span class="{kind} bw-tone-{item.tone}"><span aria-hidden="true">{item.glyph}</span> '
        f"{esc(item.word)}</span>"
    )


def came(how: TakenIn | None) -> str:
    """How a record came from elsewhere; loud where nothing shows that it is as it was sealed."""
    if how is None:
        return ""
    return f'<p class="{"bw-note" if how.was_sealed else "bw-caution"}">{esc(how.words)}</p>'


def unsealed(how: TakenIn | None) -> str:
    """Beside a verdict in a list: that nothing shows whether its record is as it was sealed."""
    return (
        ""
        if how is None or how.was_sealed
        else f' <span class="bw-note">record came {esc(how.briefly)}</span>'
    )


def page(markup: str) -> None:
    """Draw markup that was built with :func:`esc`."""
    st.html(f'<div class="bw-page">{markup}</div>')


def nothing_yet(trouble: object) -> None:
    """What a page shows while there is no store: why, and what to start."""
    told = str(trouble)
    page(f'<p class="bw-big">There is nothing to show yet.</p><p>{esc(told[:1].upper() + told[1:])}</p>')


def facts_table(rows: Iterable[tuple[str, str]], label: str) -> str:
    """Name and value, a line each."""
    lines = "".join(f'<tr><th scope="row">{esc(name)}</th><td>{esc(value)}</td></tr>' for name, value in rows)
    return f'<table aria-label="{esc(label)}"><tbody>{lines}</tbody></table>'


def table(
    heads: Sequence[str], rows: Iterable[Sequence[str]], label: str, *, numbers: Sequence[int] = ()
) -> str:
    """A table whose cells are markup already; ``numbers`` are the columns set to the right."""
    kinds = ["bw-num" if index in numbers else "" for index in range(len(heads))]
    top = "".join(
        f'<th scope="col" class="{kind}">{esc(name)}</th>' for name, kind in zip(heads, kinds, strict=True)
    )
    body = "".join(
        "<tr>"
        + "".join(f'<td class="{kind}">{cell}</td>' for cell, kind in zip(row, kinds, strict=True))
        + "</tr>"
        for row in rows
    )
    return (
        f'<table class="bw-stack" aria-label="{esc(label)}"><thead><tr>{top}</tr></thead>'
        f"<tbody>{body}</tbody></table>"
    )


def named(name: str, value: str) -> str:
    """A cell's figure; on a phone, where no head stands over it, with its name."""
    return f'<span class="bw-narrow">{esc(name)} </span>{esc(value)}'


def strip(pieces: Sequence[tuple[float, str, str]], label: str) -> str:
    """A strip of (share, tone, words)."""
    parts = "".join(
        f'<span class="bw-piece" data-tone="{esc(tone)}" title="{esc(told)}" '
        f'style="width:{share * 100:.3f}%"></span>'
        for share, tone, told in pieces
    )
    return f'<div class="bw-strip" role="img" aria-label="{esc(label)}">{parts}</div>'


#: Further back than any run goes. [s]
LONG_AGO_S = 1e9

KEY = (
    '<div class="bw-key" aria-hidden="true">'
    '<span><span class="bw-piece" data-tone="boil"></span>boiling</span>'
    '<span><span class="bw-piece" data-tone="alarm"></span>not boiling</span>'
    '<span><span class="bw-piece" data-tone="unsure"></span>unknown</span>'
    '<span><span class="bw-piece" data-tone="quiet"></span>come-up, cooling</span></div>'
)


def when(t_s: float, run: Run | None) -> str:
    """A moment of a run: minutes since the start and the time of day in the site's zone."""
    if t_s < -LONG_AGO_S:
        # Nothing was ever heard: that has no beginning.
        return figures.MISSING
    since = figures.held_clock(t_s)
    if run is None:
        return since
    moment = run.started_at + timedelta(seconds=t_s)
    return f"{since} ({figures.local_time(moment, run.zone)[:5]})"


def events_table(
    events: Sequence[Mapping[str, Any]],
    run: Run | None,
    *,
    newest_first: bool = True,
    of: str = "",
    over: bool = False,
) -> str:
    """What happened, a line each: when, what, and the engine's own words; in the order of the telling.

    ``of``: whose, where several such tables stand on one page. ``over``: the run is, and nothing more is to come.
    """
    if not events:
        return (
            f'<p class="bw-note">{"The record holds no event." if over else "Nothing has happened yet."}</p>'
        )
    ordered = sorted(events, key=lambda item: float(item["raised_s"]), reverse=newest_first)
    rows = []
    for item in ordered:
        kind, text = str(item["kind"]), str(item.get("text") or "")
        listed_s, began_s = label(kind, float(item["onset_s"]), float(item["raised_s"]))
        # Where nothing was ever heard there is no beginning to tell.
        began = "" if began_s is None or began_s < -LONG_AGO_S else f"From {when(began_s, run)} on: "
        rows.append(
            (esc(when(listed_s, run)), _event_sign(kind, text), esc(began + figures.days_in_words(text)))
        )
    return table(("Since the start", "What", "In words"), rows, f"What happened{f', {of}' if of else ''}")


def _event_sign(kind: str, text: str) -> str:
    trouble = kind in words.TROUBLE
    tone, glyph = ("alarm", "▼ ") if trouble else ("quiet", "")
    name = words.CHILLED if is_chill(kind, text) else words.EVENTS.get(kind, words.plain(kind))
    style = f"bw-tone-{tone} {'bw-sign' if trouble else 'bw-kind'}"
    return f'<span class="{style}"><span aria-hidden="true">{glyph}</span>{esc(name)}</span>'

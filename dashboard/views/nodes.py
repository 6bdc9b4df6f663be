"""The nodes: who is heard, what each serves, what was refused, and what happened to the collector itself."""

from __future__ import annotations

import streamlit as st

from dashboard import access, data, figures, look, node_data, nodes_model
from dashboard.units import fahrenheit
from monitor.errors import StoreError
from monitor.store.reader import NodeRow

SHOWN = 50
#: So much of what was refused stands open.
FIRST_REFUSED = 5


def main() -> None:
    st.title("Nodes", anchor=False)
    try:
        data.house_now()
    except StoreError as trouble:
        look.nothing_yet(trouble)
        return
    _heard()
    _assign()
    _refused()
    _journal()


@st.fragment(run_every=5)
def _heard() -> None:
    """Ticks slowly: every node, its newest sample and its barometer."""
    nodes = data.house_now().nodes
    if not nodes:
        look.page(
            '<p class="bw-big">No node was ever heard.</p><p>Start <code>boilwitness collect</code> with the '
            "serial device or the broker that it should listen to.</p>"
        )
        return
    readings = node_data.readings_now()
    rows = []
    for node in nodes:
        reading = readings.get(node.name)
        rows.append(
            (
                look.sign(nodes_model.heard(reading)),
                f"<strong>{_anywhere(node.name)}</strong>",
                look.esc(nodes_model.serves(node)),
                look.esc(nodes_model.water(reading, fahrenheit())),
                look.esc(nodes_model.barometer(reading, fahrenheit())),
                f'{node.samples:,}<span class="bw-narrow"> samples</span>',
                _missing(node),
                _anywhere(node.source),
            )
        )
    heads = ("Heard", "Node", "Serves", "Water as read", "Barometer", "Samples", "Missing", "Comes by")
    look.page(look.table(heads, rows, "Nodes", numbers=(5,)))


def _assign() -> None:
    """A node serves a canner only once a person says so."""
    nodes = {node.name: node for node in data.nodes_now()}
    if not nodes:
        return
    look.page("<h2>Say which canner a node serves</h2>")
    if not access.ask("nodes"):
        return
    with st.form("assign", border=False):
        left, middle, right = st.columns(3, vertical_alignment="bottom")
        name = left.selectbox("Node", list(nodes), key="assign_node")
        canner = middle.text_input("Canner (empty: nothing)", key="assign_canner", max_chars=60)
        with right:
            access.who()
        sent = st.form_submit_button("Write it down")
    if sent:
        data.say("node_assigned", {"node": name, "canner": canner.strip() or None})
        data.forget()
        st.rerun()


def _refused() -> None:
    counts, rows = node_data.refused(SHOWN)
    look.page(f"<h2>What was refused</h2><p>{look.esc(nodes_model.refused_sum(counts))}</p>")
    if not rows:
        return
    cells = [
        (
            look.esc(figures.local_day(figures.parse_utc(row.at_utc), data.zone())),
            _anywhere(row.source),
            _anywhere(row.node_hint or figures.MISSING),
            _anywhere(row.why),
            f'{row.size:,}<span class="bw-narrow"> bytes</span>',
            f"<code>{_anywhere(nodes_model.excerpt(row))}</code>",
        )
        for row in rows
    ]
    heads = ("When", "Came by", "Node", "Why", "Bytes", "How it begins")
    first, rest = cells[:FIRST_REFUSED], cells[FIRST_REFUSED:]
    look.page(look.table(heads, first, "Refused input", numbers=(4,)))
    if rest:
        # One node under a bad name fills this, and what stands below must stay in reach.
        with st.expander(f"{len(rest)} more of what was refused"):
            look.page(look.table(heads, rest, "More refused input", numbers=(4,)))


def _missing(node: NodeRow) -> str:
    """What is wrong with what came; on a phone, where no head stands over it, in words that need none."""
    said = nodes_model.wrong(node)
    return look.esc(said) + ('<span class="bw-narrow"> is missing</span>' if said == "nothing" else "")


def _anywhere(text: str) -> str:
    """A name or bytes of any length, which may break anywhere so that no table is wider than its page."""
    return f'<span class="bw-anywhere">{look.esc(text)}</span>'


def _journal() -> None:
    rows = [
        (
            look.esc(figures.local_day(figures.parse_utc(at_utc), data.zone())),
            look.esc(kind.replace("_", " ")),
            look.esc(text),
        )
        for at_utc, kind, text in node_data.collector_journal(SHOWN)
    ]
    if rows:
        table = look.table(("When", "What", ""), rows, "The collector's journal")
        look.page(f"<h2>What happened to the collector</h2>{table}")


main()

"""Several canners at once: a card each, the most urgent first, on the live page and in the line above the others."""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from heapq import merge
from pathlib import Path

import pytest

from dashboard.launch import free_port
from monitor.cli._demo_house import DemoHouse
from monitor.cli._demo_node import DemoNode, pack_of
from monitor.intake.wire import encode_pack
from monitor.record import Mark, Sample, header_to_json
from monitor.simulate.node import demo_canner
from monitor.store.entries import append_entry
from monitor.store.stamp import SYSTEM_TIME

#: Canner, and how long after the first it began. [s of the run] The first loses its boil some 700 s into the run,
#: when the second is at the boil and the third still comes up.
MINUTES = 60.0
#: When the play stands still: the first has lost its boil, and it is not back yet. [s of the first's run]
STAY_S = 780.0
CANNERS = (("back burner", 460.0), ("big pot", 160.0), ("front burner", 0.0))


class ThreeCanners(DemoHouse):
    """One cable, three nodes, three canners that began one after the other; twenty times as fast as life."""

    def __init__(self, folder: Path, rate: float = 20.0) -> None:
        super().__init__(folder, free_port(0), rate, "pty")
        self.folder, self.rate = folder, rate
        self.stop = threading.Event()
        self.player = threading.Thread(target=self._all, daemon=True)

    def _all(self) -> None:
        shown = demo_canner(minutes=MINUTES)
        for number, (canner, _) in enumerate(CANNERS):
            header = replace(
                shown.header, run_id=f"r{number}", canner=canner, started_at=SYSTEM_TIME.utc_now()
            )
            append_entry(self.folder, "node_assigned", {"node": f"n{number}", "canner": canner})
            append_entry(
                self.folder, "run_started", header_to_json(header) | {"simulated": True}, run_id=f"r{number}"
            )
        last: dict[int, Sample] = {}
        steps = merge(
            *(
                [(step.t_s + later_s, number, step) for step in shown.steps()]
                for number, (_, later_s) in enumerate(CANNERS)
            ),
            key=lambda item: item[0],
        )
        began_s = SYSTEM_TIME.monotonic_s()
        for due_s, number, step in steps:
            if due_s > STAY_S:
                break
            if self.stop.wait(max(0.0, began_s + due_s / self.rate - SYSTEM_TIME.monotonic_s())):
                return
            self._say(number, step)
            if isinstance(step, Sample):
                last[number] = step
        self._stay(last)

    def _stay(self, last: dict[int, Sample]) -> None:
        """Each canner stays as it is: one lost, one boiling, one warming."""
        noise = random.Random(3)
        base_C = {number: sample.water_C or 0.0 for number, sample in last.items()}
        looked_s = SYSTEM_TIME.monotonic_s()
        while not self.stop.wait(1.0 / self.rate):
            # By the clock: a node that falls behind it would look silent.
            now_s = SYSTEM_TIME.monotonic_s()
            gone_s, looked_s = (now_s - looked_s) * self.rate, now_s
            for number, before in last.items():
                later = before._replace(
                    t_s=before.t_s + gone_s,
                    seq=(before.seq or 0) + 1,
                    uptime_s=(before.uptime_s or 0.0) + gone_s,
                    water_C=round(base_C[number] + noise.gauss(0.0, 0.03), 2),
                )
                last[number] = later
                self._say(number, later)

    def _say(self, number: int, step: Sample | Mark) -> None:
        assert isinstance(self._node, DemoNode)
        if isinstance(step, Mark):
            append_entry(self.folder, "mark", {"kind": step.kind}, run_id=f"r{number}")
        else:
            self._node.link.send(encode_pack(pack_of(step)._replace(node=f"n{number}")), patiently=True)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[ThreeCanners]:
    three = ThreeCanners(tmp_path)
    try:
        three.start()
        yield three
    finally:
        three.stop.set()
        if three.player.ident is not None:
            three.player.join()
        three.end()


def test_a_card_each_and_the_most_urgent_first(house: ThreeCanners, visit: Callable) -> None:
    order = (
        "() => [...document.querySelectorAll('.bw-board')].map(card => card.querySelector('.bw-title').textContent"
        " + ': ' + card.querySelector('.bw-word').textContent).join('; ')"
    )
    wanted = "front burner: Boil lost; big pot: Full boil; back burner: Coming up"
    with visit() as visitor, visit(width=390, height=844) as narrow, visit() as elsewhere:
        page = visitor.go(house.url)
        phone = narrow.go(house.url)
        other = elsewhere.go(f"{house.url}/runs")
        house.player.start()
        # Each has its own remaining time: taken at once, the play being faster than life. What is still to hold is less
        # than the whole hour.
        shown = "[...document.querySelectorAll('.bw-board .bw-digits')].map(figure => figure.innerText)"
        digits = page.wait_for_function(
            f"wanted => ({order})() === wanted && /^[1-5]?[0-9]:[0-9][0-9]$/.test({shown}[1]) && {shown}",
            arg=wanted,
            timeout=180_000,
        ).json_value()
        assert digits[0] == digits[2] == "1:00:00"
        visitor.picture("live-three-canners")
        phone.wait_for_function(f"wanted => ({order})() === wanted", arg=wanted, timeout=90_000)
        assert phone.locator(".bw-board").count() == 3
        assert narrow.overflow() <= 0
        narrow.picture("live-three-canners-390")
        other.wait_for_function(f"() => ({order})().startsWith('front burner: Boil lost')", timeout=90_000)
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        assert visitor.faults() == []
        # Across the room nobody scrolls: all three are on the screen.
        far = elsewhere.go(f"{house.url}/?far=1")
        far.wait_for_function(f"wanted => ({order})() === wanted", arg=wanted, timeout=90_000)
        lowest = "Math.max(...[...document.querySelectorAll('.bw-board')].map(b => b.getBoundingClientRect().bottom))"
        assert far.evaluate(lowest) <= far.evaluate("innerHeight")
        elsewhere.picture("far-three-canners")

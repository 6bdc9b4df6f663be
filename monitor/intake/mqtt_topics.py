"""What a message is, by the topic it came on: a sample, a word on a node's presence, a plain number, or nothing
that is expected. Pure; looks at no payload beyond two known words."""

from __future__ import annotations

from typing import NamedTuple

from monitor.intake.mqtt_settings import MqttSettings
from monitor.intake.wire import NODE_NAME

RETAINED = "a retained {}: nobody knows how old it is"
WAITED = "a number that waited at the broker: nobody knows when it was measured"

#: Topics of so many nodes are remembered; more are noise, and looked at anew each time.
_REMEMBERED = 1000


class Sorted(NamedTuple):
    """The fields of an :class:`monitor.intake.source.Arrival` that follow from a topic."""

    kind: str
    node: str | None
    why: str = ""
    channel: str | None = None
    unit: str | None = None


class Topics:
    """The topics of one broker, as its settings have them."""

    def __init__(self, settings: MqttSettings) -> None:
        self._stem = f"{settings.prefix}/"
        self._numbers = {number.topic: number for number in settings.plain_numbers}
        self._samples: dict[str, Sorted] = {}

    def subscriptions(self, share: str | None) -> list[tuple[str, int]]:
        """(filter, MQTT 5's retain handling): presence is meant to be retained, nothing else is."""
        shared = f"$share/{share}/" if share else ""
        topics = [(f"{shared}{self._stem}+/samples", 2), (f"{self._stem}+/presence", 0)]
        return topics + [(topic, 2) for topic in self._numbers]

    def sort(self, topic: str, payload: bytes, retained: bool, *, waited: bool) -> Sorted:
        """``waited``: the broker may have held the message back for a while."""
        known = self._samples.get(topic)
        if known is not None and not retained:
            return known
        number = self._numbers.get(topic)
        if number is not None:
            if retained or waited:
                return Sorted("refused", number.node, RETAINED.format("number") if retained else WAITED)
            return Sorted("value", number.node, "", number.channel, number.unit)
        node, _, what = topic.removeprefix(self._stem).partition("/")
        if what == "samples":
            return self._sample(topic, node, retained)
        if what == "presence":
            return _presence(node, payload)
        return Sorted("refused", None, f"nothing is expected on topic {topic[:80]!a}")

    def _sample(self, topic: str, node: str, retained: bool) -> Sorted:
        if retained:
            return Sorted("refused", node, RETAINED.format("sample"))
        found = Sorted("samples", node)
        if len(self._samples) < _REMEMBERED:
            self._samples[topic] = found
        return found


def _presence(node: str, payload: bytes) -> Sorted:
    if not NODE_NAME.fullmatch(node):
        return Sorted("refused", None, f"{node[:64]!a} cannot be a node's name")
    if payload in (b"online", b"offline"):
        return Sorted("presence", node)
    return Sorted("refused", node, "presence is neither online nor offline")

"""The ways an alarm leaves the machine: the brokers' ``alarm`` topics and the push services; and a watch on them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from queue import Empty, SimpleQueue
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.alarms import (
    AlarmMachine,
    Context,
    JournalRow,
    Moment,
    PathWatch,
    Priority,
    PushQueue,
    State,
    condition_alarm,
    message_for,
    mqtt_pack,
)
from monitor.alarms.channels import Channel
from monitor.intake.source import Source

#: The scope of alarms about the house's own machinery.
SCOPE = "collector"


class Ways:
    """Tells other rooms and other houses. Keeps nothing, waits for nothing.

    ``zone_of`` gives the zone name of a run, for times in messages.
    """

    def __init__(
        self,
        sources: Iterable[Source],
        push: Channel | None,
        zone_of: Callable[[str], str | None],
        now_s: float,
    ) -> None:
        self._sources = [source for source in sources if source.reaches_out() is not None]
        self._zone_of = zone_of
        self._paths = {source.name: PathWatch(source.name, now_s) for source in self._sources}
        self._reports: SimpleQueue[tuple[bool, str]] = SimpleQueue()
        self._push = PushQueue(push, lambda ok, why: self._reports.put((ok, why))) if push else None
        if self._push:
            self._paths["push"] = PathWatch("the push service")

    def tell(self, rows: Sequence[JournalRow], machine: AlarmMachine, now: Moment) -> None:
        """Let it be heard what changed on the board of alarms."""
        if not rows:
            return
        standing = {row["alarm_id"]: row for row in machine.board(now)}
        for row in rows:
            shown = standing.get(row.alarm_id) or _over(row)
            if shown is None:
                continue
            self.publish(str(shown.get("canner") or row.scope), shown)
            if self._push and row.change == "raised" and shown["priority"] != Priority.NOTICE.value:
                self._paths["push"].sent(now.at_s)
                self._push.put(message_for(shown, self._zone_time(row.scope)))

    def publish(self, name: str, row: Mapping[str, Any]) -> None:
        """Put one alarm on every broker, at once."""
        payload = mqtt_pack(row)
        topic_level = "".join(sign if sign.isalnum() or sign in "-_." else "-" for sign in name) or SCOPE
        for source in self._sources:
            source.publish_alarm(topic_level, payload)

    def watch(self, machine: AlarmMachine, now: Moment) -> list[JournalRow]:
        """Notice that a way out is lost or back: an alarm nobody can hear must be said where one can."""
        up = {source.name for source in self._sources if source.reaches_out()}
        for source in self._sources:
            self._paths[source.name].link(source.name in up, now.at_s)
        self._take_reports(now.at_s)
        rows: list[JournalRow] = []
        for path in self._paths.values():
            changed = path.tick(now.at_s)
            if changed == "remote_path_lost":
                alarm = condition_alarm(changed, Context(scope=f"{SCOPE} {path.name}"), path.why(now.at_s))
                rows += machine.raise_alarm(alarm, now)
            elif changed or path.name in up:
                # Also what an earlier life of the collector raised.
                rows += machine.triggers(f"{SCOPE} {path.name}", ["remote_path_back"], now)
        return rows

    def _take_reports(self, now_s: float) -> None:
        while True:
            try:
                ok, why = self._reports.get_nowait()
            except Empty:
                return
            if ok:
                self._paths["push"].confirmed(now_s)
            else:
                self._paths["push"].failed(why)

    def _zone_time(self, scope: str) -> Callable[[datetime], str]:
        name = self._zone_of(scope)
        try:
            zone = ZoneInfo(name) if name else None
        except (ZoneInfoNotFoundError, ValueError):
            zone = None
        return lambda moment: f"{moment.astimezone(zone):%H:%M (%d %b)}"

    def close(self) -> None:
        """Send what waits, within a few seconds."""
        if self._push:
            self._push.close()


def _over(row: JournalRow) -> dict[str, Any] | None:
    """The last word on an alarm that no longer stands."""
    if row.to_state != State.NORMAL.value or row.alarm is not None:
        return None
    return {
        "scope": row.scope,
        "kind": row.kind,
        "alarm_id": row.alarm_id,
        "state": row.to_state,
        "priority": row.priority,
        "headline": "",
        "what": row.text,
        "do": "",
        "raised_utc": row.at_utc.isoformat(),
    }

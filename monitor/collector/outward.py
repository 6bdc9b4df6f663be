"""The ways an alarm leaves the machine: the brokers' ``alarm`` topics and the push services; and a watch on them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.alarms import (
    AlarmMachine,
    Context,
    JournalRow,
    Moment,
    PathWatch,
    Priority,
    State,
    condition_alarm,
    mqtt_pack,
)
from monitor.alarms.channels import Channel
from monitor.alarms.states import UNACKNOWLEDGED
from monitor.collector.pushing import PUSH, Pushing
from monitor.intake.source import Source

#: The scope of alarms about the house's own machinery.
SCOPE = "collector"
#: So many words wait for one broker at most; the oldest go first, and what stands is said anew when its link comes.
MOST_OWED = 1000


class Whose(NamedTuple):
    """Whose alarm one is: the canner of its run, and the nodes that serve that run or did."""

    canner: str | None
    nodes: Sequence[str]


NOBODYS = Whose(None, ())


class Broker:
    """One broker as a way out: what it has not taken yet is kept, the last word on each alarm."""

    def __init__(self, source: Source, now_s: float) -> None:
        self._source = source
        self.path = PathWatch(source.name, now_s)
        self._up = False
        #: By level of the topic and alarm.
        self._owed: dict[tuple[str, str], bytes] = {}

    @property
    def busy(self) -> bool:
        """Whether something waits to be taken."""
        return bool(self._owed)

    def look(self, now_s: float) -> bool:
        """See whether the link is there; True where it has just come, for the first time or again."""
        was_up, self._up = self._up, bool(self._source.reaches_out())
        self.path.link(self._up, now_s)
        return self._up and not was_up

    def owe(self, level: str, alarm_id: str, payload: bytes) -> None:
        """To be said as soon as there is a link."""
        self._owed.pop((level, alarm_id), None)
        while len(self._owed) >= MOST_OWED:
            del self._owed[next(iter(self._owed))]
        self._owed[level, alarm_id] = payload

    def send(self) -> None:
        """Say what is owed, oldest first, as far as the link takes it."""
        for (level, alarm_id), payload in list(self._owed.items()):
            if not self._source.reaches_out() or not self._source.publish_alarm(level, payload):
                return
            del self._owed[level, alarm_id]


class Ways:
    """Tells other rooms and other houses; waits for nothing.

    Parameters
    ----------
    sources : iterable of Source
        Those that lead to a broker are told.
    push : Channel or None
        A push service.
    zone_of : callable
        The zone name of a run, for times in messages.
    now_s : float
        House time.
    whose : callable, optional
        Whose an alarm of this scope is.
    pushed : iterable of str, optional
        Alarms whose push was confirmed in an earlier life of the collector.
    remember : callable, optional
        Told, in one line of text, what ``pushed`` is to be in the next one.
    """

    def __init__(
        self,
        sources: Iterable[Source],
        push: Channel | None,
        zone_of: Callable[[str], str | None],
        now_s: float,
        *,
        whose: Callable[[str], Whose] = lambda scope: NOBODYS,
        pushed: Iterable[str] = (),
        remember: Callable[[str], None] = lambda text: None,
    ) -> None:
        self._brokers = [Broker(source, now_s) for source in sources if source.reaches_out() is not None]
        self._zone_of = zone_of
        self._whose = whose
        self._push = Pushing(push, pushed, self._zone_time) if push else None
        self._remember = remember
        self._remembered = ""
        self._paths = [broker.path for broker in self._brokers]
        if self._push:
            self._paths.append(self._push.path)
        self._printed = PathWatch("what the collector prints")
        self._paths.append(self._printed)
        #: Where an alarm was said, by its id: where its end must be said too, whatever was assigned anew meanwhile.
        self._levels: dict[str, dict[str, None]] = {}
        #: Alarms that were last said to be silenced or put aside.
        self._quiet: set[str] = set()
        self._began = False

    def tell(self, rows: Sequence[JournalRow], machine: AlarmMachine, now: Moment) -> None:
        """Let it be heard what changed on the board of alarms, and what could not be said before."""
        busy = any(broker.busy for broker in self._brokers) or (self._push and self._push.busy)
        if not rows and not busy and not self._quiet:
            return
        board = [_outward(row) for row in machine.board(now)]
        standing = {row["alarm_id"]: row for row in board}
        for row in rows:
            shown = standing.get(row.alarm_id) or _over(row)
            if shown is None:
                continue
            self._publish(shown)
            if self._push and row.change == "raised" and _for_the_phone(shown):
                self._push.owe(row.alarm_id, now.at_s)
        self._quiet.intersection_update(standing)
        for alarm_id in [one for one in self._quiet if not _kept_quiet(standing[one])]:
            # Its time is over, and no row of the journal says so.
            self._publish(standing[alarm_id])
        for broker in self._brokers:
            broker.send()
        if self._push:
            self._push.send(board, now.at_s)

    def repeat(self, scope: str, kind: str, machine: AlarmMachine, now: Moment) -> None:
        """Say at the brokers again what still stands: whatever rings there is not to forget it."""
        for row in machine.board(now):
            if (row["scope"], row["kind"]) == (scope, kind):
                self._publish(_outward(row))

    def _publish(self, row: Mapping[str, Any]) -> None:
        """Owe one alarm to every broker, for each node that it concerns."""
        scope, alarm_id = str(row["scope"]), str(row["alarm_id"])
        whose = self._whose(scope)
        payload = mqtt_pack({**row, "canner": row.get("canner") or whose.canner})
        house = SCOPE if _of_the_house(scope) else scope
        levels = self._levels.setdefault(alarm_id, {})
        levels |= dict.fromkeys(map(_level, whose.nodes or [whose.canner or row.get("canner") or house]))
        for level in levels:
            for broker in self._brokers:
                broker.owe(level, alarm_id, payload)
        (self._quiet.add if _kept_quiet(row) else self._quiet.discard)(alarm_id)
        if row["state"] == State.NORMAL.value:
            del self._levels[alarm_id]

    def printed(self, trouble: str | None, now_s: float) -> None:
        """Why the collector's last line could not be printed; "" where it was, None where there was none."""
        if trouble:
            self._printed.failed(trouble)
        elif trouble is not None:
            self._printed.confirmed(now_s)

    def watch(self, machine: AlarmMachine, now: Moment) -> list[JournalRow]:
        """Notice that a way out is lost or back: an alarm nobody can hear must be said where one can.

        What stands unacknowledged is owed to a broker anew whenever its link comes: whatever rings there may have
        been away too.
        """
        came = [broker.look(now.at_s) for broker in self._brokers]
        if any(came):
            for row in machine.board(now):
                if row["state"] in UNACKNOWLEDGED:
                    self._publish(_outward(row))
        rows: list[JournalRow] = [] if self._began else self._begin(machine, now)
        if self._push:
            self._push.look(now.at_s)
            if self._push.busy:
                self._push.send([_outward(row) for row in machine.board(now)], now.at_s)
            self._keep()
        for path in self._paths:
            changed = path.tick(now.at_s)
            if changed == "remote_path_lost":
                alarm = condition_alarm(changed, Context(scope=f"{SCOPE} {path.name}"), path.why(now.at_s))
                rows += machine.raise_alarm(alarm, now)
            elif changed or path.works:
                # Also what an earlier life of the collector raised.
                rows += machine.triggers(f"{SCOPE} {path.name}", ["remote_path_back"], now)
        return rows

    def _begin(self, machine: AlarmMachine, now: Moment) -> list[JournalRow]:
        """What an earlier life of the collector left: pushes that were never confirmed, ways that are no more."""
        self._began = True
        board = [_outward(row) for row in machine.board(now)]
        if self._push:
            self._push.recall([row for row in board if _for_the_phone(row)], now)
        here = {f"{SCOPE} {path.name}" for path in self._paths}
        gone = [
            row["scope"] for row in board if row["kind"] == "remote_path_lost" and row["scope"] not in here
        ]
        return [row for scope in gone for row in machine.triggers(scope, ["remote_path_removed"], now)]

    def _keep(self) -> None:
        assert self._push is not None
        if (pushed := self._push.pushed) != self._remembered:
            self._remembered = pushed
            self._remember(pushed)

    def _zone_time(self, scope: str) -> Callable[[datetime], str]:
        name = self._zone_of(scope)
        try:
            zone = ZoneInfo(name) if name else None
        except (ZoneInfoNotFoundError, ValueError):
            zone = None
        return lambda moment: f"{moment.astimezone(zone):%H:%M (%d %b)}"

    def close(self, now_s: float = 0.0) -> None:
        """Send what waits, within a few seconds."""
        if self._push:
            self._push.close(now_s)
            self._keep()


def _level(name: str) -> str:
    """One level of a topic, whatever somebody is called."""
    return "".join(sign if sign.isalnum() or sign in "-_." else "-" for sign in name) or SCOPE


def _of_the_house(scope: str) -> bool:
    return scope == SCOPE or scope.startswith(f"{SCOPE} ")


def _kept_quiet(row: Mapping[str, Any]) -> bool:
    return bool(row.get("silenced_until_utc") or row.get("shelved_until_utc"))


def _for_the_phone(row: Mapping[str, Any]) -> bool:
    """All but notices, and that the way to the phone itself is lost: that could only arrive when it is over."""
    return row["priority"] != Priority.NOTICE.value and str(row["scope"]) != f"{SCOPE} {PUSH}"


def _outward(row: dict[str, Any]) -> dict[str, Any]:
    """As other rooms are told: what ailed the house's own machinery asks nothing of them once it works again."""
    if _of_the_house(str(row["scope"])) and row["state"] == State.RETURNED_UNACKNOWLEDGED.value:
        return {**row, "state": State.NORMAL.value, "sound": None}
    return row


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

"""How an alarm leaves the house: the MQTT message, optional push services, and a watch on the way out.

Nothing here opens a connection of its own accord: the collector publishes what :func:`mqtt_pack` builds, and
a push service is called only from :class:`PushQueue`'s own thread.
"""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from monitor.errors import ConfigError, to_install

#: A way out that has been down this long is an alarm itself; with a check a second that is well inside the
#: minute in which the loss must show.
PATH_GRACE_S = 30.0
#: SenML names allow few characters (RFC 8428, section 4.5.1); everything else becomes a dash.
_NAME_SIGNS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-:./_")


def alarm_topic(prefix: str, node: str) -> str:
    """The topic of the contract: ``boilwitness/<node>/alarm``."""
    return f"{prefix}/{node}/alarm"


def mqtt_pack(row: Mapping[str, Any]) -> bytes:
    """One row of the board as a SenML pack in JSON (RFC 8428), for the ``alarm`` topic.

    Records: ``alarm`` (kind), ``state``, ``priority``, ``sound`` (``vb``), ``headline``, ``what``, ``do``,
    and ``by`` (RFC 3339) where there is a deadline. The base name is the canner, or the scope; the base time
    is when the alarm was raised.
    """
    base = _name(str(row.get("canner") or row["scope"])) + ":"
    raised = datetime.fromisoformat(str(row["raised_utc"])).timestamp()
    records: list[dict[str, Any]] = [
        {"bn": base, "bt": round(raised, 3), "n": "alarm", "vs": row["kind"]},
        {"n": "id", "vs": row["alarm_id"]},
        {"n": "state", "vs": row["state"]},
        {"n": "priority", "vs": row["priority"]},
        {"n": "sound", "vb": row.get("sound") is not None},
        {"n": "headline", "vs": row["headline"]},
        {"n": "what", "vs": row["what"]},
        {"n": "do", "vs": row["do"]},
    ]
    if row.get("due_utc"):
        records.append({"n": "by", "vs": row["due_utc"]})
    return json.dumps(records, ensure_ascii=False, separators=(",", ":")).encode()


def _name(text: str) -> str:
    kept = "".join(sign if sign in _NAME_SIGNS else "-" for sign in text)
    return kept if kept[:1].isalnum() else f"x{kept}"


@dataclass(frozen=True, slots=True)
class Message:
    """What a person's phone shows."""

    title: str
    text: str
    urgent: bool


def message_for(row: Mapping[str, Any], zone_time: Callable[[datetime], str]) -> Message:
    """One row of the board in words. ``zone_time`` shows an instant in the site's zone."""
    where = f" ({row['canner']})" if row.get("canner") else ""
    lines = [str(row["what"]), str(row["do"])]
    if row.get("due_utc"):
        lines.append(f"By {zone_time(datetime.fromisoformat(str(row['due_utc'])))}.")
    return Message(f"{row['headline']}{where}", "\n".join(lines), row["priority"] == "high")


class Channel(Protocol):
    """A push service: deliver, or say False or raise OSError."""

    def send(self, message: Message) -> bool: ...


class AppriseChannel:
    """Push, e-mail and the rest through the ``apprise`` library, an optional extra.

    Raises
    ------
    ConfigError
        The library is missing, or an address is not one that it understands.
    """

    def __init__(self, addresses: Sequence[str]) -> None:
        try:
            import apprise
        except ImportError as missing:
            raise ConfigError(
                "push addresses are set, but the push library is not installed.",
                to_install("apprise>=1.9"),
            ) from missing
        self._service = apprise.Apprise()
        self._urgent, self._calm = apprise.NotifyType.FAILURE, apprise.NotifyType.INFO
        for number, address in enumerate(addresses, 1):
            if not self._service.add(address):
                # The address holds a secret; it is named by its place, not printed.
                raise ConfigError(f"push address {number} is not understood.", "Check its spelling.")

    def send(self, message: Message) -> bool:
        kind = self._urgent if message.urgent else self._calm
        return bool(self._service.notify(title=message.title, body=message.text, notify_type=kind))


class PushQueue:
    """Sends messages from a thread of its own, so that a slow service never holds up a sample.

    ``report(ok, why)`` is called from that thread after each attempt; hand it on to :class:`PathWatch`
    through the collector's own loop.
    """

    def __init__(self, channel: Channel, report: Callable[[bool, str], None], *, limit: int = 100) -> None:
        self._channel, self._report = channel, report
        self._waiting: queue.Queue[Message | None] = queue.Queue(limit)
        self._thread = threading.Thread(target=self._work, name="push", daemon=True)
        self._thread.start()

    def put(self, message: Message) -> None:
        """Queue a message; a full queue is reported as a failure, never waited for."""
        try:
            self._waiting.put_nowait(message)
        except queue.Full:
            self._report(False, "more messages are waiting than can be kept")

    def close(self, timeout_s: float = 5.0) -> None:
        """Send what waits, then stop; gives up after ``timeout_s``."""
        try:
            self._waiting.put(None, timeout=timeout_s)
        except queue.Full:
            return
        self._thread.join(timeout_s)

    def _work(self) -> None:
        while (message := self._waiting.get()) is not None:
            try:
                sent = self._channel.send(message)
            except OSError as trouble:
                self._report(False, str(trouble))
            else:
                self._report(sent, "" if sent else "the service refused or could not be reached")


class PathWatch:
    """Notices that a way out of the house is lost, or back. Pure: the time is an argument.

    A path is lost when its link has been down, or a message on it unconfirmed, for :data:`PATH_GRACE_S`, or
    as soon as a delivery has failed. ``down_since_s`` is the start for a path with a link (a broker), None
    for one that is only known by its deliveries (a push service).
    """

    def __init__(self, name: str, down_since_s: float | None = None) -> None:
        self.name = name
        self._down_since_s = down_since_s
        self._waiting_since_s: float | None = None
        self._failed = ""
        self._lost = False

    def link(self, up: bool, now_s: float) -> None:
        """The connection came up or went down."""
        if up:
            self._down_since_s = None
        elif self._down_since_s is None:
            self._down_since_s = now_s

    def sent(self, now_s: float) -> None:
        """A message was handed over; its confirmation is awaited."""
        if self._waiting_since_s is None:
            self._waiting_since_s = now_s

    def confirmed(self, now_s: float) -> None:
        """The other side has it."""
        self._waiting_since_s, self._failed = None, ""
        self.link(True, now_s)

    def failed(self, why: str) -> None:
        """A delivery failed for good."""
        self._waiting_since_s, self._failed = None, why or "the message was not delivered"

    def tick(self, now_s: float) -> str | None:
        """``remote_path_lost`` or ``remote_path_back`` on a change, else None."""
        lost = bool(self.why(now_s))
        if lost is self._lost:
            return None
        self._lost = lost
        return "remote_path_lost" if lost else "remote_path_back"

    def why(self, now_s: float) -> str:
        """Why the path counts as lost now; empty while it does not."""
        if self._failed:
            return f"{self.name}: {self._failed}"
        for since_s, words in (
            (self._down_since_s, "no connection"),
            (self._waiting_since_s, "a message is not confirmed"),
        ):
            if since_s is not None and now_s - since_s >= PATH_GRACE_S:
                return f"{self.name}: {words} for {now_s - since_s:.0f} s"
        return ""

"""How an alarm leaves the house: the MQTT message, optional push services, and a watch on the way out.

Nothing here opens a connection of its own accord: the collector publishes what :func:`mqtt_pack` builds, and
a push service is called only from :class:`PushQueue`'s own thread.
"""

from __future__ import annotations

import json
import queue
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from monitor.errors import ConfigError

#: A way out that has been down this long is an alarm itself; with a check a second that is well inside the
#: minute in which the loss must show.
PATH_GRACE_S = 30.0
#: Of so many messages it is remembered at most which services lack them.
MOST_HALF_TOLD = 1000
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
    #: The alarm behind it; tried again, it goes only where it has not arrived.
    alarm_id: str = ""


def message_for(row: Mapping[str, Any], zone_time: Callable[[datetime], str]) -> Message:
    """One row of the board in words. ``zone_time`` shows an instant in the site's zone."""
    where = f" ({row['canner']})" if row.get("canner") else ""
    lines = [str(row["what"]), str(row["do"])]
    if row.get("due_utc"):
        lines.append(f"By {zone_time(datetime.fromisoformat(str(row['due_utc'])))}.")
    text = "\n".join(line for line in lines if line)
    return Message(
        f"{row['headline']}{where}", text, row["priority"] == "high", str(row.get("alarm_id") or "")
    )


class Channel(Protocol):
    """A push service: deliver, or say False or raise OSError."""

    def send(self, message: Message) -> bool: ...


class AppriseChannel:
    """Push, e-mail and the rest through the ``apprise`` library, an optional extra.

    A message counts as delivered once each address has it; told again, it goes only to those that have not.

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
                "Install it with: pip install 'boilwitness[push]'.",
            ) from missing
        self._services = []
        #: By alarm: the services that do not have its message yet.
        self._lacking: dict[str, list[Any]] = {}
        self._urgent, self._calm = apprise.NotifyType.FAILURE, apprise.NotifyType.INFO
        for number, address in enumerate(addresses, 1):
            service = apprise.Apprise()
            if not service.add(address):
                # The address holds a secret; it is named by its place, not printed.
                raise ConfigError(f"push address {number} is not understood.", "Check its spelling.")
            self._services.append(service)

    def send(self, message: Message) -> bool:
        services = self._lacking.pop(message.alarm_id, None) or self._services
        # All at once: one that is slow to refuse keeps no other waiting.
        with ThreadPoolExecutor(len(services)) as pool:
            have = list(pool.map(lambda service: self._notify(service, message), services))
        lacking = [service for service, has in zip(services, have, strict=True) if not has]
        if lacking and message.alarm_id:
            while len(self._lacking) >= MOST_HALF_TOLD:
                del self._lacking[next(iter(self._lacking))]
            self._lacking[message.alarm_id] = lacking
        return not lacking

    def _notify(self, service: Any, message: Message) -> bool:
        kind = self._urgent if message.urgent else self._calm
        try:
            return bool(service.notify(title=message.title, body=message.text, notify_type=kind))
        except OSError:
            return False


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
            except Exception as trouble:  # noqa: BLE001 (whatever a service's code does, the next message goes out)
                self._report(False, str(trouble) or type(trouble).__name__)
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
        #: When each message that is not confirmed yet was handed over; they are answered in that order. [s]
        self._waiting_since_s: deque[float] = deque()
        self._failed = ""
        self._lost = False
        self._proven = False

    @property
    def works(self) -> bool:
        """Whether it was seen to work, and not to be lost since: one that was never tried is no proof of anything."""
        return self._proven and not self._lost

    def link(self, up: bool, now_s: float) -> None:
        """The connection came up or went down."""
        self._proven = up
        if up:
            self._down_since_s = None
        elif self._down_since_s is None:
            self._down_since_s = now_s

    def sent(self, now_s: float) -> None:
        """A message was handed over; its confirmation is awaited."""
        self._waiting_since_s.append(now_s)

    def confirmed(self, now_s: float) -> None:
        """The other side has the oldest of those that were sent."""
        self._failed = ""
        self._answered()
        self.link(True, now_s)

    def failed(self, why: str) -> None:
        """The delivery of the oldest of those that were sent failed."""
        self._failed, self._proven = why or "the message was not delivered", False
        self._answered()

    def _answered(self) -> None:
        if self._waiting_since_s:
            self._waiting_since_s.popleft()

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
            (next(iter(self._waiting_since_s), None), "a message is not confirmed"),
        ):
            if since_s is not None and now_s - since_s >= PATH_GRACE_S:
                return f"{self.name}: {words} for {now_s - since_s:.0f} s"
        return ""

"""How to reach an MQTT broker, and which foreign topics carry plain numbers. Plain frozen data."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import SplitResult, unquote, urlsplit

from monitor.errors import ConfigError, UsageError, WireFormatError
from monitor.intake.channels import NUMBER_UNITS, measured_channel
from monitor.intake.wire import NODE_NAME

PLAIN_PORT = 1883
TLS_PORT = 8883

#: Where a password is looked for when none is given; on the command line everybody could read it.
PASSWORD_VARIABLE = "BOILWITNESS_MQTT_PASSWORD"

#: Two bytes on the wire (MQTT 5.0, section 3.1.2.10); 0 would leave a dead link unnoticed. [s]
LONGEST_KEEPALIVE_S = 65_535

_ADDRESS_HELP = "Use HOST, HOST:PORT, mqtt://HOST:PORT or mqtts://HOST:PORT."


@dataclass(frozen=True, slots=True)
class PlainNumber:
    """A topic on which some other device says one plain number, and what it means here.

    The node gets its ``boot`` and ``seq`` from the collector. Such a device cannot send again: what it says
    while nobody listens is lost, and shown as a gap.
    """

    topic: str
    node: str
    channel: str
    unit: str

    def __post_init__(self) -> None:
        if not self.topic or any(sign in self.topic for sign in "+#\x00"):
            raise ConfigError(f"topic {self.topic!r}: a plain number needs one topic, without + or #")
        if not NODE_NAME.fullmatch(self.node):
            raise ConfigError(f"node {self.node!r}: letters, digits, '.', '_' and '-' only, at most 64")
        if self.unit not in NUMBER_UNITS:
            raise ConfigError(f"unit {self.unit!r} of {self.topic}: one of {', '.join(NUMBER_UNITS)}")
        try:
            wire_unit = measured_channel(self.channel).unit
        except WireFormatError as trouble:
            raise ConfigError(f"channel of {self.topic}: {trouble}") from None
        if NUMBER_UNITS[self.unit][0] != wire_unit:
            raise ConfigError(
                f"unit {self.unit!r} of {self.topic}: {self.channel} is measured in {wire_unit}"
            )


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """One broker.

    ``client_id`` must never change, for by it the broker keeps what it could not deliver; and no two collectors
    at a broker may have the same one, for they would throw each other off. None: one is made from the store.
    """

    host: str
    port: int = PLAIN_PORT
    client_id: str | None = None
    prefix: str = "boilwitness"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    #: Certificates to trust instead of the system's; for a broker with a certificate of one's own.
    ca_file: Path | None = None
    plain_numbers: tuple[PlainNumber, ...] = ()
    #: Name of an MQTT 5 shared subscription, where several collectors share the load and one store.
    share: str | None = None
    keepalive_s: int = 5

    def __post_init__(self) -> None:
        if not self.host or re.search(r"[\s/@]", self.host):
            raise UsageError(f"{self.host!r} is not a host name or an address.", _ADDRESS_HELP)
        if not 1 <= self.port <= 65535:
            raise UsageError(f"port {self.port} of {self.host} is not between 1 and 65535")
        if (
            not self.prefix
            or self.prefix.strip("/") != self.prefix
            or any(s in self.prefix for s in "+#$\x00")
        ):
            raise ConfigError(f"topic prefix {self.prefix!r}: no leading or trailing /, no + # or $")
        if self.share is not None and not NODE_NAME.fullmatch(self.share):
            raise ConfigError(f"share {self.share!r}: letters, digits, '.', '_' and '-' only")
        if self.client_id is not None and not NODE_NAME.fullmatch(self.client_id):
            raise ConfigError(
                f"client id {self.client_id!r}: letters, digits, '.', '_' and '-' only, at most 64"
            )
        if self.ca_file is not None and not self.tls:
            raise ConfigError("a CA file is of use only with TLS (mqtts://)")
        if self.password is not None and self.username is None:
            raise ConfigError("a password needs a user name (username) beside it")
        if not 1 <= self.keepalive_s <= LONGEST_KEEPALIVE_S:
            raise ConfigError(f"keepalive_s {self.keepalive_s}: between 1 and {LONGEST_KEEPALIVE_S}")

    def for_store(self, store_id: str) -> MqttSettings:
        """These settings with a client id, made from the store's own where none is given."""
        return self if self.client_id else replace(self, client_id=f"boilwitness-{store_id}")

    @property
    def address(self) -> str:
        """Host and port as a person writes them."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{host}:{self.port}"


def parse_mqtt_address(text: str, base: MqttSettings | None = None) -> MqttSettings:
    """Settings from ``HOST:PORT``, ``mqtt://USER@HOST:PORT`` or ``mqtts://...``, the rest from ``base``.

    >>> parse_mqtt_address("mqtts://cook@broker.lan").address
    'broker.lan:8883'

    Raises
    ------
    UsageError
        When the text names no host, or a port that is none.
    """
    parts = urlsplit(text if "://" in text else f"mqtt://{text}")
    if parts.scheme not in ("mqtt", "mqtts") or parts.path not in ("", "/") or parts.query or parts.fragment:
        raise UsageError(f"{_without_password(text)!r} is not a broker's address.", _ADDRESS_HELP)
    tls = parts.scheme == "mqtts"
    host, port = _host_and_port(text, parts, TLS_PORT if tls else PLAIN_PORT)
    base = base or MqttSettings(host, port)
    username = unquote(parts.username) if parts.username else base.username
    password = unquote(parts.password) if parts.password else base.password
    if username is not None and password is None:
        password = os.environ.get(PASSWORD_VARIABLE)
    return replace(
        base, host=host, port=port, tls=tls or base.ca_file is not None, username=username, password=password
    )


def _host_and_port(text: str, parts: SplitResult, default_port: int) -> tuple[str, int]:
    try:
        host, port = parts.hostname, parts.port
    except ValueError:
        raise UsageError(f"{_without_password(text)!r} has no usable port.", _ADDRESS_HELP) from None
    if not host:
        raise UsageError(f"{_without_password(text)!r} names no host.", _ADDRESS_HELP)
    return host, default_port if port is None else port


def _without_password(address: str) -> str:
    """As it may stand in a journal."""
    return re.sub(r":[^:/@]*@", ":...@", address)

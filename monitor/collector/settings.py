"""The settings file of ``boilwitness collect``: TOML to the settings of the sources.

The README shows a whole file, and a test reads it from there.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError, UsageError
from monitor.intake.mqtt_settings import MqttSettings, PlainNumber, parse_mqtt_address

_MQTT_KEYS = {
    "address": str,
    "username": str,
    "password": str,
    "password_file": str,
    "ca_file": str,
    "prefix": str,
    "client_id": str,
    "share": str,
    "keepalive_s": int,
    "plain_number": list,
}
_NUMBER_KEYS = {"topic": str, "node": str, "channel": str, "unit": str}
_SERIAL_KEYS = {"device": str, "baud": int}
_TOP_KEYS = {"mqtt": list, "serial": list, "push": list}

#: No serial port of today is slower or faster. [bit/s]
SLOWEST_BAUD, FASTEST_BAUD = 300, 4_000_000

#: What these hold is not for a journal, nor are whole tables, which may hold a password.
_SECRET = frozenset({"password", "push"})


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """One serial port."""

    device: str
    baud: int = 115200

    def __post_init__(self) -> None:
        if not self.device.strip():
            raise ConfigError("device: a serial port has a name, such as /dev/ttyACM0")
        if not SLOWEST_BAUD <= self.baud <= FASTEST_BAUD:
            raise ConfigError(f"baud {self.baud}: between {SLOWEST_BAUD} and {FASTEST_BAUD:,} bit/s")


@dataclass(frozen=True, slots=True)
class CollectSettings:
    """Everything the collector listens to, and where it pushes alarms."""

    mqtt: tuple[MqttSettings, ...] = ()
    serial: tuple[SerialSettings, ...] = ()
    push: tuple[str, ...] = ()


def read_settings(path: Path) -> CollectSettings:
    """Read a settings file.

    Raises
    ------
    ConfigError
        Names the file, the key and what was expected.
    """
    try:
        form = tomllib.loads(path.read_text("utf-8"))
    except OSError as trouble:
        raise ConfigError(f"{path}: cannot be read: {trouble.strerror}.") from trouble
    except UnicodeDecodeError as trouble:
        raise ConfigError(f"{path}: byte {trouble.start}: expected UTF-8 text.") from trouble
    except tomllib.TOMLDecodeError as trouble:
        raise ConfigError(f"{path}: not TOML: {trouble}.") from trouble
    _check(path, "the file", form, _TOP_KEYS)
    push = form.get("push", [])
    if not all(isinstance(address, str) for address in push):
        raise ConfigError(f"{path}: push: expected a list of addresses.")
    brokers = tuple(_mqtt(path, part) for part in form.get("mqtt", []))
    _each_number_once(path, [number for broker in brokers for number in broker.plain_numbers])
    return CollectSettings(
        mqtt=brokers,
        serial=tuple(_serial(path, part) for part in form.get("serial", [])),
        push=tuple(push),
    )


def _check(path: Path, where: str, part: Any, keys: Mapping[str, type]) -> None:
    if not isinstance(part, dict):
        raise ConfigError(f"{path}: {where}: expected a table of keys.")
    for key, value in part.items():
        if key not in keys:
            raise ConfigError(f"{path}: {where}: unknown key {key!r}.", f"Known: {', '.join(sorted(keys))}.")
        if not isinstance(value, keys[key]) or isinstance(value, bool):
            raise ConfigError(f"{path}: {where}: {key}: expected {keys[key].__name__}, {_found(key, value)}.")


def _found(key: str, value: Any) -> str:
    if isinstance(value, dict):
        return f"found one table; write [[{key}]] with two brackets, once for each"
    if key in _SECRET or isinstance(value, list):
        return f"found {type(value).__name__}"
    return f"found {value!r}"


def _each_number_once(path: Path, numbers: list[PlainNumber]) -> None:
    """Two thermometers under one name would be one reading that jumps to and fro."""
    topics: dict[tuple[str, str], str] = {}
    for number in numbers:
        other = topics.setdefault((number.node, number.channel), number.topic)
        if other != number.topic:
            raise ConfigError(
                f"{path}: [[mqtt.plain_number]]: channel: {other} and {number.topic} are both {number.channel!r} of "
                f"node {number.node!r}.",
                "Give each a node or a channel of its own.",
            )


def _mqtt(path: Path, part: Any) -> MqttSettings:
    _check(path, "[[mqtt]]", part, _MQTT_KEYS)
    if "address" not in part:
        raise ConfigError(f"{path}: [[mqtt]]: address is missing.", 'Write address = "mqtt://HOST:PORT".')
    with _named(path, "[[mqtt]]"):
        return _with_changes(path, part, parse_mqtt_address(part["address"]))


def _with_changes(path: Path, part: dict[str, Any], settings: MqttSettings) -> MqttSettings:
    changes: dict[str, Any] = {
        key: part[key] for key in ("username", "prefix", "client_id", "share", "keepalive_s") if key in part
    }
    changes["plain_numbers"] = tuple(_number(path, one) for one in part.get("plain_number", []))
    if "password" in part:
        changes["password"] = part["password"]
    if "password_file" in part:
        changes["password"] = _password(path, part["password_file"])
    if "ca_file" in part:
        changes |= {"ca_file": path.parent / part["ca_file"], "tls": True}
    return replace(settings, **changes)


def _password(path: Path, name: str) -> str:
    try:
        return (path.parent / name).read_text("utf-8").strip("\r\n")
    except OSError as trouble:
        raise ConfigError(f"{path}: password_file {name}: cannot be read: {trouble.strerror}.") from trouble
    except UnicodeDecodeError as trouble:
        raise ConfigError(f"{path}: password_file {name}: not UTF-8 text.") from trouble


def _number(path: Path, part: Any) -> PlainNumber:
    _check(path, "[[mqtt.plain_number]]", part, _NUMBER_KEYS)
    missing = _NUMBER_KEYS.keys() - part.keys()
    if missing:
        raise ConfigError(f"{path}: [[mqtt.plain_number]]: {', '.join(sorted(missing))} missing.")
    with _named(path, "[[mqtt.plain_number]]"):
        return PlainNumber(**part)


def _serial(path: Path, part: Any) -> SerialSettings:
    _check(path, "[[serial]]", part, _SERIAL_KEYS)
    if "device" not in part:
        raise ConfigError(f"{path}: [[serial]]: device is missing.", 'Write device = "/dev/ttyACM0".')
    with _named(path, "[[serial]]"):
        return SerialSettings(**part)


@contextmanager
def _named(path: Path, where: str) -> Iterator[None]:
    """What is wrong inside is said with the file and the place, once."""
    try:
        yield
    except (ConfigError, UsageError) as trouble:
        if str(trouble).startswith(str(path)):
            raise
        raise ConfigError(f"{path}: {where}: {trouble}") from trouble

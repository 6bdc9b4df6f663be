"""The settings file: what it gives, and what is said of a wrong one."""

from __future__ import annotations

from configparser import ConfigParser
from pathlib import Path

import pytest

from monitor.cli.main import build_parser
from monitor.collector.settings import (
    _MQTT_KEYS,
    _NUMBER_KEYS,
    _SERIAL_KEYS,
    _TOP_KEYS,
    read_settings,
)
from monitor.errors import MonitorError

WHOLE = """
push = ["json://localhost"]

[[mqtt]]
address = "mqtts://cook@broker.lan"
password_file = "secret"
ca_file = "ca.pem"
prefix = "kitchen"

[[mqtt.plain_number]]
topic = "sensors/pot"
node = "pot"
channel = "water"
unit = "degF"

[[serial]]
device = "/dev/ttyACM0"
baud = 57600
"""


def test_a_whole_file(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("swordfish\n")
    (tmp_path / "s.toml").write_text(WHOLE)
    settings = read_settings(tmp_path / "s.toml")
    (mqtt,) = settings.mqtt
    assert (mqtt.address, mqtt.username, mqtt.password, mqtt.tls) == (
        "broker.lan:8883",
        "cook",
        "swordfish",
        True,
    )
    assert (mqtt.ca_file, mqtt.prefix) == (tmp_path / "ca.pem", "kitchen")
    assert mqtt.plain_numbers[0].channel == "water"
    assert (settings.serial[0].device, settings.serial[0].baud) == ("/dev/ttyACM0", 57600)
    assert settings.push == ("json://localhost",)
    assert "swordfish" not in repr(settings)


def test_the_file_that_the_readme_shows(tmp_path: Path) -> None:
    """It is read as it stands, and again with what is only hinted at; together they name every key."""
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    section = readme.split("### The settings file\n", 1)[1].split("\n### ", 1)[0]
    shown = "\n".join(line[4:] for line in section.splitlines() if line.startswith("    "))
    for name in ("broker-password", "kitchen-ca.pem"):
        (tmp_path / name).write_text("x\n")
    path = tmp_path / "shown.toml"
    path.write_text(shown)
    settings = read_settings(path)
    (mqtt,), (serial,) = settings.mqtt, settings.serial
    assert (mqtt.address, mqtt.username, mqtt.password, mqtt.tls) == (
        "broker.lan:8883",
        "collector",
        "x",
        True,
    )
    assert (mqtt.client_id, mqtt.share) == (None, None)
    assert mqtt.plain_numbers[0].node == "shed"
    assert serial.device.startswith("/dev/serial/by-id/")
    path.write_text(
        shown.replace("# client_id", "client_id").replace('"..."', '"mine"').replace("# share", "share")
    )
    (mqtt,) = read_settings(path).mqtt
    assert (mqtt.client_id, mqtt.share) == ("mine", "kitchens")
    for key in [*_MQTT_KEYS, *_NUMBER_KEYS, *_SERIAL_KEYS, *_TOP_KEYS]:
        assert key in shown, key


TWO_NUMBERS = """
[[mqtt]]
address = "b"
[[mqtt.plain_number]]
topic = "shed/t"
node = "shed"
channel = "water"
unit = "degF"
[[mqtt.plain_number]]
topic = "shed/t2"
node = "shed"
channel = "water"
unit = "degF"
"""


@pytest.mark.parametrize(
    "text, said",
    [
        ("[[mqtt", "not TOML"),
        ("[[mqtt]]\n", "address is missing"),
        ("[[mqtt]]\naddress = 5", "address: expected str, found 5"),
        ("[[mqtt]]\naddress = 'b'\nhost = 'b'", "unknown key 'host'"),
        ("[[mqtt]]\naddress = 'b'\nkeepalive_s = true", "expected int"),
        ("[[mqtt]]\naddress = 'b'\npassword_file = 'none'", "password_file none: cannot be read"),
        ("[[mqtt]]\naddress = 'http://b'", "is not a broker's address"),
        ("[[mqtt]]\naddress = 'b'\n[[mqtt.plain_number]]\ntopic = 'a'", "channel, node, unit missing"),
        ("[[serial]]\nbaud = 9600", "device is missing"),
        ("mqtt = 'b'", "mqtt: expected list"),
        ("push = [5]", "push: expected a list"),
        ("colour = 'red'", "unknown key 'colour'"),
        ("[[mqtt]]\naddress = 'b'\nkeepalive_s = -5", "[[mqtt]]: keepalive_s -5: between 1 and 65535"),
        ("[[mqtt]]\naddress = 'b'\nkeepalive_s = 70000", "keepalive_s 70000"),
        ("[[mqtt]]\naddress = 'b'\npassword = 'x'", "[[mqtt]]: a password needs a user name"),
        ("[[serial]]\ndevice = 'd'\nbaud = -9", "[[serial]]: baud -9"),
        ("[[serial]]\ndevice = 'd'\nbaud = 0", "[[serial]]: baud 0"),
        ("[[serial]]\ndevice = 'd'\nbaud = 12345678901", "[[serial]]: baud 12345678901"),
        ("[[serial]]\ndevice = ' '", "[[serial]]: device"),
        ("[mqtt]\naddress = 'b'", "write [[mqtt]] with two brackets"),
        (TWO_NUMBERS, "[[mqtt.plain_number]]: channel: shed/t and shed/t2 are both 'water' of node 'shed'"),
    ],
)
def test_a_wrong_file_is_said_with_its_key(tmp_path: Path, text: str, said: str) -> None:
    (tmp_path / "s.toml").write_text(text)
    with pytest.raises(MonitorError) as trouble:
        read_settings(tmp_path / "s.toml")
    assert said in str(trouble.value)
    assert "s.toml" in str(trouble.value)


@pytest.mark.parametrize(
    "text",
    [
        "[mqtt]\naddress = 'b'\nusername = 'u'\npassword = 's3cret'",
        "mqtt = [{address = 5, password = 's3cret'}]",
        "[[mqtt]]\naddress = 'b'\nusername = 'u'\npassword = ['s3cret']",
        "push = {a = 'ntfy://s3cret'}",
        "push = 'ntfy://s3cret'",
        "[[mqtt]]\naddress = 'http://u:s3cret@b'",
        "[[mqtt]]\naddress = 'mqtt://u:s3cret@b:x'",
    ],
)
def test_no_password_is_printed(tmp_path: Path, text: str) -> None:
    (tmp_path / "s.toml").write_text(text)
    with pytest.raises(MonitorError) as trouble:
        read_settings(tmp_path / "s.toml")
    assert "s3cret" not in str(trouble.value)


def test_the_units_that_the_readme_shows() -> None:
    """Neither is ever given up, whatever ends it and how often (systemd.unit(5)); what they run is understood."""
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    section = readme.split("### Leave it running", 1)[1].split("\n## ", 1)[0]
    shown = "\n".join(line[4:] for line in section.splitlines() if line.startswith("    "))
    collector, pages = shown.rsplit("\nExecStart=", 1)
    unit = ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read_string(collector)
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"
    assert (unit["Service"]["Restart"], unit["Install"]["WantedBy"]) == ("always", "default.target")
    assert 1.0 <= float(unit["Service"]["RestartSec"]) <= 5.0
    for line in (unit["Service"]["ExecStart"], pages):
        program, verb, *words = line.split()
        assert program == "%h/boilwitness/.venv/bin/boilwitness"
        assert build_parser(verb).parse_args([verb, *words]).verb == verb

"""``boilwitness collect`` at the keyboard: what is plugged in, and what is not usable."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from serial.tools.list_ports_common import ListPortInfo

from monitor.cli.main import main
from monitor.intake import serial_port


def test_the_ports_of_this_machine_are_listed() -> None:
    command = [sys.executable, "-m", "monitor", "collect", "--list-ports"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=180, check=True)
    assert done.stdout.strip()


def test_a_port_is_shown_by_the_name_that_stays(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: Any
) -> None:
    """The system gives a device a number by when it was plugged in, and a link by what it is (udev(7))."""
    near, far = os.openpty()
    port = ListPortInfo(os.ttyname(far))
    port.description = "a board"
    link = tmp_path / "usb-a-board-if00"
    link.symlink_to(os.ttyname(far))
    monkeypatch.setattr(serial_port._tools, "comports", lambda: [port])
    monkeypatch.setattr(serial_port.list_ports, "__defaults__", (tmp_path,))
    assert main(["collect", "--list-ports"]) == 0
    assert capsys.readouterr().out == f"{link}  a board\n"
    monkeypatch.setattr(serial_port._tools, "comports", list)
    assert main(["collect", "--list-ports"]) == 0
    assert capsys.readouterr().out == "no serial port is plugged in\n"
    os.close(near)
    os.close(far)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "nothing to listen to"),
        (["--mqtt", "http://broker"], "is not a broker's address"),
        (["--serial", "/dev/a", "--serial", "/dev/a"], "given twice"),
        (["--settings", "/nowhere.toml"], "cannot be read"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(words: list[str], said: str, tmp_path: Path, capsys: Any) -> None:
    assert main(["collect", "--data", str(tmp_path), *words]) == 2
    heard = capsys.readouterr().err
    assert said in heard
    assert heard.count("\n") == 1

"""How the pages are served: at home only, and guarded when they are open to the home network."""

from __future__ import annotations

import socket
from pathlib import Path

import pytest

from dashboard import kept_passcode, launch, passcode, settings
from dashboard.passcode import Passcode
from monitor.cli.main import main
from monitor.errors import ConfigError
from monitor.jars.labels import PAGES


def test_loopback_is_the_default_and_answers_to_its_own_names_only() -> None:
    """Nothing on the network can reach it, and no foreign host name either."""
    assert f"http://127.0.0.1:{launch.FIRST_PORT}" == PAGES, "labels made elsewhere name the pages' port"
    address = launch.loopback_address(8517)
    told = launch.options(address)
    assert told["server_address"] == "127.0.0.1"
    assert told["server_allowedHosts"] == ["127.0.0.1", "localhost"]
    assert told["browser_gatherUsageStats"] is False
    assert told["server_enableXsrfProtection"] is True


def test_the_home_network_gets_this_machine_s_names_and_no_wildcard() -> None:
    """Allowed hosts are names of this machine."""
    address = launch.lan_address(8517)
    assert address.bind == "0.0.0.0"
    assert "*" not in address.hosts
    assert socket.gethostname() in address.hosts


def test_a_taken_port_is_said() -> None:
    """One clear line."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ConfigError, match=rf"^port {port} is taken\. Name another with --port\.$"):
            launch.free_port(port)


def test_the_qr_code_has_one_width() -> None:
    """Every line of the terminal's picture is equally long."""
    lines = launch.qr_text("http://192.168.1.20:8517").splitlines()
    assert len({len(line) for line in lines}) == 1
    assert len(lines) > 10


def test_passcode_right_wrong_and_limited() -> None:
    """Five wrong tries, then even the right one waits until the first is a minute old."""
    code = Passcode.make("plum-jam-7")
    assert code.check("plum-jam-7", 0.0)
    assert not any(code.check("wrong", float(at)) for at in range(1, 6))
    assert not code.check("plum-jam-7", 10.0)
    assert code.wait_s(10.0) == pytest.approx(51.0)
    assert code.check("plum-jam-7", 61.5)


def test_a_guesser_locks_out_nobody_else_until_there_are_many() -> None:
    """Five wrong tries from one device leave another free; a guesser with many addresses still meets a limit."""
    code = Passcode.make("plum-jam-7")
    assert not any(code.check("wrong", float(at), "192.0.2.7") for at in range(5))
    assert not code.check("plum-jam-7", 5.0, "192.0.2.7")
    assert code.check("plum-jam-7", 5.0, "192.0.2.8")
    assert not any(code.check("wrong", 6.0, f"192.0.2.{number}") for number in range(20, 40))
    assert not code.check("plum-jam-7", 7.0, "192.0.2.8")
    assert code.check("plum-jam-7", 60.5, "192.0.2.8"), "the first of the 25 is a minute old"


def test_passcode_is_stored_without_being_readable(tmp_path: Path) -> None:
    """The file holds no passcode, only its owner may read it, and it comes back."""
    Passcode.make("plum-jam-7").save(tmp_path)
    path = tmp_path / "passcode.json"
    assert "plum" not in path.read_text()
    assert path.stat().st_mode & 0o777 == 0o600
    found = passcode.load(tmp_path)
    assert found is not None and found.check("plum-jam-7", 0.0)
    assert passcode.load(tmp_path / "elsewhere") is None


def test_a_passcode_chosen_anew_counts_on_pages_that_run(tmp_path: Path) -> None:
    """The old one, and every device that gave it, are out; a file that is gone or damaged opens nothing."""
    old = Passcode.make("plum-jam-7")
    old.save(tmp_path)
    cookie = kept_passcode.signed(old, 1000.0 + kept_passcode.KEPT_S)
    before = settings.current()
    settings.configure(settings.Settings(tmp_path, passcode.load(tmp_path)))
    try:
        for at in range(5):
            code = settings.passcode()
            assert code is not None and not code.check("wrong", float(at), "192.0.2.7")
        Passcode.make("other-pass-9").save(tmp_path)
        now = settings.passcode()
        assert now is not None and now.check("other-pass-9", 5.0) and not now.check("plum-jam-7", 5.0)
        assert now.wait_s(5.0, "192.0.2.7") > 0.0, "who guessed still waits"
        assert not kept_passcode.good(now, cookie, 1000.0)
        assert settings.passcode() is now
        for damage in (
            (tmp_path / "passcode.json").unlink,
            lambda: (tmp_path / "passcode.json").write_text("{"),
        ):
            damage()
            assert settings.passcode() is now
    finally:
        settings.configure(before)


def test_a_new_passcode_without_the_home_network_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["dashboard", "--new-passcode", "--data", str(tmp_path)]) == 2
    told = capsys.readouterr()
    assert "--lan" in told.err and told.out == ""


def test_it_is_said_which_passcode_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stored one beside another in the environment; nothing where they are the same."""
    monkeypatch.setattr(launch, "serve", lambda *_: None)
    words = ["dashboard", "--lan", "--data", str(tmp_path)]
    for given, told in (("plum-jam-7", False), ("plum-jam-7", False), ("other-pass-9", True)):
        monkeypatch.setenv("BOILWITNESS_PASSCODE", given)
        assert main(words) == 0
        assert ("chosen before for this store counts" in capsys.readouterr().out) is told
    assert main([*words, "--new-passcode"]) == 0
    assert "counts from now on, on pages that run already too" in capsys.readouterr().out
    found = passcode.load(tmp_path)
    assert found is not None and found.matches("other-pass-9")


def test_a_short_passcode_and_a_damaged_file_are_refused(tmp_path: Path) -> None:
    """Both say what to do."""
    with pytest.raises(ConfigError, match="Use 6 or more"):
        Passcode.make("12345")
    (tmp_path / "passcode.json").write_text("{}")
    with pytest.raises(ConfigError, match="Delete it and choose anew"):
        passcode.load(tmp_path)


def test_a_kept_passcode_ends_by_time_by_any_change_and_with_a_new_passcode() -> None:
    """Signed with HMAC-SHA256 (RFC 2104); twelve hours, and not a second longer."""
    code, other = Passcode.make("plum-jam-7"), Passcode.make("plum-jam-7")
    cookie = kept_passcode.signed(code, 1000.0 + kept_passcode.KEPT_S)
    assert kept_passcode.good(code, cookie, 1000.0)
    assert kept_passcode.good(code, cookie, 999.0 + kept_passcode.KEPT_S)
    assert not kept_passcode.good(code, cookie, 1000.0 + kept_passcode.KEPT_S)
    assert not kept_passcode.good(other, cookie, 1000.0), "a passcode that was chosen anew has another salt"
    for at in range(len(cookie)):
        changed = "0" if cookie[at] != "0" else "1"
        assert not kept_passcode.good(code, cookie[:at] + changed + cookie[at + 1 :], 1000.0)
    assert not any(kept_passcode.good(code, nothing, 1000.0) for nothing in (None, "", ".", "x.y"))


def test_a_word_is_good_once_and_for_half_a_minute() -> None:
    words = kept_passcode.Words()
    word = words.give(0.0)
    assert words.take(word, 10.0) and not words.take(word, 10.0)
    assert not words.take(words.give(0.0), 31.0)
    assert not words.take("a guess", 0.0)

"""What a person is told when a broker is not there, does not let us in, or is not what it was taken for."""

from __future__ import annotations

import socket
import ssl
import subprocess
import threading
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import ConfigError
from monitor.intake.mqtt import MqttSource
from monitor.intake.mqtt_settings import MqttSettings
from monitor.intake.mqtt_trouble import connect_trouble


class TestTrouble:
    """One clear line each, and on with trying."""

    def test_nothing_answers_then_a_broker_comes(
        self, make_broker: Any, collect: Any, wait: Any, port: int
    ) -> None:
        collecting = collect(MqttSettings("127.0.0.1", port, client_id="trial"), connected=False)
        wait(lambda: "nothing answers" in collecting.source.status())
        assert collecting.source.status() == (
            f"nothing answers at 127.0.0.1:{port}; is the broker running?; trying again"
        )
        make_broker(port=port)
        wait(collecting.connected)

    def test_a_wrong_password(self, make_broker: Any, collect: Any, wait: Any, tmp_path: Path) -> None:
        passwords = tmp_path / "passwords"
        subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "cook", "right"], check=True)
        broker = make_broker(f"allow_anonymous false\npassword_file {passwords}\n")
        wrong = collect(broker, username="cook", password="wrong", connected=False)
        wait(lambda: wrong.source.status().startswith("127.0.0.1"))
        assert wrong.source.status() == (
            f"127.0.0.1:{broker.port}: the broker does not accept the user name and password; trying again"
        )
        wrong.source.close()
        right = collect(broker, username="cook", password="right")
        assert right.connected()

    def test_a_name_nobody_knows(self, collect: Any, wait: Any) -> None:
        collecting = collect(MqttSettings("broker.invalid", 1883, client_id="trial"), connected=False)
        wait(lambda: "not known" in collecting.source.status())
        assert collecting.source.status() == "the name broker.invalid is not known here; trying again"

    def test_something_that_is_no_broker(self, collect: Any, wait: Any) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            threading.Thread(target=lambda: server.accept()[0].close(), daemon=True).start()
            collecting = collect(
                MqttSettings("127.0.0.1", server.getsockname()[1], client_id="trial"), connected=False
            )
            wait(lambda: "hangs up without a greeting" in collecting.source.status())

    def test_two_collectors_with_one_id(self, broker: Any, collect: Any, wait: Any) -> None:
        first = collect(broker)
        second = collect(broker)
        wait(
            lambda: any("does another program use our client id" in line for line in first.said + second.said)
        )

    def test_the_broker_goes_and_comes(self, broker: Any, collect: Any, wait: Any) -> None:
        collecting = collect(broker)
        broker.kill()
        wait(lambda: not collecting.connected())
        broker.start()
        wait(collecting.connected)
        assert any("the link is lost" in line for line in collecting.said)


class TestTls:
    @pytest.fixture
    def tls(self, make_broker: Any, certificates: tuple[Path, Path, Path]) -> tuple[Any, Path]:
        ca, cert, key = certificates
        return make_broker(f"allow_anonymous true\ncertfile {cert}\nkeyfile {key}\n"), ca

    def test_with_the_right_ca_file(self, tls: Any, collect: Any) -> None:
        broker, ca = tls
        collecting = collect(broker, tls=True, ca_file=ca)
        assert collecting.connected()

    def test_an_untrusted_certificate_is_said(self, tls: Any, collect: Any, wait: Any) -> None:
        collecting = collect(tls[0], tls=True, connected=False)
        wait(lambda: "its certificate is not trusted" in collecting.source.status())
        assert "name its own authority in a settings file (ca_file)" in collecting.source.status()

    def test_an_authority_made_for_older_pythons_is_said(self) -> None:
        """What OpenSSL says of one without key usage (its error 92), where the strict rules hold, as from 3.13 on."""
        trouble = ssl.SSLCertVerificationError("certificate verify failed")
        trouble.verify_code, trouble.verify_message = 92, "CA cert does not include key usage extension"
        said = connect_trouble(MqttSettings("broker.lan", 8883, tls=True, ca_file=Path("ca.pem")), trouble)
        assert said == (
            "broker.lan:8883: its certificate is not trusted (CA cert does not include key usage extension); this "
            "Python asks for more of it than older ones: make both certificates anew, as firmware_notes/README.md says"
        )
        trouble.verify_code, trouble.verify_message = 18, "self-signed certificate"
        said = connect_trouble(MqttSettings("broker.lan", 8883, tls=True, ca_file=Path("ca.pem")), trouble)
        assert said.endswith("(self-signed certificate); is the CA file right?")

    def test_plain_talk_to_a_tls_port_is_said(self, tls: Any, collect: Any, wait: Any) -> None:
        collecting = collect(tls[0], connected=False)
        wait(lambda: "one without TLS?" in collecting.source.status())

    def test_tls_talk_to_a_plain_port_is_said(self, broker: Any, collect: Any, wait: Any) -> None:
        collecting = collect(broker, tls=True, connected=False)
        wait(lambda: "TLS does not come about" in collecting.source.status())

    def test_an_unusable_ca_file_is_a_settings_error(self, tmp_path: Path) -> None:
        bad = tmp_path / "ca.pem"
        for make in (lambda: None, lambda: bad.write_text("not a certificate")):
            make()
            with pytest.raises(ConfigError, match=r"ca\.pem cannot be used"):
                MqttSource(MqttSettings("127.0.0.1", client_id="trial", tls=True, ca_file=bad))


class OldBroker:
    """Stands before a real broker and turns MQTT 5 away as a broker of the older version does."""

    def __init__(self, port: int) -> None:
        self._behind = port
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self.levels: list[int] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                ours, _ = self._server.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(ours,), daemon=True).start()

    def _serve(self, ours: socket.socket) -> None:
        hello = ours.recv(4096)
        self.levels.append(hello[hello.index(b"MQTT") + 4])
        if self.levels[-1] > 4:
            # MQTT 3.1.1 section 3.1.2.2: CONNACK with return code 1, then hang up.
            ours.sendall(b"\x20\x02\x00\x01")
            ours.close()
            return
        theirs = socket.create_connection(("127.0.0.1", self._behind))
        theirs.sendall(hello)
        threading.Thread(target=self._pump, args=(theirs, ours), daemon=True).start()
        self._pump(ours, theirs)

    @staticmethod
    def _pump(source: socket.socket, target: socket.socket) -> None:
        try:
            while piece := source.recv(65536):
                target.sendall(piece)
        except OSError:
            pass
        finally:
            target.close()

    def close(self) -> None:
        self._server.close()


def test_a_broker_without_mqtt_5_is_spoken_to_in_3_1_1(
    broker: Any, node: Any, collect: Any, wait: Any
) -> None:
    """The persistent session and acknowledgement after commit hold there too."""
    old = OldBroker(broker.port)
    try:
        settings = MqttSettings("127.0.0.1", old.port, client_id="trial")
        first = collect(settings)
        assert old.levels == [5, 4]
        assert any("does not speak MQTT 5; using 3.1.1" in line for line in first.said)
        node.sample(0)
        node.sample(1)
        first.done(first.take(2)[0])
        first.told(node)
        first.crash()
        node.sample(2)
        second = collect(settings)
        assert [b'"seq","v":%d' % seq in second.next().payload for seq in (1, 2)] == [True, True]
        assert second.nothing_more(node)
    finally:
        old.close()

"""Options shared by all tests, and the real parts that several rooms need."""

from __future__ import annotations

import datetime
import getpass
import ipaddress
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from hypothesis import HealthCheck, settings
from playwright.sync_api import Browser, sync_playwright

# An example that takes long shows a busy machine, no fault.
settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="also run the long forms (minutes to hours)")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The long forms are deselected, not skipped: a skipped test looks like one that could have run."""
    if config.getoption("--long"):
        return
    long = [item for item in items if item.get_closest_marker("long")]
    config.hook.pytest_deselected(items=long)
    items[:] = [item for item in items if not item.get_closest_marker("long")]


@pytest.fixture
def contract_keys() -> set[str]:
    """What a verdict's document holds, by the contract."""
    return {
        "format",
        "run_id",
        "verdict",
        "required_s",
        "proven_s",
        "possible_s",
        "boiling_point_C",
        "floor_C",
        "expanded_uncertainty_K",
        "clock",
        "seen_by_eye",
        "stretches",
        "events",
        "advice",
    }


def wait_until(claim: Callable[[], object], within_s: float = 90.0, what: str = "") -> None:
    """Poll a claim about another thread or process; fail when it does not come true.

    A wait that is long only where something is wrong may well be long: a busy machine is no fault.
    """
    end = time.monotonic() + within_s
    while not claim():
        assert time.monotonic() < end, f"waited in vain {what}"
        time.sleep(0.01)


@pytest.fixture
def wait() -> Callable[..., None]:
    return wait_until


@pytest.fixture
def in_time() -> Callable[..., None]:
    """``in_time(measure_s, limit_s)``: something takes less than so long. A busy machine only ever adds to it, so the
    quickest of a few tries shows what the program does; it is tried no more often than needed."""

    def check(measure_s: Callable[[], float], limit_s: float, tries: int = 6) -> None:
        spans_s: list[float] = []
        while len(spans_s) < tries:
            spans_s.append(measure_s())
            if spans_s[-1] < limit_s:
                return
        raise AssertionError(f"not once within {limit_s} s: {spans_s}")

    return check


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@pytest.fixture
def port() -> int:
    return free_port()


class Broker:
    """One mosquitto process on this machine, without persistence: all it holds is gone when it is killed."""

    def __init__(self, folder: Path, port: int, settings: str) -> None:
        assert MOSQUITTO, "these tests need Debian's package mosquitto"
        self.port = port
        self.address = f"127.0.0.1:{port}"
        self._log = folder / f"mosquitto-{port}.log"
        self._config = folder / f"mosquitto-{port}.conf"
        self._config.write_text(
            f"user {getpass.getuser()}\nlistener {port} 127.0.0.1\nmax_queued_messages 100000\n{settings}"
        )
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        assert MOSQUITTO
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([MOSQUITTO, "-c", str(self._config)], stdout=log, stderr=log)
        wait_until(self._answers, what="for mosquitto")

    def _answers(self) -> bool:
        assert self._process is not None and self._process.poll() is None, self.said()
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def said(self) -> str:
        """Its log so far."""
        return self._log.read_text()

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """``make_broker(settings, port=...)``: settings as lines of mosquitto.conf(5)."""
    brokers: list[Broker] = []

    def make(settings: str = "allow_anonymous true\n", port: int | None = None) -> Broker:
        brokers.append(Broker(tmp_path, port or free_port(), settings))
        return brokers[-1]

    yield make
    for broker in brokers:
        broker.kill()


@pytest.fixture
def broker(make_broker: Callable[..., Broker]) -> Broker:
    return make_broker()


@pytest.fixture
def make_certificates() -> Callable[[Path], tuple[Path, Path, Path]]:
    """Makes a certificate authority of our own and the certificate of a broker at 127.0.0.1 in a folder:
    (ca, cert, key)."""
    return write_certificates


@pytest.fixture
def certificates(tmp_path: Path) -> tuple[Path, Path, Path]:
    """Those of this test."""
    return write_certificates(tmp_path)


#: What an authority's key is for; Python 3.13 and newer ask that it says so.
_SIGNS_ONLY = x509.KeyUsage(
    digital_signature=False,
    content_commitment=False,
    key_encipherment=False,
    data_encipherment=False,
    key_agreement=False,
    key_cert_sign=True,
    crl_sign=True,
    encipher_only=False,
    decipher_only=False,
)


def write_certificates(folder: Path) -> tuple[Path, Path, Path]:
    folder.mkdir(exist_ok=True)

    def name(text: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text)])

    now = datetime.datetime.now(datetime.UTC)
    ca_key, key = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())

    def builder(subject: str, public: ec.EllipticCurvePublicKey) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(name(subject))
            .issuer_name(name("kitchen authority"))
            .public_key(public)
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - datetime.timedelta(days=1))
            .not_valid_after(now + datetime.timedelta(days=1))
        )

    ca = (
        builder("kitchen authority", ca_key.public_key())
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(ca_key.public_key()), critical=False)
        .add_extension(_SIGNS_ONLY, critical=True)
        .sign(ca_key, hashes.SHA256())
    )
    cert = (
        builder("broker", key.public_key())
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False
        )
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(ca_key.public_key()), critical=False
        )
        .sign(ca_key, hashes.SHA256())
    )
    paths = folder / "ca.pem", folder / "cert.pem", folder / "key.pem"
    paths[0].write_bytes(ca.public_bytes(serialization.Encoding.PEM))
    paths[1].write_bytes(cert.public_bytes(serialization.Encoding.PEM))
    paths[2].write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.TraditionalOpenSSL,
            serialization.NoEncryption(),
        )
    )
    return paths


CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-background-networking",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1, EXCLUDE localhost",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The one browser of a test process: a second one beside it cannot be started there."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()

"""What can be wrong between us and a broker, in one line each for a person."""

from __future__ import annotations

import socket
import ssl

from monitor.errors import ConfigError
from monitor.intake.mqtt_settings import MqttSettings

# Reason codes of MQTT 5 section 2.4; the client library gives those of 3.1.1 by the same numbers.
UNSUPPORTED_VERSION = 132
REFUSALS = {
    132: "the broker speaks neither MQTT 5 nor 3.1.1",
    133: "the broker refuses this client id",
    134: "the broker does not accept the user name and password",
    # Brokers say this too when a password is wrong.
    135: "the broker does not accept the user name and password",
    136: "the broker says it is not available",
    137: "the broker says it is busy",
    138: "the broker has banned this client",
}
TAKEN_OVER = 142

#: What OpenSSL finds wrong under its strict rules alone (X509_V_ERR_*, x509_vfy.h), which hold from Python 3.13 on.
STRICT_ONLY = range(80, 93)


def tls_context(settings: MqttSettings) -> ssl.SSLContext | None:
    """Certificates and host name checked, always; None without TLS.

    Raises
    ------
    ConfigError
        When the CA file cannot be used.
    """
    if not settings.tls:
        return None
    try:
        return ssl.create_default_context(cafile=settings.ca_file)
    except (OSError, ssl.SSLError) as trouble:
        raise ConfigError(
            f"{settings.address}: the CA file (ca_file) {settings.ca_file} cannot be used: "
            f"{getattr(trouble, 'strerror', None) or trouble}.",
            "It must be readable, in PEM form.",
        ) from None


def connect_trouble(settings: MqttSettings, trouble: BaseException | None) -> str:
    """One line on why no connection came about."""
    where = settings.address
    if isinstance(trouble, ssl.SSLCertVerificationError):
        return f"{where}: its certificate is not trusted ({trouble.verify_message}); {_what_helps(settings, trouble)}"
    if isinstance(trouble, ssl.SSLError) or (settings.tls and isinstance(trouble, ConnectionResetError)):
        return f"{where}: TLS does not come about ({trouble}); is this the broker's TLS port?"
    if isinstance(trouble, socket.gaierror):
        return f"the name {settings.host} is not known here"
    if isinstance(trouble, ConnectionRefusedError):
        return f"nothing answers at {where}; is the broker running?"
    if isinstance(trouble, TimeoutError):
        return f"no answer from {where}"
    return f"{where} cannot be reached ({trouble})"


def _what_helps(settings: MqttSettings, trouble: ssl.SSLCertVerificationError) -> str:
    if trouble.verify_code in STRICT_ONLY:
        return (
            "this Python asks for more of it than older ones: make both certificates anew, as firmware_notes/README.md "
            "says"
        )
    if settings.ca_file is None:
        return "is this the right broker? If so, name its own authority in a settings file (ca_file)"
    return "is the CA file right?"

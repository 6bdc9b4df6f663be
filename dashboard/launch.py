"""Start the pages' server with settings that keep them at home.

Nothing leaves the machine: no usage statistics, no outside fonts, no outside icon. Only this machine may
look unless a person opens the pages to the home network; then foreign host names are refused, which is what
stops a web page elsewhere from reaching in through the visitor's own browser (DNS rebinding).
"""

from __future__ import annotations

import contextlib
import logging
import signal
import socket
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import segno

from dashboard import kept_passcode, look, settings
from monitor.errors import ConfigError
from monitor.jars.labels import PAGES

LOOPBACK = "127.0.0.1"
EVERYWHERE = "0.0.0.0"
#: The code on a label names it; so it is the same each time, as far as it is free.
FIRST_PORT = urlsplit(PAGES).port or 0
LAST_PORT = 65535


@dataclass(frozen=True, slots=True)
class Address:
    """Where to listen and what people type. ``hosts`` are the names the pages answer to."""

    bind: str
    port: int
    shown: str
    hosts: tuple[str, ...]

    @property
    def url(self) -> str:
        return f"http://{self.shown}:{self.port}"


def loopback_address(port: int) -> Address:
    """This machine alone."""
    return Address(LOOPBACK, port, LOOPBACK, (LOOPBACK, "localhost"))


def lan_address(port: int) -> Address:
    """The home network: this machine's own names and address, no others."""
    own = own_ip()
    name = socket.gethostname()
    hosts = dict.fromkeys((own, LOOPBACK, "localhost", name, f"{name}.local"))
    return Address(EVERYWHERE, port, own, tuple(hosts))


def own_ip() -> str:
    """This machine's address on its network; a connected UDP socket sends nothing."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # TEST-NET-1 (RFC 5737): asks the routing table which address would be used; no packet leaves.
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return LOOPBACK


def free_port(wanted: int | None, bind: str = LOOPBACK, first: int = FIRST_PORT, tries: int = 20) -> int:
    """The port asked for, or the first free one. Raises ``ConfigError`` when it is taken, or is none."""
    if wanted is not None and not 0 <= wanted <= LAST_PORT:
        raise ConfigError(f"port {wanted} is not between 0 and {LAST_PORT}.", "Name another with --port.")
    candidates = [wanted] if wanted is not None else list(range(first, first + tries))
    for port in candidates:
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind((bind, port))
            except OSError:
                continue
            return int(trial.getsockname()[1])
    raise ConfigError(f"port {candidates[0]} is taken.", "Name another with --port.")


def listen(address: Address) -> socket.socket:
    """From now on whoever opens the pages waits for them and is not refused. Raises ``ConfigError`` on a taken port."""
    try:
        return socket.create_server((address.bind, address.port))
    except OSError:
        raise ConfigError(f"port {address.port} is taken.", "Name another with --port.") from None


def options(address: Address) -> dict[str, Any]:
    """Every setting of the page server that differs from its default, by its flag name."""
    told: dict[str, Any] = {
        "server_address": address.bind,
        "server_port": address.port,
        "server_headless": True,
        "server_fileWatcherType": "none",
        "server_runOnSave": False,
        "server_enableCORS": True,
        "server_enableXsrfProtection": True,
        "server_enableStaticServing": False,
        "server_allowedHosts": list(address.hosts),
        "server_maxUploadSize": 5,
        "server_enableWebsocketCompression": False,
        # A full collection after each of a viewer's refreshes takes a tenth of a second; Python's own is enough.
        "runner_postScriptGC": False,
        "browser_gatherUsageStats": False,
        # A field that is filled in again as it was has a default too; that is no mistake to be told on the page.
        "global_disableWidgetStateDuplicationWarning": True,
        "client_showErrorDetails": "type",
        "client_showErrorLinks": False,
        "client_toolbarMode": "viewer",
        "logger_hideWelcomeMessage": True,
        "logger_enableRich": False,
        "theme_font": "sans-serif",
        "theme_headingFont": "serif",
        "theme_baseRadius": "small",
        "theme_paddingTop": "1rem",
    }
    for mode, tones in (("light", look.LIGHT), ("dark", look.DARK)):
        told |= {
            f"theme_{mode}_backgroundColor": tones["paper"],
            f"theme_{mode}_textColor": tones["ink"],
            f"theme_{mode}_primaryColor": tones["link"],
            f"theme_{mode}_linkColor": tones["link"],
            f"theme_{mode}_borderColor": tones["line"],
        }
    return told


def _headers(app: Any) -> Any:
    """The pages may load from and talk to this server alone, and nobody may frame them."""
    policy = (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:; worker-src 'self' blob:; "
        "style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; font-src 'self' data:; "
        "connect-src 'self'; object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
    )
    added = [
        (b"content-security-policy", policy.encode()),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
    ]

    async def guarded(scope: Any, receive: Any, send: Any) -> None:
        async def sending(message: Any) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *added]
            await send(message)

        await app(scope, receive, sending if scope["type"] == "http" else send)

    return guarded


#: The pages by their addresses; ``app.py`` says what each is.
PAGE_NAMES = ("plan", "probe", "jars", "pantry", "runs", "compare", "nodes", "run")

#: What the page server hands out besides pages: its talk with them, what they load, and files to keep.
_PARTS = ("_stcore", "component", "media", "static")


def _pages_only(app: Any) -> Any:
    """An address that is no page leads to the first one: the library's box about it would lie over an alarm."""
    from starlette.responses import RedirectResponse

    async def guided(scope: Any, receive: Any, send: Any) -> None:
        lost = scope["type"] == "http" and _is_no_page(scope)
        await (RedirectResponse("/", 303) if lost else app)(scope, receive, send)

    return guided


def _is_no_page(request: Any) -> bool:
    """Whether a browser asks for a page that there is none of."""
    name = request["path"].strip("/")
    wants_page = any(key == b"accept" and b"text/html" in value for key, value in request["headers"])
    known = not name or name in PAGE_NAMES or name.split("/")[0] in _PARTS
    return request["method"] == "GET" and wants_page and not known


def serve(
    listener: socket.socket, address: Address, told: settings.Settings, routes: Sequence[Any] = ()
) -> None:
    """Serve the pages on what :func:`listen` gave until a signal to stop; returns when the server has ended."""
    import streamlit as st
    import uvicorn
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from streamlit.web import bootstrap

    settings.configure(told)
    bootstrap.load_config_options(options(address))
    script = Path(str(resources.files("dashboard").joinpath("app.py")))
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
    # The server raises a signal again once it has ended: it should then end nothing more.
    signal.signal(signal.SIGTERM, lambda *_: None)
    app = st.App(
        script,
        routes=[*kept_passcode.routes(), *routes],
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=list(address.hosts)),
            Middleware(_headers),
            Middleware(_pages_only),
        ],
    )
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        timeout_graceful_shutdown=2,
        ws_ping_interval=20,
        # A refresh is a few kilobytes on a home network: squeezing it costs more than sending it.
        ws_per_message_deflate=False,
    )
    # Ctrl-C is raised again once the server has ended, as its own way of saying so.
    with contextlib.suppress(KeyboardInterrupt):
        uvicorn.Server(config).run([listener])


def qr_text(url: str) -> str:
    """The address as a QR code in text, for a terminal."""
    code = segno.make(url, error="m", micro=False)
    rows = [[bool(cell) for cell in row] for row in code.matrix_iter(border=2)]
    if len(rows) % 2:
        rows.append([False] * len(rows[0]))
    # A dark module is a space on a drawn ground, so that the code reads on dark and light terminals alike.
    blocks = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return "\n".join("".join(blocks[pair] for pair in zip(top, below, strict=True)) for top, below in pairs)

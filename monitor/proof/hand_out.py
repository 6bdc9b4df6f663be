"""A proof as something to hand over: a file with its name, or printed on paper sizes as PDF by a browser."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import tempfile
from datetime import datetime
from pathlib import Path

from monitor.errors import ConfigError, UsageError
from monitor.proof.dossier import Dossier, from_store
from monitor.proof.envelope import seal_page
from monitor.proof.page import draw
from monitor.proof.signing import Key
from monitor.store.export import safe_name

#: Browsers that print without a window. The page is made for a browser: a second layout engine would only be
#: another thing to disagree with it.
BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
PAPERS = {"a4": "A4", "letter": "letter"}
_PATIENCE_S = 120.0


def proof_file(
    conn: sqlite3.Connection, run_id: str, issued: datetime, key: Key | None = None
) -> tuple[str, bytes]:
    """The proof of a run in the store, as a browser would save it: file name and bytes.

    Reads only; whether the run has its place in the chain of seals is as the collector left it.

    Raises
    ------
    UsageError
        There is no such run, or it is not over.
    RecordError
        Its record can no longer be read.
    """
    dossier = from_store(conn, run_id, issued)
    return file_name(dossier), seal_page(draw(dossier), key)


def file_name(dossier: Dossier) -> str:
    """What the proof's file is called unless somebody says otherwise."""
    return f"proof-{safe_name(str(dossier.verdict['run_id']))}.html"


def print_pdf(page: bytes, to: Path, paper: str = "a4") -> None:
    """Print a proof's page as it stands. The page itself stays the proof; the PDF is its picture, hash and all.

    ``paper``: ``a4`` or ``letter``.

    Raises
    ------
    ConfigError
        No browser that can print is installed.
    UsageError
        The file cannot be written.
    """
    browser = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if browser is None:
        raise ConfigError(
            "printing a PDF needs Chromium or a browser of its family on this machine.",
            "Or open the page in any browser and print it from there.",
        )
    sized = page.replace(b"</style>", f"@page{{size:{PAPERS[paper]}}}</style>".encode(), 1)
    with tempfile.TemporaryDirectory(prefix="boilwitness-print-") as name:
        folder = Path(name)
        (folder / "proof.html").write_bytes(sized)
        _run(browser, folder)
        try:
            shutil.copyfile(folder / "proof.pdf", to)
        except FileNotFoundError:
            raise ConfigError(f"{browser} did not print the page.", "Open it and print it by hand.") from None
        except OSError as trouble:
            raise UsageError(f"{to}: cannot be written ({trouble.strerror}).", "Choose another.") from None


def _run(browser: str, folder: Path) -> None:
    command = [browser, "--headless", "--disable-gpu", "--no-pdf-header-footer", "--disable-dev-shm-usage"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--no-sandbox")  # The sandbox refuses to start for root; the page runs no code.
    command += [f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={folder / 'proof.pdf'}"]
    try:
        subprocess.run(
            [*command, (folder / "proof.html").as_uri()],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=_PATIENCE_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as trouble:
        raise ConfigError(f"{browser} did not print the page ({type(trouble).__name__}).") from None

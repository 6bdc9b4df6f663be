"""``boilwitness dashboard``: serve the pages."""

from __future__ import annotations

import argparse
import getpass
import os
import secrets
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.cli._data import add_data_argument, data_dir
from monitor.errors import UsageError

if TYPE_CHECKING:
    from dashboard.passcode import Passcode


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_data_argument(parser)
    parser.add_argument("--port", type=int, default=None, help="the port (default: the first free from 8517)")
    parser.add_argument(
        "--lan",
        action="store_true",
        help="open the pages to the home network; whatever changes something then asks for a passcode",
    )
    parser.add_argument("--new-passcode", action="store_true", help="with --lan: choose the passcode again")


def run(args: argparse.Namespace) -> int:
    """Serve until Ctrl-C."""
    from dashboard import launch, settings

    folder = data_dir(args)
    if args.new_passcode and not args.lan:
        raise UsageError(
            "--new-passcode goes with --lan: on this machine alone the pages ask for none.",
            "Nothing was changed.",
        )
    bind = launch.EVERYWHERE if args.lan else launch.LOOPBACK
    port = launch.free_port(args.port, bind)
    address = launch.lan_address(port) if args.lan else launch.loopback_address(port)
    passcode = _passcode(folder, args.new_passcode) if args.lan else None
    # Before the address is said: somebody may be quick.
    with launch.listen(address) as listener:
        print(f"The pages are at {address.url} (Ctrl-C ends them; the collector is not touched).", flush=True)
        if args.lan:
            print(launch.qr_text(address.url), flush=True)
        launch.serve(listener, address, settings.Settings(folder, passcode, address.url))
    return 0


def _passcode(folder: Path, anew: bool) -> Passcode:
    """The passcode of this store: stored, from the environment, asked for, or made up and printed once."""
    from dashboard import passcode

    known = None if anew else passcode.load(folder)
    given = os.environ.get("BOILWITNESS_PASSCODE")
    if known is not None:
        if given and not known.matches(given):
            print(
                "The passcode chosen before for this store counts, not the one in BOILWITNESS_PASSCODE; "
                "--new-passcode takes that one.",
                flush=True,
            )
        return known
    if given:
        words = given
    elif sys.stdin.isatty():
        words = getpass.getpass("Choose a passcode for whoever may change something (6 characters or more): ")
    else:
        words = f"{secrets.randbelow(10**8):08d}"
        print(f"The passcode for whoever may change something: {words}", flush=True)
    made = passcode.Passcode.make(words)
    made.save(folder)
    if anew:
        print("The new passcode counts from now on, on pages that run already too.", flush=True)
    return made

"""``boilwitness prove RUN``: the proof of a run as one page."""

from __future__ import annotations

import argparse
import sys
from contextlib import closing
from pathlib import Path

from monitor.cli._data import add_data_argument, data_dir, folder_named
from monitor.errors import RecordError, UsageError
from monitor.proof.dossier import Dossier, from_folder, from_store
from monitor.proof.envelope import seal_page
from monitor.proof.folder import how_it_came, must_be_as_sealed
from monitor.proof.hand_out import PAPERS, file_name, print_pdf
from monitor.proof.page import draw
from monitor.proof.seal import seal_due
from monitor.proof.signing import Key, key_path, make_key, read_key, standing_key
from monitor.proof.words import headline
from monitor.store.database import open_writer, store_path
from monitor.store.stamp import SYSTEM_TIME


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", metavar="RUN", help="a run's id in the store, or a run folder")
    parser.add_argument(
        "--to", metavar="FILE.html", type=Path, help="where to write (default: proof-RUN.html, here)"
    )
    parser.add_argument(
        "--pdf", metavar="FILE.pdf", type=Path, help="also print it as PDF (needs Chromium or its like)"
    )
    parser.add_argument("--paper", choices=sorted(PAPERS), default="a4", help="for --pdf (default: a4)")
    parser.add_argument(
        "--sign",
        nargs="?",
        const="",
        metavar="KEYFILE",
        help="sign it with the household's key (made on first use, beside the store)",
    )
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Write the page. A finished run of the store gets its place in the chain of seals first."""
    if args.to is not None and args.to.suffix.lower() == ".pdf":
        raise UsageError(
            f"--to {args.to}: the proof is a page.", "Write FILE.html; --pdf FILE.pdf prints it besides."
        )
    if args.pdf is not None and not args.pdf.absolute().parent.is_dir():
        raise UsageError(f"--pdf {args.pdf}: there is no folder {args.pdf.parent}.")
    key = None if args.sign is None else _key(args)
    dossier = gather(args.run, args)
    page = seal_page(draw(dossier), key)
    path = args.to or Path(file_name(dossier))
    try:
        path.write_bytes(page)
    except OSError as trouble:
        raise UsageError(
            f"{path}: cannot be written ({trouble.strerror}).", "Choose another with --to."
        ) from None
    print(f"{str(dossier.verdict['verdict']).upper()}: {headline(dossier.verdict)}")
    if dossier.taken_in is not None:
        print(dossier.taken_in.words)
    print(f"wrote {path} ({len(page) // 1024} KiB); check it with 'boilwitness verify {path}'")
    if args.pdf is not None:
        print_pdf(page, args.pdf, args.paper)
        print(f"printed {args.pdf}; the page is the proof, this is its picture")
    if key is not None:
        print(f"signed; hand out the household's public key beside it: {key.public}")
    return 0


def gather(name: str, args: argparse.Namespace) -> Dossier:
    """The dossier of a folder or of a run in the store, sealing first whatever is finished there."""
    now = SYSTEM_TIME.utc_now()
    folder = folder_named(name)
    if folder is not None:
        must_be_as_sealed(folder, "No proof was written")
        return from_folder(folder, now, how_it_came(folder))
    store = data_dir(args)
    if not store_path(store).exists():
        raise RecordError(
            f"{name}: no such run folder, and no store in {store} to look for a run of that id."
        )
    with closing(open_writer(store)) as conn:
        seal_due(conn, key=standing_key(store), trouble=_cannot_seal)
        return from_store(conn, name, now)


def _cannot_seal(run_id: str, error: str) -> None:
    """It concerns that run alone: where it is the one that is asked for, its proof says so by not being made."""
    last = error.strip().rpartition("\n")[2]
    print(f"boilwitness: run {run_id} cannot be sealed, an error in this program: {last}", file=sys.stderr)


def _key(args: argparse.Namespace) -> Key:
    path = Path(args.sign) if args.sign else key_path(data_dir(args))
    if path.exists() or args.sign:
        return read_key(path)
    key = make_key(path)
    print(
        f"made the household's key in {path}: keep it, and a copy elsewhere; whoever has it can sign as you"
    )
    return key

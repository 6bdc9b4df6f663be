"""``boilwitness``: one command, one verb per file in this room.

Each verb module offers ``HELP`` (one line), ``add_arguments(parser)`` and ``run(args) -> int``. A verb's
module is imported only when it is the one used, so that ``judge`` does not pay for the dashboard.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

from monitor.cli._numbers import number
from monitor.cli._output import flush_output, in_one_line, steady_output
from monitor.errors import MonitorError

#: Verb, and what it does in the words a person would use. The order is the order of the work.
VERBS: dict[str, str] = {
    "demo": "watch a simulated canner come to the boil, lose it and win it back; needs nothing at all",
    "plan": "before the heat goes on: the published time for a food, pack, jar and altitude",
    "calibrate": "check a probe at the ice point and the boiling point",
    "collect": "listen to nodes (serial port, MQTT broker), store every sample, judge, raise the alarm",
    "dashboard": "open the pages that show the canner in another room",
    "runs": "list the runs in the store; start, mark or end one",
    "judge": "say what a run proves: held, broken or unproven, and what to do now",
    "jars": "after the heat is off: cooling, seals, and where each jar goes",
    "export": "write a run as a folder that anyone can read",
    "import": "take a run's folder, or a whole export, into the store",
    "prove": "write the proof of a run as one page",
    "verify": "check a proof, an exported run or the whole store for any change",
}

EXIT_UNUSABLE = 2
EXIT_REFUSED = 3


class Parser(argparse.ArgumentParser):
    """One line for what is not usable, as the README promises, and numbers asked for in plain words."""

    def __init__(self, *args: object, **settings: object) -> None:
        super().__init__(*args, **settings)  # type: ignore[arg-type]
        self.register("type", float, number())
        self.register("type", int, _whole_number)

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> tuple[Any, list[str]]:
        """Options are found however their letters are written: --coldest-jar-c is --coldest-jar-C."""
        known = {option.lower(): option for option in self._option_string_actions}
        words: list[str] = []
        for word in sys.argv[1:] if args is None else args:
            name, equals, value = word.partition("=")
            plain = word.startswith("--") and "--" not in words and name not in self._option_string_actions
            words.append(known.get(name.lower(), name) + equals + value if plain else word)
        found, left = super().parse_known_args(words, namespace)
        # A verb within a verb hands what it found up to the parser above it: the innermost stays.
        found.explained_by = getattr(found, "explained_by", self)
        return found, left

    def parse_args(self, args: Any = None, namespace: Any = None) -> Any:
        """What nobody knows is explained by the verb that was given it, not by the program."""
        found, left = self.parse_known_args(args, namespace)
        explained_by = found.explained_by
        del found.explained_by
        if left:
            explained_by.error(f"unrecognized arguments: {' '.join(left)}")
        return found

    def error(self, message: str) -> NoReturn:
        self.exit(EXIT_UNUSABLE, f"{self.prog}: {message}. '{self.prog} --help' explains it.\n")


def _whole_number(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"expected a whole number, such as 12, found {text!r}") from None


def build_parser(verb: str | None) -> argparse.ArgumentParser:
    """The parser; only ``verb``'s own arguments are loaded."""
    parser = Parser(
        prog="boilwitness",
        description=(
            "Watches a boiling-water canner: is it at a full boil, since when, how much longer; and "
            "afterwards, what the record proves. It never says that food is safe to eat."
        ),
        epilog="'boilwitness VERB --help' explains one verb. A first look: 'boilwitness demo'.",
    )
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for name, line in VERBS.items():
        sub = verbs.add_parser(name, help=line, description=line[0].upper() + line[1:] + ".")
        if name == verb:
            importlib.import_module(f"monitor.cli.{_module(name)}").add_arguments(sub)
    return parser


def _module(verb: str) -> str:
    return "import_" if verb == "import" else verb


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; the exit status is the contract's (README, "Exit statuses")."""
    words = list(sys.argv[1:] if argv is None else argv)
    with steady_output():
        return _status(words)


def _status(words: list[str]) -> int:
    verb = next((word for word in words if word in VERBS), None)
    try:
        # Loading a verb takes longest: Ctrl-C comes there too.
        args = build_parser(verb).parse_args(words)
        module = importlib.import_module(f"monitor.cli.{_module(args.verb)}")
        status = int(module.run(args))
        flush_output()
    except MonitorError as trouble:
        print(f"boilwitness: {in_one_line(str(trouble))}", file=sys.stderr)
        return EXIT_UNUSABLE
    except KeyboardInterrupt:
        return 130
    except Exception as trouble:
        if (told := _refused_by_the_disk(trouble)) is None:
            raise
        print(f"boilwitness: {in_one_line(told)}", file=sys.stderr)
        return EXIT_UNUSABLE
    return status


def _refused_by_the_disk(trouble: Exception) -> str | None:
    """One line for a disk that is full or a store that cannot be used, wherever it was found; None for all else."""
    full = isinstance(trouble, OSError) and trouble.errno in (errno.ENOSPC, errno.EDQUOT)
    # Named rather than loaded: most verbs that never open a store need not know what SQLite raises.
    if not full and type(trouble).__module__ != "sqlite3":
        return None
    return f"the disk or the store refuses: {trouble}. Free some space, look whether it may be written, and try again."


if __name__ == "__main__":
    sys.exit(main())

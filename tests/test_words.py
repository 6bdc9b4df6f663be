"""What the project may not say: that food is fit to eat, or on which machine its files came to be.

Published guidance alone says which process suits which food; a record proves what the water did, and no more.
"""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = {".py", ".md", ".toml", ".css", ".js", ".html", ".json", ".csv", ".sql", ".txt", ".yml", ".yaml", ""}
#: Paths of some machine or of a folder beside the project, numbers of some tracker, marks of what is not done yet.
NOT_FROM_THE_OUTSIDE = [
    r"(?i)(?<![\w.*])/(?:work|Users|mnt)/|/work/(?:main|shared)",
    r"(?i)/root/",
    r"(?i)/home/[a-z]+/",
    r"\.\./shared",
    r"[A-Z]:\\\\?Users",
    r"\bissue #?\d",
    r"\bTODO\b",
    r"\bFIXME\b",
]
#: A claim about food. It may stand only in a sentence that denies it.
CLAIM = re.compile(
    r"\b(?:foods?|jars?|batch(?:es)?|contents?|preserves?|jams?|pickles?|it|they|this|these)\s+"
    r"(?:is|are|was|were|be|stays?|remains?)\s+(?:now\s+)?(?:safe|sterile|compliant|certified)\b"
    r"|\bsafe to (?:eat|store|consume|shelve)\b|\bshelf[- ]safe\b|\bfood[- ]safe\b"
    r"|\b(?:FDA|USDA)[- ](?:compliant|approved|certified)\b|\bcommercially sterile\b",
    re.IGNORECASE,
)
DENIAL = re.compile(r"\b(?:never|not|no|nothing|nobody|cannot|neither|without)\b|n't\b", re.IGNORECASE)


def files() -> list[Path]:
    """Everything that ships: tracked text files, this one left out where it names what it forbids."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if listed.returncode == 0 and listed.stdout:
        found = [ROOT / name for name in listed.stdout.splitlines()]
    else:
        found = [path for path in ROOT.rglob("*") if not any(part.startswith(".") for part in path.parts)]
    return [path for path in found if path.is_file() and path.suffix in TEXT and path != Path(__file__)]


def sentences(text: str) -> list[str]:
    """Cut at sentence ends, lines joined: a denial often stands a line above its claim."""
    return re.split(r"(?<=[.!?:;])\s+|\n\s*\n", re.sub(r"[ \t]*\n[ \t]*#?[: ]*(?=\S)", " ", text))


@pytest.fixture(scope="module")
def texts() -> dict[Path, str]:
    return {path: path.read_text(encoding="utf-8") for path in files()}


def test_there_is_something_to_scan(texts: dict[Path, str]) -> None:
    """The package, the pages, the notes, the records."""
    tops = {path.relative_to(ROOT).parts[0] for path in texts}
    assert {"monitor", "dashboard", "firmware_notes", "tests", "recorded_runs", "README.md"} <= tops
    assert len(texts) > 200


@pytest.mark.parametrize("pattern", NOT_FROM_THE_OUTSIDE)
def test_no_file_leads_out_of_the_project(texts: dict[Path, str], pattern: str) -> None:
    """What stands here can be followed by whoever has the project and nothing else."""
    found = [
        f"{path.relative_to(ROOT)}: {match[0]}"
        for path, text in texts.items()
        for match in re.finditer(pattern, text)
    ]
    assert not found, found


def test_the_scan_would_see_a_path() -> None:
    """It can fail: paths and marks are found, ordinary words with a stroke are not."""

    def found(text: str) -> bool:
        return any(re.search(pattern, text) for pattern in NOT_FROM_THE_OUTSIDE)

    assert (
        found("see /home/ada/kettle.csv")
        and found("(/root/x)")
        and found('"/work/x"')
        and found("../shared/x")
    )
    assert found("C:\\Users\\ada") and found("issue #7") and found("# TODO") and found("FIXME: later")
    assert not found(
        "heat/work/steam; ~/.config/x; /usr/bin/chromium; the issue is 3 min long; %h/boilwitness/"
    )


def test_nothing_claims_that_food_is_fit_to_eat(texts: dict[Path, str]) -> None:
    """Code, pages, notes and records: where such words stand at all, the same sentence denies them."""
    claims = [
        f"{path.relative_to(ROOT)}: {sentence[:160]}"
        for path, text in texts.items()
        for sentence in sentences(text)
        if CLAIM.search(sentence) and not DENIAL.search(sentence)
    ]
    assert not claims, claims


def test_the_scan_would_see_a_claim() -> None:
    """It can fail: a plain claim is found, its denial is not."""
    assert CLAIM.search("Held for 10 min: the food is safe.")
    assert CLAIM.search("Your jars are now sterile") and CLAIM.search("safe to eat")
    assert not CLAIM.search("the safe side; an unsafe run; sterile jars are asked for")
    assert DENIAL.search("It never says that food is safe to eat.")


def test_the_verdicts_of_all_records_make_no_claim() -> None:
    """What the engine really prints, for every shipped record."""
    from monitor.judge import judge
    from monitor.record.read import read_run

    for folder in sorted(path for path in (ROOT / "recorded_runs").iterdir() if path.is_dir()):
        text = json.dumps(judge(read_run(folder)).as_json(), ensure_ascii=False)
        assert not re.search(r"\b(?:safe|sterile|compliant|certified|approved)\b", text, re.IGNORECASE), (
            folder.name
        )

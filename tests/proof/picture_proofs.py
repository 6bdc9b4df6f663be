"""Picture the proofs that the handbook shows, as they look today. Run by hand when the page has changed:

python tests/proof/picture_proofs.py dashboard/pictures
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parent))
from conftest import Household, household

from monitor.proof.hand_out import proof_file
from monitor.proof.seal import seal_due

#: What is shown, and the shipped record behind it.
SHOWN = {"held": "held-low-altitude", "broken": "dip-stopped-short", "unproven": "silent-node"}
CHROMIUM = "/usr/bin/chromium"
#: An A4 sheet at 96 px to the inch, a little wider for the margins that paper would add. [px]
SHEET = {"width": 820, "height": 1180}


def page_of(house: Household) -> bytes:
    """The proof of a batch whose jars were judged and whose review was signed, invented as the record is."""
    house.ring()
    house.clock.advance(60.0)
    house.sign("Grace")
    seal_due(house.conn, time=house.clock)
    return proof_file(house.conn, house.run_id, house.now())[1]


def main(to: Path) -> None:
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport=SHEET)
        for word, record in SHOWN.items():
            house = household(Path(name) / word, record)
            file = Path(name) / f"{word}.html"
            file.write_bytes(page_of(house))
            house.conn.close()
            page.goto(file.as_uri())
            page.screenshot(path=to / f"proof-{word}.png")
        browser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))

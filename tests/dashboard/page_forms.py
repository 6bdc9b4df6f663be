"""A person's hands on a page: each does one thing, and waits until the page has taken it up."""

from __future__ import annotations

from playwright.sync_api import Locator, Page, TimeoutError

#: Ticks that a start does not ask for: each makes it another kind of start.
NOT_ASKED_FOR = ("already in boiling water", "process of my own")


def settled(page: Page) -> None:
    """Wait until the page has begun with what was done, and is done with it."""
    page.wait_for_timeout(300)
    # A server that is busy takes longer to begin: it answers this after it has heard what was done.
    page.evaluate("() => fetch('/_stcore/health').then(answer => answer.text())")
    page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]")


def fill(page: Page, label: str, value: str) -> None:
    """Type into the field with this label, and leave it."""
    box = page.get_by_label(label, exact=True)
    box.fill(value)
    box.press("Enter")
    settled(page)


def press(page: Page, name: str) -> None:
    """Press the button with these words."""
    page.get_by_role("button", name=name, exact=True).click()
    settled(page)


def tick(page: Page, words: str) -> None:
    """Tick the box with these words, or untick it."""
    _tick(page, page.get_by_test_id("stCheckbox").filter(has_text=words))


def tick_if_there(page: Page, words: str) -> None:
    """Tick each box with these words that stands there by now."""
    for box in page.get_by_test_id("stCheckbox").filter(has_text=words).all():
        _tick(page, box)


def tick_what_a_start_asks(page: Page) -> None:
    """Tick all boxes but :data:`NOT_ASKED_FOR`."""
    for box in page.get_by_test_id("stCheckbox").all():
        if not any(words in box.inner_text() for words in NOT_ASKED_FOR):
            _tick(page, box)


def _tick(page: Page, box: Locator) -> None:
    # On its box, not on its words: some of those are links.
    box.locator("label").first.click(position={"x": 8, "y": 12})
    settled(page)


def pick(page: Page, name: str) -> None:
    """Choose one of a few words that stand side by side."""
    page.get_by_role("radio", name=name).or_(page.get_by_role("button", name=name)).first.click()
    settled(page)


def choose(page: Page, label: str, option: str) -> None:
    """Choose from a list that opens."""
    box = page.get_by_role("combobox", name=label)
    wanted = page.get_by_role("option", name=option, exact=True)
    box.click()
    box.fill(option)
    for _ in range(6):
        # A layout that still moves shuts the list; a person opens it again.
        try:
            wanted.click(timeout=5_000)
            break
        except TimeoutError:
            box.press("ArrowDown")
    else:
        wanted.click()
    settled(page)

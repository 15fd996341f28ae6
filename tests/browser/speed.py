"""``python tests/browser/speed.py``: how fast screens show with many buildings, in a real browser.

Builds a portfolio of 20,000 buildings and 1,000,000 observations first (some minutes), unless
``--workspace`` names one that is built.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page, sync_playwright
from screens_seen import ready
from serving import ARGUMENTS, CHROMIUM, served

from pipeline.landing import Workspace, intake
from pipeline.warehouse.build import build
from tests.benchmarks.scale import write_scale_csv

ROUNDS = 5
SCREENS = {
    "Where next?": "table.cards",
    "What is overdue?": "footer.cautions",
    "What is exposed?": "table.cards",
    "Portfolio": "dl.figures",
    "What readings prove": "svg.circuit",
    "Findings": "footer.cautions",
    "Progress": "footer.cautions",
    "Take in files": "div.empty",
    "Rule book": "footer.cautions",
}
"""Screen to what must be there before it counts as shown; the cautions at its foot as well."""

SEARCHES = ("12 kiln", "S000077", "175", "S00004", "99 kiln", "S0001")
_ROWS = """() => { for (const e of document.querySelectorAll('*')) if (e.shadowRoot) {
    const table = e.shadowRoot.querySelector('table.cards');
    if (table) return table.innerText; } return ''; }"""
_OTHER = "before => (" + _ROWS + ")() !== before"


def prepared(folder: Path, buildings: int, observations: int) -> Workspace:
    """A built workspace of the wanted size."""
    files = write_scale_csv(folder / "csv", buildings, observations, 7)
    place = Workspace(folder / "workspace").create()
    intake(place, [files.register, files.observations])
    build(place)
    return place


def timed(act: Callable[[], object]) -> float:
    """Milliseconds that something takes."""
    begun = time.perf_counter()
    act()
    return (time.perf_counter() - begun) * 1000


def open_screen(page: Page, name: str, shown: str) -> None:
    """Go to a screen by the navigation and wait until it is whole."""
    page.get_by_test_id("stSidebarNav").get_by_role("link", name=name, exact=True).click()
    page.get_by_role("heading", name=name, exact=True, level=1).wait_for()
    page.locator(shown).first.wait_for()
    page.locator("footer.cautions").wait_for()


def narrow(page: Page, words: str) -> None:
    """Search for words and wait until the list is another."""
    page.get_by_label("Search name, address or number").fill(words)
    before = page.evaluate(_ROWS)
    page.keyboard.press("Enter")
    page.wait_for_function(_OTHER, arg=before)


def open_building(page: Page, place: int) -> None:
    """Open a building from the list and wait until its score's steps are there."""
    page.locator("table a[data-open^=building]").nth(place).click()
    page.locator("h2.name").wait_for()
    page.get_by_text("How the score comes about").wait_for()


def main() -> None:
    """Measure and print medians."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--workspace", type=Path)
    options.add_argument("--buildings", type=int, default=20_000)
    options.add_argument("--observations", type=int, default=1_000_000)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        place = (
            Workspace(given.workspace)
            if given.workspace
            else prepared(Path(folder), given.buildings, given.observations)
        )
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        with served(place) as address:
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            page.goto(address)
            ready(page)
            found: dict[str, list[float]] = {}
            for turn in range(ROUNDS + 1):
                for name, shown in SCREENS.items():
                    took = timed(lambda n=name, s=shown: open_screen(page, n, s))
                    ready(page)
                    # The first turn fills caches, as the first visit of a day does.
                    if turn:
                        found.setdefault(name, []).append(took)
            for number in range(ROUNDS):
                open_screen(page, "Where next?", "table.cards")
                ready(page)
                took = timed(lambda n=number: open_building(page, n + 2))
                found.setdefault("One building, from the list", []).append(took)
                ready(page)
            open_screen(page, "Where next?", "table.cards")
            ready(page)
            for words in SEARCHES:
                took = timed(lambda w=words: narrow(page, w))
                found.setdefault("A filter of the list", []).append(took)
                ready(page)
        browser.close()
    for name, took in found.items():
        sys.stdout.write(f"{name}: median {statistics.median(took):.0f} ms, "
                         f"slowest {max(took):.0f} ms of {len(took)}\n")  # fmt: skip


if __name__ == "__main__":
    main()

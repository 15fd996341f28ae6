"""Makes the README's two pictures from the invented portfolio: ``python -m dashboard.screenshots``.

Needs a Chromium (named by COVERPLATE_CHROMIUM, or ``chromium`` on the path) and the Python package
``playwright``; nothing else of the project needs either.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from data_demo.portfolios import FOLDER
from pipeline.landing import Workspace, intake, load_mapping, save_mapping
from pipeline.serving import command, free_port, wait_until_ready
from pipeline.warehouse.build import build
from shared.faults import CoverplateError

if TYPE_CHECKING:
    from playwright.sync_api import Page

IMAGES = Path(__file__).parent / "images"
SIZE = {"width": 1280, "height": 860}
PICTURES = {
    "where-next.png": ("housing_authority", "/", "How sure is this order?"),
    "evidence.png": (
        "housing_authority",
        "/evidence?plugged=sound+appliance+on%2C+neutral+broken+further+up",
        "What each method can tell",
    ),
}
"""File name to portfolio, address, and words that are there once the screen is whole."""

CHROMIUM_ARGUMENTS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"]


def main() -> None:
    """Make the pictures."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError as absent:
        raise CoverplateError(
            "the package playwright is not installed", to_do="pip install playwright"
        ) from absent
    chromium = os.environ.get("COVERPLATE_CHROMIUM") or shutil.which("chromium")
    if chromium is None:
        raise CoverplateError(
            "there is no chromium on the path",
            to_do="install one or name it by COVERPLATE_CHROMIUM",
        )
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=CHROMIUM_ARGUMENTS)
        for portfolio in dict.fromkeys(portfolio for portfolio, *_ in PICTURES.values()):
            place = demonstration(Path(folder) / portfolio, portfolio)
            port = free_port("127.0.0.1", None)
            server = subprocess.Popen(
                command("127.0.0.1", port),
                env={**os.environ, "COVERPLATE_WORKSPACE": str(place.root)},
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            try:
                wait_until_ready(server, "127.0.0.1", port)
                for name, (of, address, words) in PICTURES.items():
                    if of == portfolio:
                        page = browser.new_page(viewport=SIZE, color_scheme="light")
                        shoot(page, f"http://127.0.0.1:{port}{address}", words, IMAGES / name)
            finally:
                server.terminate()
                server.wait()
        browser.close()


def demonstration(root: Path, portfolio: str) -> Workspace:
    """A workspace with an invented portfolio, built."""
    place = Workspace(root).create()
    for file in sorted((FOLDER / portfolio / "mappings").glob("*.toml")):
        save_mapping(place, load_mapping(file))
    intake(place, [FOLDER / portfolio / "exports"])
    build(place)
    return place


def shoot(page: Page, address: str, words: str, target: Path) -> None:
    """Open a screen, wait until it is whole, and keep what fits the window."""
    page.goto(address)
    page.get_by_text(words).first.wait_for()
    page.locator("footer.cautions").first.wait_for()
    page.wait_for_timeout(1500)
    page.screenshot(path=target)
    sys.stdout.write(f"{target} {target.stat().st_size // 1024} KiB\n")


if __name__ == "__main__":
    try:
        main()
    except CoverplateError as refusal:
        sys.exit(str(refusal))

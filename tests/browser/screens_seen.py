"""What browser tests share: waiting for a whole screen, and keeping a picture of it."""

from __future__ import annotations

from pathlib import Path

SCREENSHOTS = Path(__file__).parents[2] / "screenshots"


def ready(page) -> None:
    """Wait until a screen is whole: its cautions are there and nothing is running."""
    page.locator("footer.cautions").first.wait_for()
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
    page.wait_for_timeout(300)


def plan_the_day(page) -> None:
    """Press the button of Day of looks and wait for its stops."""
    page.get_by_role("button", name="Plan the day").click()
    page.locator("table.cards").first.wait_for()
    ready(page)


def plan_the_repairs(page, budget: int = 30_000) -> None:
    """Ask for two years of repairs with other budgets beside, and wait for the picture."""
    for label, value in (("Budget a year", budget), ("Electrician hours a year", 400),
                         ("Years", 2)):  # fmt: skip
        page.get_by_label(label, exact=True).fill(str(value))
    page.get_by_text("With frontier").click()
    page.get_by_role("button", name="Plan the repairs").click()
    page.locator(".vega-embed").first.wait_for(timeout=180_000)
    ready(page)


PLANNED = {"day_of_looks": plan_the_day, "year_of_repairs": plan_the_repairs}
"""Screens that show nothing before a button is pressed, and how it is."""


def whole_shot(page, name: str) -> Path:
    """A picture of the whole screen, however long."""
    SCREENSHOTS.mkdir(exist_ok=True)
    width = page.viewport_size["width"]
    height = page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
    page.set_viewport_size({"width": width, "height": min(int(height) + 10, 8000)})
    page.wait_for_timeout(700)
    path = SCREENSHOTS / f"{name}.png"
    page.screenshot(path=path)
    return path

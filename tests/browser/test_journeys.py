"""Three people get their answer in a minute each, in a real browser."""

from __future__ import annotations

import datetime as dt
import time

import pytest
from screens_seen import ready, whole_shot

PlaywrightTimeout = pytest.importorskip("playwright.sync_api").TimeoutError

pytestmark = pytest.mark.browser

MINUTE = 60.0


def open_building(page):
    page.get_by_text("Look at next", exact=True).wait_for()
    ready(page)


def test_housing_authority_where_next(page_at, housing):
    page = page_at()
    begun = time.monotonic()
    page.goto(housing)
    ready(page)
    panel = page.locator("section.panel.next").filter(has_text="Next:")
    assert panel.get_by_text("Next:").is_visible()
    name = panel.locator("a").inner_text()
    panel.locator("a").click()
    open_building(page)
    assert page.locator("h2.name").inner_text().startswith(name)
    assert "/building?id=" in page.url
    assert page.get_by_text("How the score comes about").is_visible()
    with page.expect_download() as caught:
        page.get_by_role("button", name="Printable page (HTML)").click()
    sheet = caught.value.path().read_text(encoding="utf-8")
    assert "De-energise the circuit" in sheet and name in sheet
    assert time.monotonic() - begun < MINUTE
    page.go_back()
    ready(page)
    assert page.get_by_role("heading", name="Where next?").is_visible()


def test_a_narrowed_list_is_kept_in_the_address(page_at, housing):
    page = page_at()
    page.goto(housing)
    ready(page)
    page.get_by_label("Search name, address or number").fill("row")
    page.keyboard.press("Enter")
    page.get_by_text(" of 28. Buildings stand in order").wait_for()
    ready(page)
    shown = page.locator("table a[data-open^=building]").all_inner_texts()
    assert "q=row" in page.url and 0 < len(shown) < 25
    other = page_at()
    other.goto(page.url)
    ready(other)
    assert other.locator("table a[data-open^=building]").all_inner_texts() == shown


def test_every_click_has_a_twin_for_the_keyboard(page_at, housing):
    page = page_at()
    page.goto(housing)
    ready(page)
    link = page.locator("table a[data-open^=building]").first
    name = link.inner_text()
    link.focus()
    page.keyboard.press("Enter")
    open_building(page)
    assert page.locator("h2.name").inner_text().startswith(name)


def test_property_manager_from_overdue_to_proven(page_at, managed):
    page = page_at()
    begun = time.monotonic()
    page.goto(f"{managed}/findings?q=false+ground")
    ready(page)
    page.locator("table tr").filter(has_text="confirmed, in use").first.locator(
        "a[data-open^=finding]"
    ).first.click()
    page.get_by_role("heading", name="Write down what happened").wait_for()
    ready(page)
    page.get_by_role("textbox", name="Your name").fill("B. Rowser")
    page.keyboard.press("Enter")
    happened(page, "A fix is reported")
    page.get_by_role("textbox", name="Firm").fill("Kestrel Wiring")
    page.get_by_role("spinbutton", name="year, Fixed on").click()
    page.keyboard.type((dt.date.today() - dt.timedelta(days=2)).strftime("%Y%m%d"))
    page.get_by_role("textbox", name="Done by").fill("D. Orme")
    choose(page, "Remedy", "circuit rewired")
    page.get_by_role("button", name="Write it down").click()
    page.get_by_text("Reported is not proven").wait_for()
    happened(page, "A look after the fix")
    choose(page, "Method", "three-lamp tester")
    page.get_by_role("button", name="Write it down").click()
    page.get_by_text("stays reported, unproven").wait_for()
    choose(page, "Method", "cover-off inspection")
    choose(page, "Slots", "three-slot")
    choose(page, "Ground present", "yes")
    choose(page, "Neutral-to-ground jumper", "no", exact=True)
    choose(page, "Polarity", "“correct”")
    page.get_by_role("button", name="Write it down").click()
    page.get_by_text("the look does not say").wait_for()
    choose(page, "Cover removed", "yes")
    page.get_by_role("spinbutton", name="Ground path, Ω").fill("0.2")
    page.get_by_role("textbox", name="Inspector", exact=True).fill("S. Ambrel")
    page.get_by_role("button", name="Write it down").click()
    page.locator("h2.name .chip", has_text="repair proven").wait_for()
    assert time.monotonic() - begun < MINUTE
    page.goto(f"{managed}/overdue")
    ready(page)
    assert page.get_by_role("heading", name="My buildings").is_visible()


def happened(page, what: str) -> None:
    choose(page, "What happened?", what)
    ready(page)


def choose(page, label: str, option: str, *, exact: bool = False) -> None:
    """Choose from a list; a list that a late rerun closes is opened again."""
    for _ in range(4):
        ready(page)
        page.get_by_role("combobox", name=label).click()
        wanted = page.get_by_role("option", name=option, exact=exact).first
        try:
            wanted.click(timeout=2_500)
        except PlaywrightTimeout:
            page.keyboard.press("Escape")
        else:
            return
    raise AssertionError(f"{label} never offered {option}")


def test_insurer_what_is_exposed(page_at, insured):
    page = page_at()
    begun = time.monotonic()
    page.goto(f"{insured}/exposure")
    ready(page)
    assert page.get_by_text("Where nobody can know").is_visible()
    page.locator("table a[data-open^=building]").first.click()
    open_building(page)
    assert page.get_by_text("Rests on evidence").is_visible()
    page.get_by_role("link", name="What readings prove").click()
    page.get_by_text("Three lamps are not proof").wait_for()
    ready(page)
    verdict = page.locator("section.panel.next").inner_text()
    assert "grounded and reversed false ground" in verdict
    page.get_by_text("sound appliance on, neutral broken further up").click()
    page.locator("svg.circuit").first.get_by_text("120 V on the case").wait_for()
    whole_shot(page, "evidence_open_neutral_1440_light")
    assert time.monotonic() - begun < MINUTE

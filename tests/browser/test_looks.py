"""Every screen at two widths and in two tones: pictures, no sideways scrolling, no barrier."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from screens_seen import PLANNED, ready, whole_shot

pytestmark = pytest.mark.browser

SCREENS = {
    "where_next": ("managed", "/"),
    "day_of_looks": ("managed", "/day-of-looks"),
    "year_of_repairs": ("managed", "/years-of-repairs"),
    "overdue": ("managed", "/overdue"),
    "exposure": ("insured", "/exposure"),
    "building": ("managed", "/building?id=ZQ-02"),
    "portfolio": ("housing", "/portfolio"),
    "evidence": ("housing", "/evidence"),
    "findings": ("managed", "/findings"),
    "visits": ("managed", "/visits"),
    "progress": ("managed", "/progress"),
    "intake": ("housing", "/intake?part=Set+aside"),
    "rule_book": ("housing", "/rule-book"),
}
FRAMEWORK = (("list", "stSidebarNavItems"), ("listitem", "stSidebarNavItems"))
"""Rules that the framework's own markup breaks, and where: navigation under headings is a list with
headings between its items. Nothing a project writes can change that."""

AXE = os.environ.get("COVERPLATE_AXE")


@pytest.mark.parametrize("tone", ["light", "dark"])
@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("screen", SCREENS)
def test_screens_fit_and_are_pictured(page_at, request, screen, width, tone):
    portfolio, address = SCREENS[screen]
    page = page_at(width, tone)
    page.goto(request.getfixturevalue(portfolio) + address)
    ready(page)
    if screen in PLANNED:
        PLANNED[screen](page)
    assert page.locator("[data-testid=stException]").count() == 0
    whole_shot(page, f"{screen}_{width}_{tone}")
    wide, room = page.evaluate(
        "(() => { const m = document.querySelector('[data-testid=stMain]');"
        " return [m.scrollWidth, m.clientWidth]; })()"
    )
    assert wide <= room, f"{screen} scrolls sideways at {width}"
    spilt = page.evaluate(
        """() => [...document.querySelectorAll('*')].filter(e => e.shadowRoot).flatMap(e =>
            [...e.shadowRoot.querySelectorAll('.plate')]).filter(p =>
            p.scrollWidth > p.clientWidth + 1).length"""
    )
    assert spilt == 0, f"{screen}: {spilt} plates spill over at {width}"


@pytest.mark.parametrize("tone", ["light", "dark"])
@pytest.mark.parametrize("screen", SCREENS)
def test_no_serious_barrier(page_at, request, screen, tone):
    """No serious or critical violation by axe-core that the project itself can cause."""
    if not AXE:
        pytest.skip("name axe.min.js (npm install axe-core) by COVERPLATE_AXE")
    portfolio, address = SCREENS[screen]
    page = page_at(1440, tone)
    page.goto(request.getfixturevalue(portfolio) + address)
    ready(page)
    if screen in PLANNED:
        PLANNED[screen](page)
    page.evaluate(Path(AXE).read_text(encoding="utf-8"))
    found = page.evaluate(
        """own => axe.run(document, {resultTypes: ['violations']}).then(r => r.violations
            .filter(v => ['serious', 'critical'].includes(v.impact))
            .map(v => [v.id, v.nodes
                .filter(n => !own.some(([rule, where]) => rule === v.id && n.target.length === 1
                    && document.querySelector(n.target[0])?.closest(`[data-testid=${where}]`)))
                .map(n => [n.target.flat().join(' '), n.html.slice(0, 160),
                    n.failureSummary.slice(0, 200)])])
            .filter(([, nodes]) => nodes.length))""",
        [list(pair) for pair in FRAMEWORK],
    )
    assert not found, "\n".join(
        f"{rule}: {target}\n    {html}\n    {why}"
        for rule, nodes in found
        for target, html, why in nodes
    )

"""A hostile register in a real browser: nothing is asked of another server, all of it is text."""

from __future__ import annotations

from urllib.parse import quote

import pytest
from screens_seen import plan_the_day, plan_the_repairs, ready
from serving import served

from pipeline.ledger import current, open_ledger
from tests.hostile_register import FILE, HOST, ID, MARKS, hostile_workspace, unknown_export

pytestmark = pytest.mark.browser

SCREENS = (
    *("", "overdue", "findings?q=", "finding", "visits", "progress?by=firm", "exposure?by=owner"),
    *("portfolio?by=owner", "evidence", "intake?part=landed", "intake?part=aside", "rule-book"),
    *("day-of-looks", "years-of-repairs"),
)
WATCH = """
window.stopped = [];
document.addEventListener('securitypolicyviolation', e => window.stopped.push(
    [e.blockedURI, e.violatedDirective, e.lineNumber, e.sample]));
"""
MADE = """host => {
  const found = [];
  const look = root => { for (const e of root.querySelectorAll('*')) {
    if (e.shadowRoot) look(e.shadowRoot);
    for (const a of e.attributes) if (['src', 'href', 'srcset', 'style', 'action', 'data',
        'poster', 'background'].includes(a.name) && a.value.includes(host) &&
        !/^(building|finding|findings)[?]/.test(a.value)) found.push([e.tagName, a.value]);
    if (['SCRIPT', 'STYLE'].includes(e.tagName) && e.textContent.includes(host))
        found.push([e.tagName, e.textContent.slice(0, 80)]);
    if (e.classList.contains('katex') || e.tagName === 'STRONG' && e.textContent === 'bold')
        found.push([e.tagName, e.textContent]);
  } };
  look(document);
  return found;
}"""


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    place = hostile_workspace(tmp_path_factory.mktemp("hostile"))
    ledger = open_ledger(workspace=place.root)
    finding = str(current(ledger)["finding_id"].iloc[0])
    ledger.close()
    with served(place) as address:
        yield address, finding


@pytest.fixture(params=["policy", "no policy"])
def watched(browser, hostile, request):
    """A page that tells every request to elsewhere, let through or stopped.

    Once as it is served, and once without the policy: the text must load nothing by itself.
    """
    address, _ = hostile
    context = browser.new_context(bypass_csp=request.param == "no policy")
    context.add_init_script(WATCH)
    page = context.new_page()
    asked: list[str] = []
    page.on(
        "request",
        lambda r: None if r.url.startswith((address, "data:", "blob:")) else asked.append(r.url),
    )
    page.on("dialog", lambda d: asked.append(f"dialog {d.message}"))
    page.asked, page.with_policy = asked, request.param == "policy"
    yield page
    context.close()


def elsewhere(page) -> list[object]:
    """What was asked of another server or stopped by the policy, beyond what is known."""
    stopped = [
        each
        for each in page.evaluate("window.stopped")
        if not (each[0] == "inline" and each[1] == "script-src-elem")
    ]
    return [*page.asked, *stopped]


def test_the_trap_catches(watched, hostile):
    watched.goto(hostile[0])
    ready(watched)
    assert elsewhere(watched) == []
    watched.evaluate(f"fetch('http://{HOST}/x').catch(() => 0)")
    watched.evaluate(f"document.body.append(Object.assign(new Image(), {{src: '//{HOST}/i.png'}}))")
    watched.wait_for_timeout(300)
    assert len(elsewhere(watched)) >= 2
    assert watched.evaluate(MADE, HOST)


def test_every_screen_asks_nobody_and_shows_text(watched, hostile):
    address, finding = hostile
    for screen in SCREENS:
        watched.goto(f"{address}/{screen}" + (f"?id={finding}" if screen == "finding" else ""))
        ready(watched)
        if screen == "day-of-looks":
            plan_the_day(watched)
        if screen == "years-of-repairs":
            plan_the_repairs(watched)
        for chart in watched.locator(".vega-embed").all():
            chart.scroll_into_view_if_needed()
            box = chart.bounding_box()
            for part in (0.35, 0.55, 0.8):
                for down in (0.2, 0.5, 0.8):
                    watched.mouse.move(
                        box["x"] + part * box["width"], box["y"] + down * box["height"]
                    )
            watched.wait_for_timeout(100)
        assert watched.evaluate(MADE, HOST) == [], screen
        assert elsewhere(watched) == [], screen


def test_labels_are_letter_for_letter_what_the_data_holds(watched, hostile):
    address, _ = hostile
    watched.goto(f"{address}/building")
    ready(watched)
    box = watched.get_by_label("Find a building")
    shown = ""
    for words in ("smile", "material", "x^2", "evil"):
        box.fill(words)
        box.press("Enter")
        watched.wait_for_timeout(1500)
        ready(watched)
        labels = watched.locator("[data-testid=stButton] button").all_inner_texts()
        assert labels, words
        shown += "\n".join(labels).replace("\u2060", "") + "\n"
        assert watched.locator("[data-testid=stButton] [data-testid=stIconMaterial]").count() == 0
        assert watched.locator("[data-testid=stButton] a").count() == 0
    for mark in (MARKS[3], MARKS[4], MARKS[6]):
        assert f"{mark} · rank" in shown, mark
    assert watched.evaluate(MADE, HOST) == [] and elsewhere(watched) == []
    watched.goto(f"{address}/building?id=" + quote(ID))
    ready(watched)
    assert MARKS[0] in watched.locator("h2.name").inner_text()
    assert watched.evaluate(MADE, HOST) == [] and elsewhere(watched) == []


def test_a_hostile_file_on_the_desk(watched, hostile, tmp_path):
    watched.goto(f"{hostile[0]}/intake")
    ready(watched)
    watched.locator("input[type=file]").first.set_input_files(unknown_export(tmp_path))
    watched.get_by_role("button", name="Save this mapping").wait_for()
    ready(watched)
    assert f"odd {FILE}" in watched.locator("[data-testid=stMain]").inner_text().replace(
        "\u2060", ""
    )
    # a grid's own export would write formulas as they are
    grid = watched.locator("[data-testid=stDataFrame]").first
    grid.hover()
    watched.get_by_label("Fullscreen").first.wait_for()
    assert watched.get_by_label("Download").count() == 0
    watched.get_by_role("button", name="Take in", exact=True).click()
    watched.locator("[data-testid=stAlert]").first.wait_for()
    ready(watched)
    assert watched.evaluate(MADE, HOST) == [] and elsewhere(watched) == []

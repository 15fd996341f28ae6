"""Text out of data shows as text on every screen: no markup of its own, in HTML or in Markdown."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import pandas as pd
import pytest
from screens_shown import plates, sound

from dashboard.components.plate import cells, label, text
from pipeline.ledger import current, open_ledger
from tests.hostile_register import HOST, ID, hostile_workspace, unknown_export

pytestmark = pytest.mark.slow


SCREENS = {
    "where_next": {},
    "day_of_looks": {},
    "year_of_repairs": {},
    "overdue": {},
    "findings": {},
    "finding": {"id": "of the ledger"},
    "visits": {},
    "progress": {"by": "firm"},
    "building": {"id": ID},
    "exposure": {"by": "owner"},
    "portfolio": {"by": "owner"},
    "evidence": {},
    "intake": {"part": "Set aside"},
    "rule_book": {},
}
SAY_NOTHING_OF_BUILDINGS = {"day_of_looks", "year_of_repairs", "evidence", "rule_book", "progress",
                            "portfolio"}  # fmt: skip
LETTERS_ONLY = {
    "selectbox",
    "multiselect",
    "text_input",
    "dataframe",
    "arrow_data_frame",
    "vega_lite_chart",
}
"""Elements whose options or cells are drawn as letters; their labels are Markdown all the same."""


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    return hostile_workspace(tmp_path_factory.mktemp("hostile"))


KNOWN = """a b br caption dd dl dt footer h2 h3 h4 h5 i li ol p section span table tbody td th thead
tr ul div svg g path line circle rect text title desc polyline polygon defs marker small"""


class Tags(HTMLParser):
    """Fails on any tag or attribute that the program itself never writes."""

    known = frozenset(KNOWN.split())

    def handle_starttag(self, tag, attrs):
        assert tag in self.known, tag
        for name, value in attrs:
            assert not name.startswith("on"), name
            assert name != "style" or "url" not in (value or ""), value
            if name in ("href", "src", "data-open"):
                assert (
                    not (value or "")
                    .partition("?")[0]
                    .strip()
                    .lower()
                    .startswith(("http", "//", "javascript", "data"))
                ), value


def plain_everywhere(app) -> str:
    """Check every element of a screen; return what was shown, for the test that it was there."""
    sound(app)
    shown = plates(app)
    parser = Tags()
    parser.feed(shown)
    for element in app.main:
        kind = element.type
        if kind == "bidi_component":
            continue
        told = str(getattr(element, "proto", ""))
        if kind in LETTERS_ONLY:
            told = str(getattr(element.proto, "label", ""))
        # an element's id is compared and never shown
        told = re.sub(r"(?m)^\s*(id|url|user_key): .*$", "", told)
        for raw in (f"{HOST}/", f"www.{HOST}", "![x]", "<img", ":material/home", "$x^2$", "\x1b"):
            assert not re.search(r"(?<!\\)" + re.escape(raw), told), (
                f"{kind}: {raw} in {told[:300]}"
            )
    return shown


@pytest.mark.parametrize("screen", SCREENS)
def test_a_hostile_register_shows_as_text(show, hostile, screen):
    query = dict(SCREENS[screen])
    if screen == "finding":
        ledger = open_ledger(workspace=hostile.root)
        frame = current(ledger)
        query["id"] = str(frame["finding_id"].iloc[0])
        ledger.close()
    shown = plain_everywhere(show(hostile, screen, **query))
    if screen not in SAY_NOTHING_OF_BUILDINGS:
        assert HOST in shown, "the text itself must be there to read"


@pytest.mark.parametrize(
    ("screen", "button"),
    [("day_of_looks", "Plan the day"), ("year_of_repairs", "Plan the repairs")],
)
def test_a_plan_at_hostile_buildings_shows_as_text(show, hostile, screen, button):
    app = show(hostile, screen)
    next(b for b in app.button if b.label == button).click().run()
    assert HOST in plain_everywhere(app)


def test_a_hostile_file_on_the_desk_shows_as_text(show, hostile, tmp_path):
    app = show(hostile, "intake")
    app.radio(key="how").set_value("path").run()
    app.text_input(key="path").set_value(str(unknown_export(tmp_path / "in"))).run()
    plain_everywhere(app)
    assert app.expander, "the desk must be there"
    next(b for b in app.button if b.label == "Take in").click().run()
    assert app.error
    plain_everywhere(app)


def test_a_search_that_finds_hostile_names_shows_them_as_text(show, hostile):
    app = show(hostile, "building", id=ID)
    app.text_input(key="find").set_value("B").run()
    assert any("evil" in button.label for button in app.button)
    plain_everywhere(app)


def test_what_is_not_seen_is_told_everywhere():
    assert text("a\u202eb") == "a⟨U+202E⟩b"
    assert label("a\x07b") == "a⟨U\\+0007⟩b"
    frame = cells(pd.DataFrame({"x\u200b": ["a\x1b", None], "n": [1, 2]}))
    assert json.loads(frame.to_json(orient="split"))["data"] == [["a⟨U+001B⟩", 1], [None, 2]]
    assert list(frame.columns) == ["x⟨U+200B⟩", "n"]

"""What screen tests share: a workspace to show, and the way to read what a screen shows."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from data_demo.portfolios import FOLDER
from pipeline.landing import Workspace, intake, load_mapping, save_mapping
from pipeline.warehouse.build import build

APP = Path(__file__).parents[2] / "dashboard" / "navigation.py"


def make_workspace(root: Path, portfolio: str, *, built: bool = True) -> Workspace:
    """A workspace with an invented portfolio taken in."""
    place = Workspace(root).create()
    source = FOLDER / portfolio
    for file in sorted((source / "mappings").glob("*.toml")):
        save_mapping(place, load_mapping(file))
    intake(place, [source / "exports"])
    if built:
        build(place)
    return place


def screen_of(
    patch: pytest.MonkeyPatch, place: Workspace, screen: str, **query: str | list[str]
) -> AppTest:
    """Run one screen over a workspace: screen_of(patch, workspace, "building", id="0001")."""
    patch.setenv("COVERPLATE_WORKSPACE", str(place.root))
    led_on = screen == "where_next" and not query
    # The first run makes the pages known; where it has nothing to show it stops early. A page is
    # gone to from the one that asks least of a workspace.
    patch.setenv("COVERPLATE_START", "where-next" if led_on else "day-of-looks")
    patch.delenv("COVERPLATE_LEDGER_URL", raising=False)
    app = AppTest.from_file(str(APP), default_timeout=60)
    if not led_on:
        app.run()
        app.switch_page(f"screens/{screen}.py")
    for name, value in query.items():
        app.query_params[name] = value
    return app.run()


def plates(app: AppTest) -> str:
    """All HTML that a screen shows, joined."""
    return "\n".join(str(json.loads(e.proto.json)) for e in app.get("bidi_component"))


def plate(app: AppTest, key: str) -> str:
    """The HTML of one plate, by its key."""
    for element in app.get("bidi_component"):
        if element.proto.id.endswith(f"-{key}"):
            return str(json.loads(element.proto.json))
    raise AssertionError(f"no plate {key!r} on this screen")


def sound(app: AppTest) -> None:
    """No exception, and the cautions at the foot."""
    assert not app.exception, [e.value for e in app.exception]
    assert "Only a qualified person" in plate(app, "cautions")


def press(app: AppTest, label: str) -> AppTest:
    """Press the button of a label; the screen is sound afterwards."""
    next(b for b in app.button if b.label == label).click().run()
    sound(app)
    return app


def choose(app: AppTest, chosen: dict[str, str]) -> None:
    """Choose from lists, by their keys."""
    for key, value in chosen.items():
        app.selectbox(key=key).set_value(value)

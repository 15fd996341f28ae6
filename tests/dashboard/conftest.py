"""The three invented portfolios, built once, and screens run over them without a browser."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from data_demo.portfolios import FOLDER
from pipeline.landing import Workspace, intake, load_mapping, save_mapping
from pipeline.warehouse import store
from pipeline.warehouse.build import build

APP = Path(__file__).parents[2] / "dashboard" / "app.py"


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


@pytest.fixture(scope="session")
def housing(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return make_workspace(tmp_path_factory.mktemp("housing"), "housing_authority")


@pytest.fixture(scope="session")
def managed(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The manager's portfolio, with findings raised from its evidence."""
    from pipeline.ledger import open_ledger
    from pipeline.ledger.sync import sync_findings

    place = make_workspace(tmp_path_factory.mktemp("managed"), "property_manager")
    ledger = open_ledger(workspace=place.root)
    with store.reading(place) as con:
        assert sync_findings(con, ledger).raised > 10
    ledger.close()
    return place


@pytest.fixture(scope="session")
def insured(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return make_workspace(tmp_path_factory.mktemp("insured"), "insurer")


@pytest.fixture
def own(managed: Workspace, tmp_path: Path) -> Workspace:
    """A copy of the manager's workspace that a test may change."""
    copy = tmp_path / "own"
    shutil.copytree(managed.root, copy)
    return Workspace(copy)


@pytest.fixture
def empty(tmp_path: Path) -> Workspace:
    return Workspace(tmp_path / "empty")


Show = Callable[..., AppTest]


@pytest.fixture
def show(monkeypatch: pytest.MonkeyPatch) -> Iterator[Show]:
    """Run one screen over a workspace: show(workspace, "building", id="0001")."""

    def run(place: Workspace, screen: str, **query: str | list[str]) -> AppTest:
        monkeypatch.setenv("COVERPLATE_WORKSPACE", str(place.root))
        monkeypatch.setenv("COVERPLATE_START", "where-next")
        monkeypatch.delenv("COVERPLATE_LEDGER_URL", raising=False)
        app = AppTest.from_file(str(APP), default_timeout=60)
        if screen != "where_next":
            # The first run makes the pages known; where it has nothing to show it stops early.
            app.run()
            app.switch_page(f"screens/{screen}.py")
        for name, value in query.items():
            app.query_params[name] = value
        return app.run()

    yield run


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

"""The three invented portfolios, built once, and screens run over them without a browser."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from screens_shown import make_workspace, screen_of
from streamlit import config
from streamlit.testing.v1 import AppTest

from pipeline.landing import Workspace
from pipeline.warehouse import store
from tests.once import once


def shown(factory: pytest.TempPathFactory, portfolio: str) -> Workspace:
    """A portfolio taken in and built; tests leave it as it is."""
    made = once(factory, f"shown-{portfolio}", lambda at: make_workspace(at, portfolio).root)
    return Workspace(made)


@pytest.fixture(scope="session")
def housing(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return shown(tmp_path_factory, "housing_authority")


@pytest.fixture(scope="session")
def managed(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The manager's portfolio, with findings raised from its evidence."""
    from pipeline.ledger import open_ledger
    from pipeline.ledger.sync import sync_findings

    def made(folder: Path) -> Path:
        place = make_workspace(folder, "property_manager")
        ledger = open_ledger(workspace=place.root)
        with store.reading(place) as con:
            assert sync_findings(con, ledger).raised > 10
        ledger.close()
        return place.root

    return Workspace(once(tmp_path_factory, "managed", made))


@pytest.fixture(scope="session")
def insured(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return shown(tmp_path_factory, "insurer")


@pytest.fixture
def own(managed: Workspace, tmp_path: Path) -> Workspace:
    """A copy of the manager's workspace that a test may change."""
    copy = tmp_path / "own"
    shutil.copytree(managed.root, copy)
    return Workspace(copy)


@pytest.fixture
def empty(tmp_path: Path) -> Workspace:
    return Workspace(tmp_path / "empty")


@pytest.fixture(autouse=True)
def on_loopback() -> Iterator[None]:
    """The address that the server's settings say: this machine only."""
    config.set_option("server.address", "127.0.0.1")
    yield
    config.set_option("server.address", "127.0.0.1")


Show = Callable[..., AppTest]


@pytest.fixture
def show(monkeypatch: pytest.MonkeyPatch) -> Iterator[Show]:
    """Run one screen over a workspace: show(workspace, "building", id="0001")."""

    def run(place: Workspace, screen: str, **query: str | list[str]) -> AppTest:
        return screen_of(monkeypatch, place, screen, **query)

    yield run

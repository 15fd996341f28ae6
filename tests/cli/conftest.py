from pathlib import Path

import pytest

from tests.cli.running import Outcome, run, run_apart
from tests.once import once


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep commands that name no workspace away from the person's own."""
    monkeypatch.delenv("COVERPLATE_WORKSPACE", raising=False)
    monkeypatch.chdir(tmp_path)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    """The default demo as a person would run it: what came out, its workspace."""

    def made(folder: Path) -> tuple[Outcome, Path]:
        outcome = run_apart("demo", "--no-dashboard", folder=folder)
        return outcome, folder / "coverplate-demo" / "housing_authority"

    return once(tmp_path_factory, "demo", made)


@pytest.fixture(scope="session")
def housing(demo: tuple[Outcome, Path]) -> Path:
    """Workspace of the housing authority's demo. Tests read it and leave it as it is."""
    return demo[1]


def portfolio(factory: pytest.TempPathFactory, name: str) -> tuple[Outcome, Path]:
    """Another portfolio's demo: what came out, and its workspace."""

    def made(folder: Path) -> tuple[Outcome, Path]:
        place = folder / "workspace"
        return run("demo", "--no-dashboard", "--portfolio", name, "--workspace", place), place

    return once(factory, f"demo-{name}", made)


@pytest.fixture(scope="session")
def manager(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    return portfolio(tmp_path_factory, "property_manager")


@pytest.fixture(scope="session")
def insurer(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    return portfolio(tmp_path_factory, "insurer")


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    return tmp_path / "workspace"


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return folder

from pathlib import Path

import pytest

from tests.cli.running import Outcome, run, run_apart


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep commands that name no workspace away from the person's own."""
    monkeypatch.delenv("COVERPLATE_WORKSPACE", raising=False)
    monkeypatch.chdir(tmp_path)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    """The default demo as a person would run it: what came out, its workspace."""
    folder = tmp_path_factory.mktemp("demo")
    outcome = run_apart("demo", "--no-dashboard", folder=folder)
    return outcome, folder / "coverplate-demo" / "housing_authority"


@pytest.fixture(scope="session")
def housing(demo: tuple[Outcome, Path]) -> Path:
    """Workspace of the housing authority's demo. Tests read it and leave it as it is."""
    return demo[1]


@pytest.fixture(scope="session")
def manager(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    """The property manager's demo: what came out, and its workspace."""
    place = tmp_path_factory.mktemp("manager") / "workspace"
    return run(
        "demo", "--no-dashboard", "--portfolio", "property_manager", "--workspace", place
    ), place


@pytest.fixture(scope="session")
def insurer(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    """The insurer's demo: what came out, and its workspace."""
    place = tmp_path_factory.mktemp("insurer") / "workspace"
    return run("demo", "--no-dashboard", "--portfolio", "insurer", "--workspace", place), place


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    return tmp_path / "workspace"


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return folder

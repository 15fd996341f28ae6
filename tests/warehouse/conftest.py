from pathlib import Path

import pytest

from pipeline.landing import Workspace
from pipeline.warehouse.build import Built, build
from tests.warehouse.small_portfolio import land_all, rows


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, Built]:
    """The small portfolio, landed and built once. Tests read it and leave it as it is."""
    folder = tmp_path_factory.mktemp("small")
    workspace = Workspace(folder / "workspace")
    land_all(workspace, folder / "inbox")
    return workspace, build(workspace)


@pytest.fixture(scope="session")
def ask(small: tuple[Workspace, Built]):
    """Ask the small portfolio's warehouse."""
    path: Path = small[1].path
    return lambda sql, *parameters: rows(path, sql, *parameters)

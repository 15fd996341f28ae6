"""Imports go one way: dashboard → pipeline → shared; data_demo takes what pipeline offers."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MAY_IMPORT = {
    "shared": {"shared"},
    "pipeline": {"pipeline", "shared"},
    "data_demo": {"data_demo", "pipeline", "shared"},
    "dashboard": {"dashboard", "pipeline", "shared"},
}
COMMANDS = "pipeline.cli"
OF_THE_DEMO = {Path("pipeline/cli/demo.py"), Path("dashboard/screenshots.py")}
"""What makes the invented portfolio, and pictures of it."""


def imported(file):
    """Names of modules of this project that a file imports, wherever in it."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            named = [each.name for each in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: relative import"
            named = [f"{node.module}.{each.name}" for each in node.names]
        else:
            continue
        yield from (each for each in named if each.split(".")[0] in MAY_IMPORT)


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_imports_go_one_way(room):
    for file in sorted((ROOT / room).rglob("*.py")):
        here = file.relative_to(ROOT)
        for name in imported(file):
            allowed = MAY_IMPORT[room] | ({"data_demo"} if here in OF_THE_DEMO else set())
            assert name.split(".")[0] in allowed, f"{here} imports {name}"
            if not str(here).startswith("pipeline/cli/"):
                assert not name.startswith(COMMANDS), f"{here} imports {name}: no command's part"

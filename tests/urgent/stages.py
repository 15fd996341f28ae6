"""Many stories in one workspace, a building each: told stage by stage, each kept to be asked."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from urgent_rows import take_in

from pipeline.landing import Workspace
from tests.cli.running import Outcome, run


class Stages:
    """A workspace in which stories go on together, and copies of it as it was at each stage."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.place = folder, Workspace(folder / "w")
        self._rows: dict[tuple[str, ...], list[dict[str, Any]]] = {}

    def __call__(self, *words: object, stage: str | None = None) -> Outcome:
        """Run a command, of now or of a stage that was kept."""
        return run(*words, "--workspace", (self.at(stage) if stage else self.place).root)

    def land(self, name: str, rows: list[dict[str, object]]) -> None:
        take_in(self.place, self.folder, name, rows)

    def up(self, *steps: str) -> None:
        """Build, or sync findings, in the order that is said."""
        for step in steps:
            done = self(*{"build": ("build",), "sync": ("findings", "sync")}[step])
            assert done.code == 0, done

    def keep(self, stage: str) -> None:
        shutil.copytree(self.place.root, self.at(stage).root)

    def at(self, stage: str) -> Workspace:
        """The workspace as it was; what a test does to it stays for the tests after it."""
        return Workspace(self.folder / "kept" / stage)

    def rows(self, stage: str, *words: str) -> list[dict[str, Any]]:
        """What a command that only reads told at a stage; asked once."""
        if (stage, *words) not in self._rows:
            self._rows[stage, *words] = self(*words, "--json", stage=stage).json()
        return self._rows[stage, *words]

    def of(self, stage: str, building: str, *words: str) -> list[dict[str, Any]]:
        """The same, of one building."""
        return [row for row in self.rows(stage, *words) if row["building_id"] == building]

"""Run the command line, in this process or in one of its own, and look at what comes out."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from pipeline.cli.main import main
from shared.shown import visible


@dataclass(frozen=True)
class Outcome:
    """What a command left: exit code, stdout, stderr."""

    code: int
    out: str
    err: str

    def json(self) -> list[dict[str, Any]]:
        """Stdout as one JSON array of objects with finite numbers only."""

        def refuse(number: str) -> float:
            raise AssertionError(f"{number} is not a finite number")

        found = json.loads(self.out, parse_constant=refuse)
        assert isinstance(found, list) and all(isinstance(row, dict) for row in found)
        return found


def _seemly(outcome: Outcome) -> Outcome:
    assert "Traceback" not in outcome.out + outcome.err, outcome.err
    assert outcome.code in (0, 2, 3), outcome
    assert visible(outcome.out + outcome.err) == outcome.out + outcome.err
    return outcome


def run(*arguments: object) -> Outcome:
    """Run in this process, as the installed command would."""
    out, err = io.StringIO(), io.StringIO()
    words = ["coverplate", *map(str, arguments)]
    code = 0
    with (
        patch.object(sys, "argv", words),
        # However the tests themselves were started.
        patch.object(sys.modules["__main__"], "__package__", ""),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as ended:
            code = int(ended.code or 0)
    return _seemly(Outcome(code, out.getvalue(), err.getvalue()))


def run_apart(*arguments: object, folder: Path) -> Outcome:
    """Run in a process of its own, in a folder."""
    found = subprocess.run(
        [sys.executable, "-m", "pipeline.cli.main", *map(str, arguments)],
        cwd=folder,
        env={
            **os.environ,
            "OMP_NUM_THREADS": "1",
            "PYTHONPATH": str(Path(__file__).parents[2]),
        },
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=900,
    )
    return _seemly(Outcome(found.returncode, found.stdout, found.stderr))

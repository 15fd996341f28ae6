"""Options that commands share, and the workspace they name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from pipeline.landing import Workspace
from shared.faults import CoverplateError

Command = TypeVar("Command", bound=Callable[..., Any])

DEFAULT_WORKSPACE = Path("coverplate-workspace")
DONE, UNFORESEEN, REFUSED, QUARANTINED = 0, 1, 2, 3


def workspace_option(command: Command) -> Command:
    """``--workspace DIR``: where everything is kept."""
    return click.option(
        "--workspace",
        "workspace",
        type=click.Path(file_okay=False, path_type=Path),
        default=DEFAULT_WORKSPACE,
        show_default=True,
        envvar="COVERPLATE_WORKSPACE",
        help="Folder that holds landed exports, ledger and warehouse.",
    )(command)


def json_option(command: Command) -> Command:
    """``--json``: one JSON array on stdout."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON array on stdout.")(
        command
    )


def existing(root: Path) -> Workspace:
    """The workspace in a folder.

    Raises:
        CoverplateError: where there is none.
    """
    workspace = Workspace(root)
    if not workspace.landed.is_dir():
        raise CoverplateError(
            f"there is no workspace in {root}",
            to_do="take exports in with `coverplate intake FILE…` (it makes one), or name another "
            "folder with --workspace",
        )
    return workspace

"""Options that commands share, and the workspace they name."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from pipeline.landing import Workspace
from pipeline.landing.answers import FORMS
from pipeline.ledger.events import MOST_MONEY
from pipeline.ledger.prices import whole_cents
from pipeline.warehouse.narrowing import EVIDENCE, FINDINGS, SIZES, Narrowing
from shared.faults import CoverplateError

Command = TypeVar("Command", bound=Callable[..., Any])

DEFAULT_WORKSPACE = Path("coverplate-workspace")
DONE, UNFORESEEN, REFUSED, QUARANTINED = 0, 1, 2, 3


class Amount(click.ParamType[float]):
    """An amount of money: a number of at least 0, up to ``MOST_MONEY``, in whole cents."""

    name = "amount"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the amount; a usage error in words where it is none."""
        try:
            amount = float(str(value))
        except ValueError:
            amount = math.nan
        if not 0 <= amount <= MOST_MONEY or not whole_cents(amount):
            self.fail(
                f"{value!r} is no amount of money: give 0 or more, in whole cents, such as 280.50.",
                param,
                ctx,
            )
        return amount


class Within(click.FloatRange):
    """A number within bounds; what is no number is none of them."""

    def convert(
        self, value: float, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number; a usage error in words where it is none."""
        found = float(super().convert(value, param, ctx))
        if math.isnan(found):
            self.fail(f"{value!r} is no number.", param, ctx)
        return found


AMOUNT = Amount()
"""The type of every option that takes an amount of money."""


def answers_option(command: Command) -> Command:
    """``--set WHAT=ANSWER``, repeatable, as ``settings``: see ``parse_answers``."""
    return click.option(
        "--set",
        "settings",
        multiple=True,
        metavar="WHAT=ANSWER",
        help="Answer where a file can be read more than one way; remembered as a mapping. "
        + "; ".join(FORMS)
        + ".",
    )(command)


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


_ERA = "Only buildings of this era: a key of the rule book's eras, or unknown; may be repeated."
_SEVERAL: tuple[tuple[str, str, tuple[str, ...], str], ...] = (
    ("--owner", "owners", (), "Only buildings of this owner; may be repeated."),
    ("--manager", "managers", (), "Only buildings of this manager; may be repeated."),
    ("--city", "cities", (), "Only buildings in this city; may be repeated."),
    ("--era", "eras", (), _ERA),
    ("--size", "sizes", tuple(SIZES), "Only buildings with so many dwellings; may be repeated."),
    (
        "--evidence",
        "evidence",
        tuple(EVIDENCE),
        "Only buildings where nobody looked, only blind methods did, or a capable one did.",
    ),
    (
        "--found",
        "findings",
        tuple(FINDINGS),
        "Only buildings with something urgent, a confirmed defect, or neither; may be repeated.",
    ),
)


def narrowing_options(command: Command) -> Command:
    """Options that narrow a list of buildings; the command takes them as ``only``."""

    @wraps(command)
    def narrowed(**given: Any) -> Any:  # noqa: ANN401 - whatever the command takes
        own = {name: tuple(given.pop(name)) for _, name, _, _ in _SEVERAL}
        only = Narrowing(
            **own,
            search=given.pop("search") or "",
            dwellings_from=given.pop("dwellings_from"),
            dwellings_to=given.pop("dwellings_to"),
        )
        return command(**given, only=only)

    options = [
        click.option(
            flag, name, multiple=True, type=click.Choice(words) if words else str, help=meaning
        )
        for flag, name, words, meaning in _SEVERAL
    ]
    options += [
        click.option(
            "--search",
            help="Only buildings with all these words in number, name, address or city.",
        ),
        click.option("--dwellings-from", type=click.IntRange(min=1), help="Only so large or more."),
        click.option("--dwellings-to", type=click.IntRange(min=1), help="Only so large or less."),
    ]
    found: Any = narrowed
    for each in reversed(options):
        found = each(found)
    return cast("Command", found)


def check_ending(path: Path, endings: Sequence[str]) -> None:
    """Refuse a file to be written whose name has none of some endings.

    Raises:
        CoverplateError: naming them.
    """
    if path.suffix.lower() not in endings:
        raise CoverplateError(
            f"{path} does not end in {' or '.join(endings)}",
            expected=f"a file name with {' or '.join(endings)}",
            to_do="name it so that programs know what it is",
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

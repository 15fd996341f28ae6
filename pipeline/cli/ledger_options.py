"""What commands on the ledger share: which ledger, who acts, which findings, what is printed."""

from __future__ import annotations

import datetime as dt
import getpass
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO, TypeVar

import click
import pandas as pd
import sqlalchemy as sa

from pipeline.cli.options import json_option, workspace_option
from pipeline.cli.output import echo, print_json, say
from pipeline.landing import Workspace
from pipeline.landing.fix_rows import has_fix_reports
from pipeline.landing.quarantine import Refusal
from pipeline.ledger import Draft, Ledger, Payload, open_ledger
from pipeline.ledger.database import URL_VARIABLE, ledger_file
from pipeline.ledger.events import Event
from pipeline.ledger.head import unwritten
from pipeline.ledger.held import check_held
from pipeline.ledger.history import damage_told
from pipeline.ledger.landed_fixes import TakenUp, refusals, take_up
from pipeline.ledger.landed_looks import proofs_in_doubt
from pipeline.warehouse import store
from pipeline.warehouse.inputs import workspace_rule_book
from pipeline.warehouse.queries import gfci_looks, known_circuits, stakes
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

Command = TypeVar("Command", bound=Callable[..., Any])

ORIGIN = "cli"


def ledger_options(command: Command) -> Command:
    """``--workspace``, ``--ledger`` and ``--json``."""
    located = click.option(
        "--ledger",
        "ledger_at",
        metavar="URL",
        envvar=URL_VARIABLE,
        help="Another ledger than the workspace's own: a path, or postgresql://user@host/name.",
    )(command)
    return workspace_option(json_option(located))


def acting_options(command: Command) -> Command:
    """``ledger_options`` and ``--by``: who says so."""
    named = click.option(
        "--by",
        "who",
        envvar="COVERPLATE_USER",
        default=getpass.getuser,
        show_default="your login name",
        help="Who says so; stands on the event.",
    )(command)
    return ledger_options(named)


def day_option(name: str, meaning: str, *, required: bool = False) -> Callable[[Command], Command]:
    """An option that takes a day as 2025-03-31."""
    return click.option(
        name,
        type=click.DateTime(["%Y-%m-%d"]),
        required=required,
        metavar="YYYY-MM-DD",
        help=meaning,
    )


def day_or_today(value: dt.datetime | None) -> dt.date:
    """Return the day that was given, else today."""
    return dt.date.today() if value is None else value.date()


def findings_argument(command: Command) -> Command:
    """``ID[@VERSION] …`` and ``--from FILE``."""
    listed = click.option(
        "--from",
        "listed",
        type=click.File(encoding="utf-8"),
        help="Also the findings in a file, one a line; - for standard input.",
    )(command)
    return click.argument("ids", nargs=-1, metavar="ID[@VERSION]...")(listed)


@contextmanager
def opened(root: Path, ledger_at: str | None, *, anew: bool = False) -> Iterator[Ledger]:
    """Open the ledger of a workspace under the workspace's rule book.

    Args:
        root: the workspace's folder.
        ledger_at: see ``ledger_url``.
        anew: it may hold fewer events than it did, as where a back-up is brought back.

    Raises:
        CoverplateError: it cannot be opened, is damaged, or holds fewer events than it did.
    """
    book = _rule_book(root, ledger_at)
    if not anew:
        check_held(ledger_file(ledger_at, root))
    ledger = open_ledger(ledger_at, workspace=root, rule_book=book)
    try:
        with damage_told(ledger):
            yield ledger
    except sa.exc.DatabaseError as fault:
        file = ledger_file(ledger_at, root)
        if file is None or getattr(fault.orig, "sqlite_errorcode", None) not in _DAMAGED:
            raise
        ledger.close()
        with unwritten(root, book, ledger_at):
            pass  # says what is damaged, if it shows there too
        raise CoverplateError(
            f"the ledger {file} cannot be read: {fault.orig}",
            to_do="see `coverplate ledger verify`",
        ) from fault
    finally:
        ledger.close()


_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


@contextmanager
def opened_unwritten(root: Path, ledger_at: str | None) -> Iterator[Ledger | None]:
    """Open the ledger of a workspace without writing anything; None where there is none."""
    with unwritten(root, _rule_book(root, ledger_at), ledger_at) as ledger:
        yield ledger


@contextmanager
def opened_to_read(root: Path, ledger_at: str | None) -> Iterator[Ledger]:
    """The same where there has to be a ledger."""
    with opened_unwritten(root, ledger_at) as ledger:
        if ledger is None:
            raise no_ledger(root, ledger_at)
        yield ledger


def no_ledger(root: Path, ledger_at: str | None) -> CoverplateError:
    """Return the refusal where a ledger was to be read and there is none."""
    return CoverplateError(
        f"there is no ledger {ledger_file(ledger_at, root) or 'in that database'}",
        to_do="check --ledger and --workspace; the first finding that is raised makes it",
    )


def _rule_book(root: Path, ledger_at: str | None) -> RuleBook:
    place = Workspace(root)
    if ledger_at is None and not place.landed.is_dir():
        raise CoverplateError(
            f"there is no workspace in {root}",
            to_do="take exports in with `coverplate intake FILE…`, or name another folder with "
            "--workspace",
        )
    return workspace_rule_book(place)


def buildings_of(root: Path) -> pd.DataFrame | None:
    """The register as the current warehouse has it; None where nothing was built."""
    place = Workspace(root)
    if store.current_version(place) is None:
        return None
    with store.reading(place) as con:
        return con.execute(
            "SELECT building_id, name, address, owner, manager, year_built FROM buildings"
        ).fetchdf()


def circuits_of(root: Path) -> pd.DataFrame | None:
    """Which circuit feeds each opening, where that is known; None where nothing was built."""
    place = Workspace(root)
    if store.current_version(place) is None:
        return None
    with store.reading(place) as con:
        return known_circuits(con)


def gfci_looks_of(root: Path, building: str | None = None) -> pd.DataFrame | None:
    """Looks that bear on GFCIs (``gfci_looks``); None where nothing was built."""
    place = Workspace(root)
    if store.current_version(place) is None:
        return None
    with store.reading(place) as con:
        return gfci_looks(con, building)


def stakes_of(root: Path, findings: pd.DataFrame) -> pd.DataFrame | None:
    """What is at stake where findings are; None where nothing was built."""
    place = Workspace(root)
    if store.current_version(place) is None:
        return None
    with store.reading(place) as con:
        return stakes(con, findings)


def doubts_of(root: Path, ledger: Ledger) -> dict[str, str]:
    """Why proofs are in doubt, by finding; nothing where nothing was built."""
    place = Workspace(root)
    if store.current_version(place) is None:
        return {}
    with store.reading(place) as con:
        return proofs_in_doubt(con, ledger)


def named_findings(ids: Sequence[str], listed: TextIO | None) -> list[tuple[str, int | None]]:
    """Split ``ID@VERSION`` into identifier and the version that the person had seen.

    Raises:
        CoverplateError: none is named, or a version is no number.
    """
    texts = [*ids, *(line.strip() for line in listed or ())]
    found: dict[str, int | None] = {}
    for text in filter(None, texts):
        identity, mark, version = text.partition("@")
        if mark and not version.isdigit():
            raise CoverplateError(
                f"{text!r} names no version",
                expected="ID or ID@VERSION, such as F-0123456789abcdef@4",
                to_do="take it from `coverplate findings list --ids`",
            )
        found[identity] = int(version) if mark else None
    if not found:
        raise CoverplateError(
            "no finding is named",
            expected="one or more identifiers, or --from FILE",
            to_do="list them with `coverplate findings list`",
        )
    return list(found.items())


def act(
    ledger: Ledger,
    findings: Sequence[tuple[str, int | None]],
    payload: Payload,
    who: str,
    as_json: bool,
) -> int:
    """Write the same event on findings, all or none, and print how they stand."""
    drafts = [Draft(identity, payload, version) for identity, version in findings]
    written = ledger.append_many(drafts, who=who, origin=ORIGIN)
    return print_written(ledger, written, as_json)


def print_written(ledger: Ledger, events: Sequence[Event], as_json: bool) -> int:
    """Print events that were written, and how their findings stand now."""
    rows = [
        {
            "finding_id": event.finding_id,
            "version": event.sequence,
            "event": event.kind,
            "state": ledger.finding(event.finding_id).state.value,
        }
        for event in events
    ]
    if as_json:
        print_json(rows)
        return 0
    for row in rows:
        echo(f"{row['finding_id']}@{row['version']}  {row['event']}  →  {row['state']}")
    if len(rows) > 1:
        say(f"{len(rows)} findings")
    return 0


def taken_up(place: Workspace, ledger_at: str | None, who: str) -> TakenUp:
    """Write landed fix reports into the ledger; opens none where no fix report ever landed.

    Raises:
        CoverplateError: the ledger cannot be written; the files stay landed.
    """
    if not has_fix_reports(place):
        return TakenUp()
    try:
        with opened(place.root, ledger_at) as ledger:
            return take_up(place, ledger, who=who)
    except CoverplateError as fault:
        raise CoverplateError(
            f"the files are taken in, but their fix reports are not in the ledger: {fault.found}",
            expected=fault.expected,
            to_do=f"{fault.to_do}; then `coverplate findings sync` takes them up",
        ) from fault


def refused_rows(place: Workspace, ledger_at: str | None) -> list[Refusal]:
    """Return the landed fix reports that the ledger refuses; opens none where none ever landed."""
    if not has_fix_reports(place):
        return []
    with opened(place.root, ledger_at) as ledger:
        return refusals(place, ledger)

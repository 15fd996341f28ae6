"""``coverplate ledger``: proof that nothing was altered, back-up and restore, export and import."""

from __future__ import annotations

import json
from pathlib import Path

import click

from pipeline.cli.ledger_options import ledger_options, opened
from pipeline.cli.options import DONE, REFUSED
from pipeline.cli.output import echo, print_json, say
from pipeline.ledger.archive import back_up, export_events, import_events, read_export
from pipeline.ledger.archive import restore as restore_backup
from pipeline.ledger.chain import Heads
from shared.faults import CoverplateError


@click.group()
def ledger() -> None:
    """The history itself: append-only, chained, kept where you say."""


def _told(path: Path, count: int, what: str, as_json: bool) -> int:
    if as_json:
        print_json([{"path": str(path), "events": count}])
    else:
        say(f"{count} {what}")
    return DONE


@ledger.command("verify", epilog="Example: coverplate ledger verify --seal seal-2025-03.json")
@click.option("--seal", type=click.Path(path_type=Path, dir_okay=False),
              help="A seal kept elsewhere, made by `coverplate ledger seal`.")  # fmt: skip
@ledger_options
def verify(seal: Path | None, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Prove that no event was altered, removed or slipped in; say where one was.

    Exits with 2 where anything was. Only a seal kept elsewhere tells a chain that was made anew.
    """
    with opened(workspace, ledger_at) as opened_ledger:
        kept = _read_seal(seal) if seal else None
        found = opened_ledger.verify(kept)
        heads = opened_ledger.heads()
    events = sum(sequence for sequence, _ in heads.values())
    if as_json:
        print_json([vars(each) for each in found])
    elif not found:
        against = f" and stand as sealed in {seal.name}" if seal else ""
        echo(f"{len(heads)} findings, {events} events: all chains hold{against}.")
    for each in found if not as_json else ():
        echo(f"{each.finding_id} event {each.sequence} {each.what}")
    return REFUSED if found else DONE


def _read_seal(path: Path) -> Heads:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return {str(each): (int(head[0]), str(head[1])) for each, head in content.items()}
    except (OSError, ValueError, AttributeError, IndexError, TypeError) as fault:
        raise CoverplateError(
            f"{path} is no seal: {fault}",
            expected="a file made by `coverplate ledger seal`",
            to_do="check the path",
        ) from fault


@ledger.command("seal", epilog="Example: coverplate ledger seal seal-2025-03.json")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def seal(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Write down the last hash of every finding; keep it elsewhere for `ledger verify --seal`."""
    with opened(workspace, ledger_at) as opened_ledger:
        heads = dict(opened_ledger.heads())
    path.write_text(json.dumps(heads, sort_keys=True, indent=0) + "\n", encoding="utf-8")
    if as_json:
        print_json([{"path": str(path), "findings": len(heads)}])
    else:
        say(
            f"{len(heads)} findings sealed in {path}. Keep it where nobody of the ledger can write."
        )
    return DONE


@ledger.command("backup", epilog="Example: coverplate ledger backup /backup/ledger-2025-03-31")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def backup(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Copy the ledger while it is in use: SQLite as a file, PostgreSQL as JSON Lines."""
    with opened(workspace, ledger_at) as opened_ledger:
        back_up(opened_ledger, path)
    print_json([{"path": str(path)}]) if as_json else say(f"Backed up to {path}.")
    return DONE


@ledger.command("restore", epilog="Example: coverplate ledger restore /backup/ledger-2025-03-31")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def restore(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Bring a back-up into an empty ledger, every chain checked."""
    with opened(workspace, ledger_at) as opened_ledger:
        count = restore_backup(opened_ledger, path)
    print_json([{"path": str(path), "events": count}]) if as_json else say(
        f"{count} events restored."
    )
    return DONE


@ledger.command("export", epilog="Example: coverplate ledger export history.jsonl")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def export(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Write the whole history as JSON Lines, one event a line."""
    with opened(workspace, ledger_at) as opened_ledger:
        count = export_events(opened_ledger, path)
    print_json([{"path": str(path), "events": count}]) if as_json else say(
        f"{count} events written."
    )
    return DONE


@ledger.command("import", epilog="Example: coverplate ledger import history.jsonl")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def import_(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Bring an export in; events that stand already are left, altered ones are refused."""
    with opened(workspace, ledger_at) as opened_ledger:
        count = import_events(opened_ledger, read_export(path))
    return _told(path, count, "new events.", as_json)

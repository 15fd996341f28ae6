"""``coverplate ledger``: proof that nothing was altered, back-up and restore, export and import."""

from __future__ import annotations

import json
from pathlib import Path

import click

from pipeline.cli.ledger_options import (
    acting_options,
    ledger_options,
    no_ledger,
    opened,
    opened_to_read,
    opened_unwritten,
)
from pipeline.cli.options import DONE, QUARANTINED, REFUSED
from pipeline.cli.output import echo, print_json, print_table, say
from pipeline.landing import Workspace
from pipeline.ledger.archive import back_up, export_events, read_export, write_texts
from pipeline.ledger.chain import Break, Heads, breaks, fallen_short
from pipeline.ledger.damage import salvage as salvage_file
from pipeline.ledger.database import ledger_file, ledger_url
from pipeline.ledger.held import RESTORED, heads_gone, held_before, write_held, write_held_of
from pipeline.ledger.imports import import_rows, waiting
from pipeline.ledger.incoming import Imported, import_events
from pipeline.ledger.incoming import restore as restore_backup
from pipeline.ledger.papers import (
    Carried,
    attachment_breaks,
    beside_backup,
    carry,
    folder_of,
)
from pipeline.ledger.rule_books import kept_rows
from pipeline.ledger.seal import read_seal, write_seal
from pipeline.warehouse.soundness import held_when_built
from shared.faults import CoverplateError
from shared.in_words import count, plural


@click.group()
def ledger() -> None:
    """The history itself: append-only, chained, kept where you say."""


_NAMED = 5
"""So many findings that were set aside are named, the rest counted."""

vouching_option = click.option(
    "--rule-book-hash",
    "vouched",
    metavar="HASH",
    multiple=True,
    help="A rule book that the file brings along and that you vouch for; may be given again.",
)


@ledger.command("verify", epilog="Example: coverplate ledger verify --seal seal-2025-03.json")
@click.option("--seal", type=click.Path(path_type=Path, dir_okay=False),
              help="A seal kept elsewhere, made by `coverplate ledger seal`.")  # fmt: skip
@ledger_options
def verify(seal: Path | None, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Prove that no event was altered, removed or slipped in, and that every event follows the
    rules by which it was written; say where one does not. Writes nothing.

    Files kept with visits and findings must lie in the workspace, unchanged.

    Holds the ledger also against how far it had come when it was last sealed, synchronised or
    built from; that the file which says so is gone is wrong too. Exits with 2 where anything is
    wrong. Only a seal kept elsewhere tells a chain that was made anew by the rules.
    """
    kept = read_seal(seal) if seal else None
    file = ledger_file(ledger_at, workspace)
    held = [*(held_before(file) if file else ()), *([kept.held] if kept and kept.held else ())]
    gone: list[Break] = []
    if ledger_url(ledger_at, workspace) == ledger_url(None, workspace):
        built = held_when_built(Workspace(workspace))
        held += built
        gone = heads_gone(file, built)
    strange: list[dict[str, str]] = []
    heads: Heads = {}
    with opened_unwritten(workspace, ledger_at) as found:
        if found is None:
            wrong = [*breaks([], {}, kept.heads if kept else None), *fallen_short([], held)]
            if ledger_at is not None and not wrong:
                raise no_ledger(workspace, ledger_at)
        else:
            wrong = found.verify(kept.heads if kept else None, held)
            wrong += attachment_breaks(found, Workspace(workspace))
            heads = found.heads()
            with found.reading() as con:
                own = found.books(con).own
                strange = [row for row in kept_rows(con) if row["hash"] not in own]
    wrong += gone
    events = sum(sequence for sequence, _ in heads.values())
    if as_json:
        print_json([vars(each) for each in wrong])
    elif not wrong:
        against = f" and stand as sealed in {seal.name}" if seal else ""
        echo(f"{len(heads)} findings, {events} events: all chains hold{against}.")
    for each in wrong if not as_json else ():
        echo(each.said)
    for row in strange:
        say(
            f"Events since {row['first_used_at'][:10]} were judged by the rule book "
            f"{row['hash'][:12]}, which is kept here and is neither the program's own nor the "
            "workspace's of today."
        )
    return REFUSED if wrong else DONE


@ledger.command("seal", epilog="Example: coverplate ledger seal seal-2025-03.json")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def seal(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Write down the last hash of every finding, and how far the whole ledger has come; keep it
    elsewhere for `ledger verify --seal`."""
    with opened_to_read(workspace, ledger_at) as opened_ledger:
        sealed = write_seal(opened_ledger, path)
        for line in write_held_of(opened_ledger, "seal", ledger_at, workspace):
            say(line)
    if as_json:
        print_json([{"path": str(path), "findings": len(sealed.heads)}])
    else:
        say(
            f"{len(sealed.heads)} findings sealed in {path}. Keep it where nobody of the ledger "
            "can write."
        )
    return DONE


@ledger.command("backup", epilog="Example: coverplate ledger backup /backup/ledger-2025-03-31")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def backup(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Copy the ledger while it is in use: SQLite as a file, PostgreSQL as JSON Lines.

    Files kept with visits and findings go to the folder `attachments` beside it, each named by its
    SHA-256; back-ups in one folder share them. Exits with 3 where one is lost or altered.
    """
    files = beside_backup(path)
    with opened(workspace, ledger_at) as opened_ledger:
        back_up(opened_ledger, path)
        carried = carry(opened_ledger, folder_of(Workspace(workspace)), files)
    if as_json:
        print_json([{"path": str(path), **vars(carried)}])
    else:
        say(f"Backed up to {path}.")
    return _carried(carried, files)


def _carried(carried: Carried, target: Path) -> int:
    if carried.copied or carried.there:
        say(
            f"{plural(carried.copied, 'kept file')} copied to {target}, {carried.there:,} there "
            "already."
        )
    for name in carried.missing[:_NAMED]:
        say(f"Missing or altered: {name}")
    if carried.missing:
        say(
            f"{plural(len(carried.missing), 'kept file')} could not be copied: attach the same "
            "file once more. `coverplate ledger verify` names them all."
        )
    return QUARANTINED if carried.missing else DONE


@ledger.command("restore", epilog="Example: coverplate ledger restore /backup/ledger-2025-03-31")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@vouching_option
@acting_options
def restore(
    path: Path,
    vouched: tuple[str, ...],
    who: str,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
) -> int:
    """Bring a back-up into an empty ledger, every chain checked as by `ledger import`.

    Files kept with visits and findings come back from the folder `attachments` beside it.
    """
    kept = folder_of(Workspace(workspace))
    file = ledger_file(ledger_at, workspace)
    before = max((each.events for each in held_before(file)), default=0) if file else 0
    with opened(workspace, ledger_at, anew=True) as opened_ledger:
        done = restore_backup(opened_ledger, path, who=who, vouched=vouched)
        carried = carry(opened_ledger, beside_backup(path), kept)
        for line in write_held(opened_ledger, RESTORED):
            say(line)
    if before > done.written:
        say(f"The ledger that was here before held {before:,} events; {done.written:,} stand now.")
    code = _told(path, done, "events restored", as_json)
    return max(code, _carried(carried, kept))


@ledger.command("export", epilog="Example: coverplate ledger export history.jsonl")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def export(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Write the whole history as JSON Lines, one event a line."""
    with opened(workspace, ledger_at) as opened_ledger:
        written = export_events(opened_ledger, path)
    print_json([{"path": str(path), "events": written}]) if as_json else say(
        f"{written} events written."
    )
    return DONE


@ledger.command("import", epilog="Example: coverplate ledger import history.jsonl")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@vouching_option
@acting_options
def import_(
    path: Path,
    vouched: tuple[str, ...],
    who: str,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
) -> int:
    """Bring an export in; events that stand already are left.

    Every chain has to hold and to follow the rules of writing; one that does not is set aside
    whole, and the command then exits with 3: see `coverplate ledger set-aside`.
    """
    with opened(workspace, ledger_at) as opened_ledger:
        done = import_events(opened_ledger, read_export(path), who=who, vouched=vouched)
        for line in write_held(opened_ledger, "import"):
            say(line)
    return _told(path, done, "new events", as_json)


def _told(path: Path, done: Imported, what: str, as_json: bool) -> int:
    if as_json:
        print_json(
            [
                {
                    "path": str(path),
                    "events": done.written,
                    "read": done.read,
                    "standing": done.standing,
                    "set_aside": done.set_aside,
                }
            ]
        )
    else:
        say(f"{done.written} {what}.")
    if not done.set_aside:
        return DONE
    for finding, reason in list(done.reasons.items())[:_NAMED]:
        say(f"Set aside: {finding or 'a line'}: {reason}")
    say(
        f"{plural(done.set_aside, 'line')} of {plural(len(done.reasons), 'finding')} set aside; "
        "nothing of these was written. All reasons: `coverplate ledger set-aside`."
    )
    return QUARANTINED


@ledger.command("set-aside", epilog="Example: coverplate ledger set-aside --export to-mend.jsonl")
@click.option("--export", "out", type=click.Path(path_type=Path, dir_okay=False),
              help="Write the lines to a file, to be mended and imported again.")  # fmt: skip
@ledger_options
def set_aside(out: Path | None, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List lines of imported histories that were set aside and do not stand here by now."""
    with opened_to_read(workspace, ledger_at) as opened_ledger, opened_ledger.reading() as con:
        rows = waiting(con)
    if out is not None:
        write_texts(out, (row["text"] for row in rows))
        say(f"{plural(len(rows), 'line')} written to {out}.")
    if as_json:
        print_json(rows)
    elif out is None:
        print_table(
            f"{plural(len(rows), 'line')} set aside",
            [("file", "left"), ("line", "right"), ("finding", "left"), ("reason", "left")],
            [[r["file_name"], str(r["line"]), r["finding_id"], r["reason"]] for r in rows],
        )
    return DONE


@ledger.command("imports", epilog="Example: coverplate ledger imports --json")
@ledger_options
def imports(workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """List every history that was brought in: from which file, by whom, what became of it."""
    with opened_to_read(workspace, ledger_at) as opened_ledger, opened_ledger.reading() as con:
        rows = import_rows(con)
    if as_json:
        print_json([{**r, "rule_books_vouched": json.loads(r["rule_books_vouched"])} for r in rows])
        return DONE
    counted = ("events_read", "events_written", "events_standing", "lines_set_aside")
    print_table(
        plural(len(rows), "import"),
        [
            ("file", "left"),
            ("sha256", "left"),
            ("by", "left"),
            ("at", "left"),
            *((name.split("_", 1)[1].replace("_", " "), "right") for name in counted),
        ],
        [
            [r["file_name"], r["file_sha256"][:12], r["who"], r["recorded_at"][:16]]
            + [count(r[name]) for name in counted]
            for r in rows
        ],
    )
    return DONE


@ledger.command("salvage", epilog="Example: coverplate ledger salvage saved.jsonl")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@ledger_options
def salvage(path: Path, workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Write what can still be read of a damaged SQLite ledger as JSON Lines.

    That is every event whose chain holds up to it, with the rule books. `ledger import` takes the
    file into a new ledger. Exits with 2 where events are missing from it.
    """
    file = ledger_file(ledger_at, workspace)
    if file is None:
        raise CoverplateError(
            "this ledger is no SQLite file",
            expected="an SQLite ledger",
            to_do="restore the server's own back-up, or `coverplate ledger restore` one of these",
        )
    if not file.exists():
        raise no_ledger(workspace, ledger_at)
    found = salvage_file(file, path)
    saved = len(found.holding)
    lost = max(0, found.expected - saved)
    if as_json:
        print_json([{"path": str(path), "events": saved, "missing": lost}])
    else:
        say(f"{plural(saved, 'event')} written to {path}; at least {lost:,} are missing.")
    return REFUSED if lost else DONE


@ledger.command("restate", epilog="Example: coverplate ledger restate")
@ledger_options
def restate(workspace: Path, ledger_at: str | None, as_json: bool) -> int:
    """Work out anew from its events how every finding stands, and keep that.

    For a ledger of which `ledger verify` says that a kept state is not what the events amount to.
    The events themselves are not touched.
    """
    with opened(workspace, ledger_at) as opened_ledger:
        number = opened_ledger.state_anew()
        findings = len(opened_ledger.heads())
    if as_json:
        print_json([{"findings": findings, "restated": number}])
    else:
        say(f"{number:,} of {plural(findings, 'finding')} worked out anew from their events.")
    return DONE if number == findings else REFUSED

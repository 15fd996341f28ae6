"""How far a ledger had come, written down beside it: a line each time, in ``….heads.jsonl``.

An emptied ledger, or one cut short with its heads, holds together by itself. This file tells it,
unless it was taken away as well; a seal kept elsewhere tells that too.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
from collections.abc import Sequence
from pathlib import Path

from pipeline.ledger.chain import Break, Held, LedgerHash
from pipeline.ledger.damage import UNREADABLE, opened_still
from pipeline.ledger.database import ledger_file
from pipeline.ledger.head import event_hashes
from pipeline.ledger.imports import last_import
from pipeline.ledger.store import Ledger
from shared.canonical import START, canonical, utc_text
from shared.faults import CoverplateError

RESTORED = "restore"
"""What a line says that begins anew: lines before it speak of the ledger before."""


def held_path(file: Path) -> Path:
    """Return where the heads of an SQLite ledger are kept."""
    return file.with_name(f"{file.stem}.heads.jsonl")


def held_before(file: Path) -> list[Held]:
    """Return what a ledger held, as written beside it since it was last restored."""
    path = held_path(file)
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except FileNotFoundError:
        return []
    found: list[Held] = []
    for line in lines:
        try:
            content = json.loads(line)
            if content["what"] == RESTORED:
                found.clear()
            found.append(
                Held(
                    int(content["events"]),
                    str(content["hash"]),
                    str(content["at"]),
                    path.name,
                    int(content.get("imports", 0)),
                    str(content.get("imports_hash", START)),
                )
            )
        except (ValueError, KeyError, TypeError, RecursionError):
            continue  # a line that was torn by a power cut; the others stand
    return found


def restored(file: Path) -> bool:
    """Whether a ledger was brought back from a back-up, as is written beside it."""
    try:
        text = held_path(file).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return False
    return f'"what":"{RESTORED}"' in text


def heads_gone(file: Path | None, known: Sequence[Held]) -> list[Break]:
    """Say that nothing stands beside a ledger of how far it had come, though it was written there.

    Args:
        file: the ledger's; None of another database, of which nothing is written beside it.
        known: what is known elsewhere of how far it had come, each of a time when that was
            written beside it too.
    """
    if file is None or not known or held_before(file):
        return []
    last = max(known, key=lambda each: each.events)
    what = (
        f"{held_path(file)} is gone, or nothing can be read in it: there stood how far the ledger "
        f"had come ({last.events:,} events on {last.when[:10]}, by the {last.where}). Without it "
        "nobody can tell whether events were taken off the ledger's end since then. Put it back "
        "from a copy, or hold the ledger against a seal or a back-up kept elsewhere; if it was "
        "removed on purpose, the next `coverplate build` begins it anew"
    )
    return [Break("", 0, what)]


def check_held(file: Path | None) -> None:
    """Refuse an SQLite ledger that holds fewer events than it did; writes nothing.

    Args:
        file: the ledger's; None of another database, which is not checked.

    Raises:
        CoverplateError: saying how many it held and how to go on.
    """
    held = max(held_before(file), key=lambda each: each.events, default=None) if file else None
    now = _events_in(file) if file and held else None
    if not file or not held or now is None or now >= held.events:
        return
    raise CoverplateError(
        f"the ledger {file} held {held.events:,} events on {held.when[:10]}, now {now:,}",
        expected=f"no fewer than it held ({held_path(file)})",
        to_do="move what is left of it away and bring back a back-up with `coverplate ledger "
        "restore BACKUP`; if it was begun anew on purpose, remove "
        f"{held_path(file)}",
    )


def _events_in(file: Path) -> int | None:
    """How many events stand in a file; None where that cannot be told, as of a damaged one."""
    if not file.exists() or (file.is_file() and not file.stat().st_size):
        return 0
    try:
        with contextlib.closing(opened_still(file)) as con:
            named = "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name = 'events'"
            if not con.execute(named).fetchone()[0]:
                return 0
            return int(con.execute("SELECT count(*) FROM events").fetchone()[0])
    except UNREADABLE:
        return None


def write_held(ledger: Ledger, what: str) -> list[str]:
    """Write down how far a ledger has come, if that does not stand there yet.

    Args:
        ledger: an SQLite ledger; of another database nothing is written.
        what: what was done: seal, sync, build, import or ``RESTORED``.

    Returns:
        What is to be told: that it could not be written.
    """
    url = ledger.engine.url
    file = Path(url.database) if ledger.engine.dialect.name == "sqlite" and url.database else None
    return [] if file is None else _write(file, ledger, what)


def write_held_of(
    ledger: Ledger, what: str, location: str | Path | None, workspace: Path
) -> list[str]:
    """The same for a ledger that was opened without writing, by where it is."""
    file = ledger_file(location, workspace)
    return [] if file is None else _write(file, ledger, what)


def _write(file: Path, ledger: Ledger, what: str) -> list[str]:
    head = LedgerHash()
    with ledger.reading() as con:
        for each in event_hashes(con):
            head.add(each)
        brought_in = last_import(con)
    held = held_before(file)
    last = held[-1] if held else None
    now = (head.events, head.hash, *brought_in)
    then = last and (last.events, last.hash, last.imports, last.imports_hash)
    if then == now and what != RESTORED:
        return []
    line = canonical(
        {
            "at": utc_text(dt.datetime.now(dt.UTC)),
            "what": what,
            "events": head.events,
            "hash": head.hash,
            "imports": brought_in[0],
            "imports_hash": brought_in[1],
        }
    )
    path = held_path(file)
    try:
        torn = path.exists() and path.stat().st_size and path.read_bytes()[-1:] != b"\n"
        with path.open("a", encoding="utf-8") as handle:
            handle.write(("\n" if torn else "") + line + "\n")
    except OSError as fault:
        return [f"How far the ledger has come could not be written to {path}: {fault.strerror}."]
    return []

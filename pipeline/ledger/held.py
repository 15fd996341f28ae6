"""How far a ledger had come, written down beside it: a line each time, in ``….heads.jsonl``.

An emptied ledger, or one cut short with its heads, holds together by itself. This file tells it,
unless it was taken away as well; a seal kept elsewhere tells that too.
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

from pipeline.ledger.chain import Held, LedgerHash
from pipeline.ledger.database import ledger_file
from pipeline.ledger.head import event_hashes
from pipeline.ledger.store import Ledger
from shared.canonical import canonical, utc_text

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
                Held(int(content["events"]), str(content["hash"]), str(content["at"]), path.name)
            )
        except (ValueError, KeyError, TypeError, RecursionError):
            continue  # a line that was torn by a power cut; the others stand
    return found


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
    held = held_before(file)
    last = held[-1] if held else None
    if last and (last.events, last.hash) == (head.events, head.hash) and what != RESTORED:
        return []
    line = canonical(
        {
            "at": utc_text(dt.datetime.now(dt.UTC)),
            "what": what,
            "events": head.events,
            "hash": head.hash,
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

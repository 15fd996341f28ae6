"""A seal: the heads of all findings and of the whole ledger on a day, to be kept elsewhere."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path

from pipeline.ledger.chain import Heads, Held, LedgerHash
from pipeline.ledger.head import event_hashes
from pipeline.ledger.imports import last_import
from pipeline.ledger.store import Ledger
from shared.canonical import START, utc_text
from shared.faults import CoverplateError
from shared.whole_file import appearing_whole


@dataclass(frozen=True)
class Seal:
    """A seal.

    Attributes:
        heads: last sequence and hash of every finding.
        held: the head of the whole ledger; None in seals from before that was sealed.
    """

    heads: Heads
    held: Held | None


def write_seal(ledger: Ledger, path: Path) -> Seal:
    """Seal a ledger into a file; returns the seal."""
    whole = LedgerHash()
    with ledger.reading() as con:
        heads = ledger.heads_in(con)
        for each in event_hashes(con):
            whole.add(each)
        brought_in, last = last_import(con)
    now = utc_text(dt.datetime.now(dt.UTC))
    content = {
        "sealed_at": now,
        "ledger": {
            "events": whole.events,
            "hash": whole.hash,
            "imports": brought_in,
            "imports_hash": last,
        },
        "findings": heads,
    }
    text = json.dumps(content, sort_keys=True, indent=0) + "\n"
    with appearing_whole(path, durable=True) as partial:
        partial.write_text(text, encoding="utf-8")
    held = Held(whole.events, whole.hash, now, f"seal {path.name}", brought_in, last)
    return Seal(heads, held)


def read_seal(path: Path) -> Seal:
    """Read a seal; one of before is a plain mapping of findings.

    Raises:
        CoverplateError: it is none.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        held = None
        findings = content
        if "sealed_at" in content:
            findings, whole = content["findings"], content["ledger"]
            held = Held(
                int(whole["events"]),
                str(whole["hash"]),
                str(content["sealed_at"]),
                f"seal {path.name}",
                int(whole.get("imports", 0)),
                str(whole.get("imports_hash", START)),
            )
        heads = {str(each): (int(head[0]), str(head[1])) for each, head in findings.items()}
    except (OSError, ValueError, AttributeError, LookupError, TypeError) as fault:
        raise CoverplateError(
            f"{path} is no seal: {fault}",
            expected="a file made by `coverplate ledger seal`",
            to_do="check the path",
        ) from fault
    return Seal(heads, held)

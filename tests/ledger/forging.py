"""Histories that were made up, hashed as if they had been written: for export files and databases.

Who forges knows the code: every hash, every head and every identifier is right, unless a test makes
it wrong on purpose.
"""

import copy
import datetime as dt
import json
import sqlite3

from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import open_ledger
from pipeline.ledger.chain import event_hash
from pipeline.ledger.families import FindingKey, finding_id
from shared.canonical import START, canonical, utc_text

FIRST, FIXED, LOOKED = (moment(DAY + dt.timedelta(days)) for days in (1, 11, 13))


def honest(folder):
    """A sound chain, raised, fixed and proven, as [recorded_at, payload, who] lists."""
    ledger = open_ledger(folder / "honest.sqlite")
    finding = ledger.raise_finding(raised(), at=FIRST, **WHO).finding_id
    ledger.append(finding, fix(), at=FIXED, **WHO)
    ledger.record_look(finding, look(), at=LOOKED, **WHO)
    steps = [[e.recorded_at, e.content(), e.who] for e in ledger.history(finding)]
    ledger.close()
    return copy.deepcopy(steps)


def identity(content):
    key = FindingKey(*(content.get(n, "") for n in ("building_id", "unit_id", "opening_id")),
                     content["family"])  # fmt: skip
    return finding_id(key, content.get("occurrence", 1))


def chained(steps, *, finding=None, first_position=1, text=canonical):
    """Lines of an export with every hash right."""
    finding = finding or identity(steps[0][1])
    previous, lines = START, []
    for number, (at, content, who) in enumerate(steps, 1):
        payload = content if isinstance(content, str) else text(content)
        stamp = utc_text(at)
        digest = event_hash(previous, finding, number, stamp, who, "cli", payload)
        lines.append(
            {
                "position": first_position + number - 1,
                "finding_id": finding,
                "sequence": number,
                "recorded_at": stamp,
                "kind": json.loads(payload)["kind"],
                "who": who,
                "origin": "cli",
                "payload": payload,
                "previous_hash": previous,
                "hash": digest,
            }
        )
        previous = digest
    return lines


def write_lines(path, lines, ascii_only=False):
    path.write_text("".join(json.dumps(line, ensure_ascii=ascii_only) + "\n" for line in lines))
    return path


def slipped_in(path, lines, books=()):
    """Write the lines straight into a ledger's database, findings' rows and heads with them."""
    open_ledger(path).close()
    con = sqlite3.connect(path)
    start = con.execute("SELECT coalesce(max(position), 0) FROM events").fetchone()[0]
    for number, line in enumerate(lines, 1):
        content = json.loads(line["payload"])
        if line["sequence"] == 1:
            con.execute(
                "INSERT INTO findings VALUES (?, ?, ?, ?, ?, ?, 1, '')",
                [line["finding_id"], *(content.get(n, "") for n in
                 ("building_id", "unit_id", "opening_id", "family")), content.get("occurrence", 1)],
            )  # fmt: skip
        con.execute(
            f"INSERT INTO events ({', '.join(line)}) VALUES ({', '.join('?' * len(line))})",
            [start + number, *list(line.values())[1:]],
        )
        con.execute(
            "UPDATE findings SET head_sequence = ?, head_hash = ? WHERE finding_id = ?",
            [line["sequence"], line["hash"], line["finding_id"]],
        )
    for digest, text in books:
        con.execute("INSERT INTO rule_books VALUES (?, ?, ?)", [digest, text, utc_text(FIRST)])
    con.commit()
    con.close()
    return path

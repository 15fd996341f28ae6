"""What belongs to a visit, or to one finding: files kept by what they hold, and permits.

Both are events on the finding, or on every finding of the visit. A file lies in the workspace under
the SHA-256 of its bytes, which the events name, so that one that was changed or lost is told
(``ledger verify``).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.landing.workspace import Workspace
from pipeline.ledger import events as ev
from pipeline.ledger.chain import Break
from pipeline.ledger.history import events_table, history
from pipeline.ledger.store import Draft, Ledger
from pipeline.ledger.visits import visit
from shared.faults import CoverplateError
from shared.shown import visible
from shared.whole_file import appearing_whole

PERMIT_WORDS: dict[str, str] = {
    "applied_for": "applied for",
    "issued": "issued",
    "closed": "closed by the authority",
    "refused": "refused",
}
"""How a permit stands, as people read it."""

LARGEST = 50 << 20
"""Bytes of a file at most (judgement: a photo or a scanned paper is far smaller)."""


def folder_of(workspace: Workspace) -> Path:
    """Return where kept files lie, each named by the SHA-256 of its bytes."""
    return workspace.root / "attachments"


def attach(
    ledger: Ledger,
    workspace: Workspace,
    about: str,
    files: Sequence[Path],
    *,
    who: str,
    origin: str,
    note: str | None = None,
) -> list[ev.Event]:
    """Keep files with a visit or a finding; one that is kept with it already is left as it is.

    Args:
        ledger: the ledger.
        workspace: where the files are to lie.
        about: the visit or the finding.
        files: photos, invoices, test sheets and the like.
        who: who says that they belong to it.
        origin: from where.
        note: what they are.

    Returns:
        One ``attached`` a finding and file.

    Raises:
        CoverplateError: there is no such visit or finding, or a file cannot be read, is empty or
            too large.
    """
    visit_id, findings = _about(ledger, about)
    known = set(attachments(ledger, about=about)["sha256"])
    for path in files:
        _check_size(path)
    drafts = []
    for path in files:
        try:
            with path.open("rb") as handle:
                digest = hashlib.file_digest(handle, "sha256").hexdigest()
            _copy(path, folder_of(workspace), digest)
        except OSError as fault:
            raise _unreadable(path, fault) from fault
        if digest in known:
            continue  # where it was lost, it lies there again
        known.add(digest)
        payload = ev.Attached(
            visit_id=visit_id,
            name=visible(path.name)[-200:],
            sha256=digest,
            size=path.stat().st_size,
            note=note,
        )
        drafts += [Draft(each, payload) for each in findings]
    return ledger.append_many(drafts, who=who, origin=origin)


def _copy(path: Path, folder: Path, digest: str) -> None:
    """Put a file into a folder under its hash, if it does not lie there yet.

    Raises:
        OSError: it cannot be read, or cannot be written there.
    """
    target = folder / digest
    if _is(target, digest):
        return
    folder.mkdir(parents=True, exist_ok=True)
    with appearing_whole(target, durable=True) as partial:
        shutil.copyfile(path, partial)


@dataclass(frozen=True)
class Carried:
    """Kept files brought from one folder to another.

    Attributes:
        copied: how many were copied.
        there: how many lay there already.
        missing: names of those that lie in neither, or hold something else in both.
    """

    copied: int
    there: int
    missing: tuple[str, ...]


def beside_backup(path: Path) -> Path:
    """Return where the kept files of a back-up lie: beside it, so that later ones share them."""
    return path.parent / "attachments"


def carry(ledger: Ledger, source: Path, target: Path) -> Carried:
    """Copy the files that a ledger names from one folder to another, each checked by its hash.

    Args:
        ledger: the ledger.
        source: a folder of files named by their SHA-256, as ``folder_of`` or ``beside_backup``.
        target: another one; made where a file goes there.

    Raises:
        CoverplateError: a file cannot be written there.
    """
    copied = there = 0
    missing = []
    named = attachments(ledger).drop_duplicates("sha256")
    for name, digest in zip(named["name"], named["sha256"], strict=True):
        if _is(target / digest, digest):
            there += 1
        elif _is(source / digest, digest):
            try:
                _copy(source / digest, target, digest)
            except OSError as fault:
                raise CoverplateError(
                    f"{target} cannot be written: {fault.strerror or fault}",
                    expected="a folder with room for the files kept with visits and findings",
                    to_do="make room or name another place, and do it again",
                ) from fault
            copied += 1
        else:
            missing.append(visible(str(name)))
    return Carried(copied, there, tuple(missing))


def _about(ledger: Ledger, about: str) -> tuple[str | None, list[str]]:
    """Return the visit that is meant, or None, and the findings to write on."""
    if about.startswith("F-"):
        return None, [ledger.finding(about).finding_id]
    return about, list(visit(ledger, about)["finding_ids"])


def _check_size(path: Path) -> None:
    try:
        size = path.stat().st_size
    except OSError as fault:
        raise _unreadable(path, fault) from fault
    if not 0 < size <= LARGEST:
        raise CoverplateError(
            f"{path.name} has {size:,} bytes",
            expected=f"a file that is not empty, of at most {LARGEST >> 20} MB",
            to_do="leave it out, or keep a smaller copy; nothing was written",
        )


def _unreadable(path: Path, fault: OSError) -> CoverplateError:
    return CoverplateError(
        f"{path} cannot be read: {fault.strerror or fault}",
        expected="a file that exists",
        to_do="check the path; nothing was written",
    )


def kept_bytes(workspace: Workspace, sha256: str) -> bytes:
    """Return what a kept file holds.

    Raises:
        CoverplateError: it is lost, or holds something else now.
    """
    state = _state(workspace, sha256)
    if state != "kept":
        raise CoverplateError(
            f"the file {sha256[:16]}… is {state}",
            expected=f"the bytes of that SHA-256 in {folder_of(workspace)}",
            to_do="attach the same file once more, or bring back a back-up",
        )
    return (folder_of(workspace) / sha256).read_bytes()


def file_name(name: str) -> str:
    """Return a kept file's name as one that any system takes and none reads as a path."""
    plain = re.sub(r"[^\w .,()+-]", "_", name).strip(". ")
    return plain or "file"


def note_permit(
    ledger: Ledger,
    about: str,
    *,
    number: str,
    status: str,
    on: dt.date,
    who: str,
    origin: str,
    expires_on: dt.date | None = None,
    authority: str | None = None,
    note: str | None = None,
) -> list[ev.Event]:
    """Note how a permit for the work stands, of a visit or a finding; the last word on its number
    counts: the one of the latest day, and of one day the one written last.

    Raises:
        CoverplateError: there is no such visit or finding, or it would expire before the day of
            its status.
    """
    visit_id, findings = _about(ledger, about)
    if expires_on is not None and expires_on < on:
        raise CoverplateError(
            f"permit {number}: {PERMIT_WORDS.get(status, status)} on {on}, expires on {expires_on}",
            expected="a day of expiry not before that of its status",
            to_do="check the dates",
        )
    payload = ev.parse_payload(
        {
            "kind": "permit_noted",
            "visit_id": visit_id,
            "number": number,
            "status": status,
            "on": on,
            "expires_on": expires_on,
            "authority": authority,
            "note": note,
        }
    )
    drafts = [Draft(each, payload) for each in findings]
    return ledger.append_many(drafts, who=who, origin=origin)


_OF = "$about IN (coalesce(payload ->> 'visit_id', finding_id), finding_id, '')"
"""Which events are of a visit, of a finding (also those of its visits), or, of "", of any."""

_ATTACHMENTS = f"""
SELECT
    coalesce(payload ->> 'visit_id', finding_id) AS about,
    payload ->> 'sha256' AS sha256,
    arg_min(payload ->> 'name', position) AS name,
    arg_min((payload ->> 'size')::BIGINT, position) AS size,
    arg_min(payload ->> 'note', position) AS note,
    arg_min(who, position) AS attached_by,
    min(recorded_at) AS attached_at
FROM history
WHERE kind = 'attached' AND {_OF}
GROUP BY ALL
ORDER BY attached_at, name, sha256
"""

_PERMITS = f"""
WITH said AS (
    SELECT
        coalesce(payload ->> 'visit_id', finding_id) AS about, payload ->> 'number' AS number,
        -- by the day of the status; of one day, what was written last
        arg_max(payload, ((payload ->> 'on')::DATE, position)) AS last,
        arg_max(who, ((payload ->> 'on')::DATE, position)) AS noted_by
    FROM history
    WHERE kind = 'permit_noted' AND {_OF}
    GROUP BY ALL
)
SELECT
    about, number, last ->> 'status' AS status, (last ->> 'on')::DATE AS status_on,
    (last ->> 'expires_on')::DATE AS expires_on, last ->> 'authority' AS authority,
    last ->> 'note' AS note, noted_by,
    coalesce((last ->> 'expires_on')::DATE < $today AND last ->> 'status' = 'issued', false)
        AS expired
FROM said
ORDER BY expires_on NULLS LAST, about, number
"""


def attachments(
    ledger: Ledger, workspace: Workspace | None = None, about: str = ""
) -> pd.DataFrame:
    """Return the files kept with visits and findings, in the order attached.

    Args:
        ledger: the ledger.
        workspace: where they lie; looked at only where it is given.
        about: of this visit only, or of this finding, those of its visits among them.

    Returns:
        Columns about (the visit or the finding), sha256, name, size (bytes), note, attached_by,
        attached_at (UTC), state (kept, lost, or altered: it holds something else; "" where it was
        not looked at).
    """
    with history(ledger, kinds=("attached",)) as con:
        frame = con.execute(_ATTACHMENTS, {"about": about}).df()
    frame["state"] = [
        "" if workspace is None else _state(workspace, str(each)) for each in frame["sha256"]
    ]
    return frame


def permits(ledger: Ledger, *, about: str = "", today: dt.date | None = None) -> pd.DataFrame:
    """Return how permits stand, those first that expire first.

    Args:
        ledger: the ledger.
        about: as in ``attachments``.
        today: as of which day; today (UTC) by default.

    Returns:
        Columns about, number, status (a key of ``PERMIT_WORDS``), status_on, expires_on,
        authority, note, noted_by, expired (issued, and its day is past).
    """
    day = today or dt.datetime.now(dt.UTC).date()
    with history(ledger, kinds=("permit_noted",)) as con:
        return con.execute(_PERMITS, {"about": about, "today": day}).df()


def permit_words(row: Mapping[str, Any]) -> str:
    """Return a permit, a row of ``permits``, in a few words."""
    stands = "EXPIRED" if row["expired"] else PERMIT_WORDS[row["status"]]
    until = "" if pd.isna(row["expires_on"]) else f", holds until {row['expires_on']:%Y-%m-%d}"
    return f"permit {row['number']}: {stands}{until}"


def papers_words(ledger: Ledger, about: str, today: dt.date | None = None) -> list[str]:
    """Return what belongs to a visit or finding, each in few words: permits, then files."""
    needed = permits(ledger, about=about, today=today).to_dict(orient="records")
    told = [permit_words({str(key): value for key, value in row.items()}) for row in needed]
    return told + [f"file {name}" for name in attachments(ledger, about=about)["name"]]


def attachment_breaks(ledger: Ledger, workspace: Workspace) -> list[Break]:
    """Return every event that names a file which is lost, or holds something else now."""
    states: dict[str, str] = {}
    found = []
    for row in events_table(ledger, ("attached",)).to_pylist():
        try:
            said = json.loads(row["payload"])
            name, digest = visible(str(said["name"])), str(said["sha256"])
        except (ValueError, TypeError, LookupError, RecursionError):
            continue  # an event that cannot be read is told with its chain
        if digest not in states:
            states[digest] = _state(workspace, digest)
        if states[digest] != "kept":
            what = f"its file {name!r} is {states[digest]}"
            found.append(Break(row["finding_id"], row["sequence"], what))
    return sorted(found, key=lambda each: (each.finding_id, each.sequence))


def _state(workspace: Workspace, digest: str) -> str:
    path = folder_of(workspace) / digest
    if not path.is_file():
        return "lost"
    return "kept" if _is(path, digest) else "altered"


def _is(path: Path, digest: str) -> bool:
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest() == digest
    except OSError:
        return False

"""What belongs to a visit besides its findings: files kept by what they hold, and permits.

Both are events on every finding of the visit. A file lies in the workspace under the SHA-256 of its
bytes, which the events name, so that one that was changed or lost is told (``ledger verify``).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import shutil
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from pipeline.landing.workspace import Workspace
from pipeline.ledger import events as ev
from pipeline.ledger.chain import Break
from pipeline.ledger.history import history
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


def folder_of(workspace: Workspace) -> Path:
    """Return where files of visits lie, each named by the SHA-256 of its bytes."""
    return workspace.root / "attachments"


def attach(
    ledger: Ledger,
    workspace: Workspace,
    visit_id: str,
    files: Sequence[Path],
    *,
    who: str,
    origin: str,
    note: str | None = None,
) -> list[ev.Event]:
    """Keep files with a visit; one that is kept with it already is left as it is.

    Args:
        ledger: the ledger.
        workspace: where the files are to lie.
        visit_id: the visit.
        files: photos, invoices, test sheets and the like.
        who: who says that they belong to it.
        origin: from where.
        note: what they are.

    Returns:
        One ``attached`` a finding and file.

    Raises:
        CoverplateError: there is no such visit, or a file cannot be read.
    """
    found = visit(ledger, visit_id)
    known = set(attachments(ledger, visit_id=visit_id)["sha256"])
    drafts = []
    for path in files:
        try:
            with path.open("rb") as handle:
                digest = hashlib.file_digest(handle, "sha256").hexdigest()
            target = folder_of(workspace) / digest
            if not _is(target, digest):
                target.parent.mkdir(parents=True, exist_ok=True)
                with appearing_whole(target, durable=True) as partial:
                    shutil.copyfile(path, partial)
        except OSError as fault:
            raise CoverplateError(
                f"{path} cannot be read: {fault.strerror or fault}",
                expected="a file that exists",
                to_do="check the path; nothing was written",
            ) from fault
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
        drafts += [Draft(each, payload) for each in found["finding_ids"]]
    return ledger.append_many(drafts, who=who, origin=origin)


def note_permit(
    ledger: Ledger,
    visit_id: str,
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
    """Note how a permit for the work of a visit stands; the last word on its number counts.

    Raises:
        CoverplateError: there is no such visit, or it would expire before the day of its status.
    """
    found = visit(ledger, visit_id)
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
    drafts = [Draft(each, payload) for each in found["finding_ids"]]
    return ledger.append_many(drafts, who=who, origin=origin)


_ATTACHMENTS = """
SELECT
    payload ->> 'visit_id' AS visit_id,
    payload ->> 'sha256' AS sha256,
    arg_min(payload ->> 'name', position) AS name,
    arg_min((payload ->> 'size')::BIGINT, position) AS size,
    arg_min(payload ->> 'note', position) AS note,
    arg_min(who, position) AS attached_by,
    min(recorded_at) AS attached_at
FROM history
WHERE kind = 'attached' AND coalesce(payload ->> 'visit_id' = $visit_id, true)
GROUP BY ALL
ORDER BY attached_at, name, sha256
"""

_PERMITS = """
WITH said AS (
    SELECT
        payload ->> 'visit_id' AS visit_id, payload ->> 'number' AS number,
        arg_max(payload, position) AS last, arg_max(who, position) AS noted_by
    FROM history
    WHERE kind = 'permit_noted' AND coalesce(payload ->> 'visit_id' = $visit_id, true)
    GROUP BY ALL
)
SELECT
    visit_id, number, last ->> 'status' AS status, (last ->> 'on')::DATE AS status_on,
    (last ->> 'expires_on')::DATE AS expires_on, last ->> 'authority' AS authority,
    last ->> 'note' AS note, noted_by,
    coalesce((last ->> 'expires_on')::DATE < $today AND last ->> 'status' = 'issued', false)
        AS expired
FROM said
ORDER BY expires_on NULLS LAST, visit_id, number
"""


def attachments(
    ledger: Ledger, workspace: Workspace | None = None, visit_id: str | None = None
) -> pd.DataFrame:
    """Return the files kept with visits, in the order attached.

    Args:
        ledger: the ledger.
        workspace: where they lie; looked at only where it is given.
        visit_id: of this visit only.

    Returns:
        Columns visit_id, sha256, name, size (bytes), note, attached_by, attached_at (UTC), state
        (kept, lost, or altered: it holds something else; "" where it was not looked at).
    """
    with history(ledger, kinds=("attached",)) as con:
        frame = con.execute(_ATTACHMENTS, {"visit_id": visit_id}).df()
    frame["state"] = [
        "" if workspace is None else _state(workspace, str(each)) for each in frame["sha256"]
    ]
    return frame


def permits(
    ledger: Ledger, *, visit_id: str | None = None, today: dt.date | None = None
) -> pd.DataFrame:
    """Return how permits stand, those first that expire first.

    Args:
        ledger: the ledger.
        visit_id: of this visit only.
        today: as of which day; today (UTC) by default.

    Returns:
        Columns visit_id, number, status (a key of ``PERMIT_WORDS``), status_on, expires_on,
        authority, note, noted_by, expired (issued, and its day is past).
    """
    day = today or dt.datetime.now(dt.UTC).date()
    with history(ledger, kinds=("permit_noted",)) as con:
        return con.execute(_PERMITS, {"visit_id": visit_id, "today": day}).df()


def papers_words(ledger: Ledger, visit_id: str, today: dt.date | None = None) -> list[str]:
    """Return what belongs to a visit, each in a few words: its permits, then its files."""
    told = []
    for row in permits(ledger, visit_id=visit_id, today=today).to_dict(orient="records"):
        stands = "EXPIRED" if row["expired"] else PERMIT_WORDS[row["status"]]
        until = "" if pd.isna(row["expires_on"]) else f", holds until {row['expires_on']:%Y-%m-%d}"
        told.append(f"permit {row['number']}: {stands}{until}")
    return told + [f"file {name}" for name in attachments(ledger, visit_id=visit_id)["name"]]


def attachment_breaks(ledger: Ledger, workspace: Workspace) -> list[Break]:
    """Return every event that names a file which is lost, or holds something else now."""
    with history(ledger, kinds=("attached",)) as con:
        named = con.execute(
            "SELECT finding_id, sequence, payload ->> 'name', payload ->> 'sha256' FROM history "
            "WHERE kind = 'attached' ORDER BY finding_id, sequence"
        ).fetchall()
    states = {digest: _state(workspace, digest) for digest in {row[3] for row in named}}
    return [
        Break(finding, int(sequence), f"its file {visible(name)!r} is {states[digest]}")
        for finding, sequence, name, digest in named
        if states[digest] != "kept"
    ]


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

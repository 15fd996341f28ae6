"""What a person should know of files as they land, beside what their rows say: that a file is older
than what is known, that it names buildings no register has, that a register retires buildings."""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from pipeline.landing import as_of
from pipeline.landing.current import create_views, valid_rows_of
from pipeline.landing.outcomes import Landing
from pipeline.landing.report import Finding, IntakeReport
from pipeline.landing.workspace import PARTS_PER_FILE, Manifest, Workspace
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind

TOLD = 12
"""Buildings named in one message."""


def told_beside(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    earlier: Sequence[Manifest],
    landings: Sequence[Landing],
) -> list[Landing]:
    """Return files with what concerns each as a whole among their findings.

    Args:
        con: any connection.
        workspace: where the earlier files are.
        earlier: their manifests, in landing order.
        landings: the new files, in landing order.
    """
    unknown = _in_no_register(con, workspace, earlier, landings)
    newest = max(as_of.days(earlier), default=as_of.EARLIEST)
    told = []
    for landing in landings:
        manifest = landing.manifest
        more: list[Finding] = []
        day = manifest.as_of
        if day is not None and day < newest:
            more.append(
                Finding(
                    kind="older_than_landed",
                    message=f"its facts are as of {day}, those of a file that landed before as of "
                    f"{newest}: where they differ the newer stand; say --as-of DAY if it is newer",
                )
            )
        elif day is None and (changed := _changed(con, workspace, earlier, landings, landing)):
            more.append(
                Finding(
                    kind="as_of_unknown",
                    message="nothing tells what day its facts are as of, so that they stand over "
                    "those of registers that landed before, and differ from them for these "
                    "buildings: say --as-of DAY if they are older: " + _listed(changed),
                    count=len(changed),
                )
            )
        newest = max(newest, day or newest)
        names = unknown.get(manifest.sequence, [])
        if names:
            more.append(
                Finding(
                    kind="buildings_in_no_register",
                    message="buildings that no register names: " + _listed(names),
                    count=len(names),
                )
            )
        found = manifest.model_copy(update={"findings": (*manifest.findings, *more)})
        told.append(Landing(found, landing.folder))
    return told


def _changed(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    earlier: Sequence[Manifest],
    landings: Sequence[Landing],
    landing: Landing,
) -> list[str]:
    """Buildings of which a register says something else than registers that landed before it."""
    kind = RecordKind.BUILDING_REGISTER
    before = [(workspace.folder(m.sha256), part) for m in earlier for part in m.parts]
    before += [
        (other.folder, part)
        for other in landings
        if other.manifest.sequence < landing.manifest.sequence
        for part in other.manifest.parts
    ]
    old = [(folder, part) for folder, part in before if part.record_kind is kind]
    own = [(landing.folder, p) for p in landing.manifest.parts if p.record_kind is kind]
    if not old or not own:
        return []
    differ = " OR ".join(
        f'coalesce(n."{name}" <> o."{name}", false)' for name in LAYOUTS[kind].columns
    )
    rows = con.execute(
        f"SELECT DISTINCT n.building_id FROM ({valid_rows_of(own, kind)}) AS n "
        f"JOIN ({valid_rows_of(old, kind)}) AS o USING (building_id) WHERE {differ} ORDER BY 1"
    ).fetchall()
    return [name for (name,) in rows]


def _in_no_register(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    earlier: Sequence[Manifest],
    landings: Sequence[Landing],
) -> dict[int, list[str]]:
    """Buildings of each file that no register has named up to it; none where there is no register
    yet."""
    kind = RecordKind.BUILDING_REGISTER
    own = [(landing.folder, part) for landing in landings for part in landing.manifest.parts]
    landed = [(workspace.folder(m.sha256), part) for m in earlier for part in m.parts]
    registers = [(f, part) for f, part in [*landed, *own] if part.record_kind is kind]
    others = [(f, part) for f, part in own if part.record_kind is not kind]
    if not registers or not others:
        return {}
    found: dict[int, list[str]] = {}
    first = min(part.part for _, part in registers) // PARTS_PER_FILE
    known = (
        f"SELECT building_id, min(_part // {PARTS_PER_FILE}) AS file "
        f"FROM ({valid_rows_of(registers, kind)}) GROUP BY building_id"
    )
    for other in {part.record_kind for _, part in others}:
        rows = valid_rows_of([(f, p) for f, p in others if p.record_kind is other], other)
        for part, names in con.execute(
            "SELECT r._part, list(DISTINCT r.building_id ORDER BY r.building_id) "
            f"FROM ({rows}) AS r LEFT JOIN ({known}) AS k USING (building_id) "
            f"WHERE r._part // {PARTS_PER_FILE} >= {first} AND r.building_id IS NOT NULL "
            f"AND (k.file IS NULL OR k.file > r._part // {PARTS_PER_FILE}) "
            "GROUP BY r._part ORDER BY r._part"
        ).fetchall():
            sequence = next(
                landing.manifest.sequence
                for landing in landings
                if any(p.part == part for p in landing.manifest.parts)
            )
            found[sequence] = sorted({*found.get(sequence, []), *names})
    return found


def retired_told(
    con: duckdb.DuckDBPyConnection, workspace: Workspace, reports: Sequence[IntakeReport]
) -> list[IntakeReport]:
    """Return the reports of full registers with the buildings that they retire.

    Args:
        con: any connection.
        workspace: where they have landed.
        reports: of the call.
    """
    create_views(con, workspace)
    gone = con.execute(
        "SELECT full_register, building_id FROM landed_retired ORDER BY ALL"
    ).fetchall()
    told = []
    for report in reports:
        more: list[Finding] = []
        if report.record_kind is RecordKind.BUILDING_REGISTER:
            names = [name for path, name in gone if path == report.path]
            if report.quarantined:
                more.append(
                    Finding(
                        kind="retires_nothing",
                        message="this full register retires no building as long as rows of it are "
                        "set aside, because these may name any",
                    )
                )
            if names:
                more.append(
                    Finding(
                        kind="buildings_retired",
                        message="buildings that this full register no longer names, and that leave "
                        "every list with the next build unless a danger was reported there (see "
                        "`coverplate retired`): " + _listed(names),
                        count=len(names),
                    )
                )
        told.append(report.model_copy(update={"findings": (*report.findings, *more)}))
    return told


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:TOLD]) + (f" and {len(names) - TOLD} more" if len(names) > TOLD else "")

"""One correction for all rows alike: the same word of the same column of one table, set aside for
the same reason.

What a person says once is written as a file of corrected rows and taken in like one that came back
from a spreadsheet program: it lands, is kept, and every row counts once.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.landing.conform import WHOLE_ROW
from pipeline.landing.current import parts_of
from pipeline.landing.matching import find_column
from pipeline.landing.quarantine import quarantine_sql, rows_to_correct, source_text
from pipeline.landing.report import IntakeReport
from pipeline.landing.row_kinds import normalised
from pipeline.landing.taking_in import intake
from pipeline.landing.workspace import Manifest, Part, Workspace
from pipeline.offline import connect
from shared.faults import CoverplateError
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind


@dataclass(frozen=True)
class AlikeRows:
    """Rows that one correction mends.

    Attributes:
        key: short identifier, the same as long as the rows' source and reason are.
        path, sheet: the table that they stand in.
        record_kind: what they were to be.
        column: canonical column that could not be read.
        header: the source's column that it is read from; "" where it is made of several or of none,
            so that the rows must be corrected one by one.
        found: the text that could not be read.
        expected: what would have been.
        choices: the words that it may be, where it has a vocabulary.
        rows: how many there are.
        set_aside: how many of these do not stand (the others stand without the cell).
    """

    key: str
    path: str
    sheet: str
    record_kind: RecordKind
    column: str
    header: str
    found: str
    expected: str
    choices: tuple[str, ...]
    rows: int
    set_aside: int


def alike_rows(workspace: Workspace) -> list[AlikeRows]:
    """Return the open rows of the quarantine by table, column and text, the most frequent first."""
    manifests = workspace.manifests()
    con = connect()
    counted = con.execute(
        f"""
        SELECT root_sha256, root_sheet, record_kind, r.reason."column", r.reason.found,
            any_value(r.reason.expected), count(*), count(*) FILTER (level = 'row'),
            min(_part) AS first
        FROM (
            SELECT *, unnest(reasons) AS reason FROM ({quarantine_sql(workspace, manifests)})
            WHERE NOT resolved
        ) AS r
        WHERE r.reason."column" <> ?
        GROUP BY ALL ORDER BY 7 DESC, first, 4, 5
        """,
        [WHOLE_ROW],
    ).fetchall()
    con.close()
    origins = _origins(manifests)
    found = []
    for sha, sheet, kind, column, text, expected, rows, aside, _ in counted:
        origin = origins.get((sha, sheet, kind))
        if origin is None:
            continue
        manifest, part = origin
        found.append(
            AlikeRows(
                _key(sha, sheet, kind, column, text),
                manifest.path,
                sheet,
                RecordKind(kind),
                column,
                _header(part, column),
                text,
                expected,
                LAYOUTS[RecordKind(kind)].field(column).choices,
                rows,
                aside,
            )
        )
    return found


def correct_alike(
    workspace: Workspace,
    key: str,
    value: str,
    progress: Callable[[str, float], None] | None = None,
) -> list[IntakeReport]:
    """Give all rows alike one value and take them in.

    Args:
        workspace: an existing workspace.
        key: of ``AlikeRows``.
        value: what the source's cell should have held; "" for nothing.
        progress: as in ``intake``.

    Returns:
        The reports of the corrected rows; what is wrong with them beside it sets them aside again.

    Raises:
        CoverplateError: there are no such rows, they must be corrected one by one, or the value
            cannot be read either.
    """
    group = next((each for each in alike_rows(workspace) if each.key == key), None)
    if group is None:
        raise CoverplateError(
            f"no open rows are called {key!r}",
            expected="an identifier of `coverplate quarantine alike`",
            to_do="list them; rows that were corrected meanwhile are in it no longer",
        )
    if not group.header:
        raise CoverplateError(
            f"{group.column} is not read from one column of {Path(group.path).name}",
            expected="a column that one cell of the source gives",
            to_do="correct these rows one by one: `coverplate quarantine export FILE.csv`",
        )
    if value == group.found:
        raise CoverplateError(
            f"{value!r} is what stands there and cannot be read",
            expected=group.expected,
            to_do="give another value",
        )
    # an intake empties the workspace's own scratch folder
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{_stem(group)}.csv"
        _write(workspace, group, value, path)
        return intake(workspace, [path], progress=progress)


def _write(workspace: Workspace, group: AlikeRows, value: str, path: Path) -> None:
    manifests = workspace.manifests()
    con = connect()
    rows = con.execute(
        f"SELECT root_sha256, root_sheet, root_row, record_kind, arg_max(cells, _part), "
        f"arg_max(reasons, _part) FROM ({quarantine_sql(workspace, manifests)}) "
        "WHERE NOT resolved GROUP BY ALL ORDER BY root_row"
    ).fetchall()
    con.close()
    names = {manifest.sha256: manifest.name for manifest in manifests}
    origins = _origins(manifests)
    header: tuple[str, ...] = ()
    mended = []
    for sha, sheet, number, kind, cells, reasons in rows:
        said = {
            reason["column"]: reason["found"]
            for reason in reasons
            if _key(sha, sheet, kind, reason["column"], reason["found"]) == group.key
        }
        if said:
            header = origins[sha, sheet, kind][1].header
            own = {**json.loads(cells), group.header: value}
            mended.append((sha, sheet, number, own))
    extras = sorted({name for *_, own in mended for name in own if name not in header})
    why = f"{group.column}: {group.found!r} corrected to {value!r} in all rows alike"
    with rows_to_correct(path, (*header, *extras)) as write:
        for sha, sheet, number, own in mended:
            cells_ = [own.get(name) or "" for name in (*header, *extras)]
            write(source_text(names[sha], sha, sheet), number, why, cells_)


def _origins(manifests: list[Manifest]) -> dict[tuple[str, str, str], tuple[Manifest, Part]]:
    """The part that rows of a table were first read as, by file, sheet and record kind."""
    return {
        (manifest.sha256, part.sheet, part.record_kind.value): (manifest, part)
        for manifest, part in parts_of(manifests)
        if part.corrects is None
    }


def _header(part: Part, column: str) -> str:
    """The one column of the source that a canonical one is read from; "" where there is none."""
    record = next(r for r in part.reading.records if r.kind is part.record_kind)
    spec = record.columns.get(column)
    if spec is None or spec.join or spec.count_columns is not None or spec.constant is not None:
        return ""
    names = spec.from_ or tuple({name for rule in spec.text_rules for name in rule.column})
    match = find_column(names, part.header) if len(names) == 1 or spec.from_ else None
    return part.header[match[0]] if match else ""


def _key(sha256: str, sheet: str, kind: str, column: str, found: str) -> str:
    text = json.dumps([sha256, sheet, kind, column, found], ensure_ascii=False)
    return "Q-" + hashlib.sha256(text.encode()).hexdigest()[:10]


def _stem(group: AlikeRows) -> str:
    source = normalised(Path(group.path.rsplit("!/", 1)[-1]).stem) or "rows"
    return f"corrected_{source}_{group.column}_{group.key[2:]}"

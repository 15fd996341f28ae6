"""Finds one building under two spellings: ``0042``, ``42`` and ``42.0``, ``B-7`` and ``b-07``.

Leading zeros count, so nothing is put together unasked; but two identifiers that differ in zeros,
case or a decimal tail only are far more often one building than two, and as two each would have
half of the evidence. A person says which, and the answer is kept in the mapping.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import duckdb

from pipeline.landing.current import empty_select
from pipeline.landing.open_question import OpenQuestionError, Question
from pipeline.landing.workspace import Manifest, Part, Workspace
from shared.records import literal

FILE = "buildings.parquet"
"""In the folder of a landed file: the identifiers of its buildings."""

MOST = 20


def same_when(identifier: str) -> str:
    """Return SQL of the form in which two spellings of an identifier are the same."""
    tailless = f"regexp_replace(lower({identifier}), '\\.0+$', '')"
    return f"regexp_replace({tailless}, '(^|[^0-9])0+([0-9])', '\\1\\2', 'g')"


def write_buildings(con: duckdb.DuckDBPyConnection, folder: Path, parts: Sequence[Part]) -> None:
    """Write the identifiers of the buildings that valid rows of a file name."""
    selects = [
        f"SELECT building_id FROM read_parquet({literal(str(folder / part.file))}) "
        "WHERE _reasons IS NULL"
        for part in parts
    ]
    union = " UNION ALL ".join(selects) or empty_select({"building_id": "VARCHAR"})
    con.execute(
        f"COPY (SELECT DISTINCT building_id FROM ({union}) ORDER BY 1) "
        f"TO {literal(str(folder / FILE))} (FORMAT parquet)"
    )


def ask_about_spellings(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    earlier: Sequence[Manifest],
    folder: Path,
    parts: Sequence[Part],
) -> None:
    """Stop where a building of a new file is spelt like another one, of the file or landed before.

    Args:
        con: any connection.
        workspace: where the earlier files are.
        earlier: their manifests.
        folder: of the new file, its buildings written.
        parts: of the new file; their mappings may say that a spelling is another building.

    Raises:
        OpenQuestionError: so it is.
    """
    new = f"read_parquet({literal(str(folder / FILE))})"
    files = [workspace.folder(manifest.sha256) / FILE for manifest in earlier]
    listed = ", ".join(literal(str(file)) for file in files if file.is_file())
    known = f"SELECT building_id FROM {new}"
    if listed:
        known += f" UNION SELECT building_id FROM read_parquet([{listed}])"
    apart = {name for part in parts for name in part.reading.distinct}
    form = same_when("building_id")
    rows = con.execute(
        f"WITH known AS (SELECT DISTINCT building_id, {form} AS form FROM ({known})), "
        f"new AS (SELECT building_id, {form} AS form FROM {new}) "
        "SELECT n.building_id, min(k.building_id) FROM new AS n JOIN known AS k USING (form) "
        "WHERE k.building_id <> n.building_id GROUP BY 1 ORDER BY 1"
    ).fetchall()
    pairs = [(a, b) for a, b in rows if a not in apart and b not in apart]
    if not pairs:
        return
    told = ", ".join(f"{a!r} and {b!r}" for a, b in pairs[:MOST])
    found = f"buildings that may be one under two spellings: {told}"
    found += " …" if len(pairs) > MOST else ""
    first, second = pairs[0]
    answers = (f"building_id:{first}={second}", f"different={first}")
    raise OpenQuestionError(
        found,
        expected="one spelling for each building",
        to_do=f"say that they are one with --set {answers[0]}, or two with --set {answers[1]} "
        "(once for each pair); the answer is kept",
        questions=[Question("spellings", "building_id", found, answers)],
    )

"""Findings about facts, as rows: what a person should look at although no row was stopped."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.landing import register
from pipeline.landing.current import empty_select, parts_of
from pipeline.landing.workspace import Manifest, Workspace
from shared.records import literal

DATA_QUALITY_COLUMNS: dict[str, str] = {
    "kind": "VARCHAR",
    "building_id": "VARCHAR",
    "opening_id": "VARCHAR",
    "column": "VARCHAR",
    "values": "VARCHAR[]",
    "sources": "VARCHAR[]",
    "precedence": "VARCHAR",
    "message": "VARCHAR",
    "_part": "INTEGER",
    "_row": "BIGINT",
}
"""Columns of the view ``data_quality``. ``values`` and ``sources`` go together, the used one
first."""


def data_quality_sql(workspace: Workspace, manifests: Iterable[Manifest]) -> str:
    """Return a SELECT of all findings about facts, in ``DATA_QUALITY_COLUMNS``."""
    files = [
        workspace.folder(manifest.sha256) / f"{part.part}.findings.parquet"
        for manifest, part in parts_of(manifests)
    ]
    present = [literal(str(file)) for file in files if file.is_file()]
    names = ", ".join(f'"{name}"' for name in DATA_QUALITY_COLUMNS)
    stored = (
        f"SELECT {names} FROM read_parquet([{', '.join(present)}])"
        if present
        else empty_select(DATA_QUALITY_COLUMNS)
    )
    return (
        f"SELECT {names} FROM ({register.disagreements_sql()}) UNION ALL "
        f"SELECT {names} FROM ({register.named_twice_sql()}) UNION ALL {stored}"
    )

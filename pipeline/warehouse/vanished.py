"""What was urgent in the build before and is not any more, though nothing answered it.

An opening leaves the urgent list by a look, a proven repair or a corrected row, each with a line of
its own (``cleared_openings``). Where it leaves because its rows are read another way, its export
was withdrawn or the rules changed, the build says so and the logbook keeps it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipeline.landing import Workspace, logbook
from pipeline.warehouse import queries, store

OTHERWISE = "read_otherwise"
"""``cleared_by`` of such a line."""

_NAMED = 5
"""So many openings are named when it happens, the rest counted."""

_VANISHED = """
SELECT o.building_id, o.unit_id, o.opening_id, o.ground, o.defect, o.says, o.standing,
    o.observed_on, o.inspector, o.method, o.file, o.sheet, o."row",
    CASE
        WHEN o.file IS NULL THEN 'it was set aside in the ledger'
        WHEN NOT EXISTS (SELECT 1 FROM now.files AS f WHERE f.path = o.file)
            THEN 'its export was withdrawn'
        WHEN (SELECT rule_book_hash FROM before.build_facts)
            <> (SELECT rule_book_hash FROM now.build_facts)
            THEN 'the rules were changed'
        ELSE 'its row was set aside or is read another way'
    END AS how
FROM before.live_metal_looks AS o
WHERE o.cleared_by IS NULL
    AND NOT EXISTS (
        SELECT 1 FROM now.live_metal_looks AS n
        WHERE n.building_id = o.building_id AND n.unit_id = o.unit_id
            AND n.opening_id = o.opening_id
            AND (n.cleared_by IS NULL
                OR (n.ground = o.ground AND n.observed_on = o.observed_on)))
ORDER BY ALL
"""


def vanished(workspace: Workspace, built: Path) -> list[dict[str, Any]]:
    """Find what was urgent in the current warehouse and is not in a new one, unanswered.

    Args:
        workspace: the workspace.
        built: the new warehouse, finished, before it takes over.

    Returns:
        One entry a thing that was said: building_id, unit_id, opening_id, ground, defect, says,
        standing, observed_on, inspector, method, file, sheet, row, how (why it is gone); for the
        logbook.
    """
    rows: list[dict[str, Any]] = []
    with store.beside_current(workspace, built) as con:
        if con is not None:
            found = con.execute(_VANISHED)
            names = [column[0] for column in found.description]
            rows = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
    return [{**row, "observed_on": row["observed_on"].isoformat()} for row in rows]


def told(rows: list[dict[str, Any]]) -> tuple[str, ...]:
    """What a build says of them; nothing where there are none."""
    if not rows:
        return ()
    openings = {
        (row["building_id"], row["unit_id"], row["opening_id"]): f"{row['says']}; {row['how']}"
        for row in rows
    }
    named = [
        f"{' / '.join(filter(None, place))} ({said})"
        for place, said in list(openings.items())[:_NAMED]
    ]
    more = f" and {len(openings) - _NAMED:,} more" if len(openings) > _NAMED else ""
    return (
        f"URGENT no more, although no look, repair or correction answers it: {', '.join(named)}"
        f"{more}. See `coverplate urgent --cleared`.",
    )


def once_urgent(con: duckdb.DuckDBPyConnection, workspace: Workspace) -> pd.DataFrame:
    """What was urgent at openings and papers that are so no longer: ``queries.cleared_urgent``,
    and what vanished without an answer and is not urgent again.

    Args:
        con: the current warehouse.
        workspace: its workspace.

    Returns:
        Columns of ``queries.cleared_urgent``; cleared_by ``read_otherwise`` for what vanished,
        cleared_how then says why.
    """
    cleared = queries.cleared_urgent(con)
    gone = [row for line in logbook.built_lines(workspace) for row in line.get("vanished") or ()]
    if not gone:
        return cleared
    urgent = con.execute(
        "SELECT b.building_id, u.unit_id, u.opening_id FROM urgent_openings AS u "
        "JOIN buildings AS b USING (building_no)"
    ).fetchall()
    frame = pd.DataFrame(gone).drop_duplicates()
    places = list(zip(frame["building_id"], frame["unit_id"], frame["opening_id"], strict=True))
    answered = {*urgent, *cleared[["building_id", "unit_id", "opening_id"]].itertuples(index=False)}
    frame = frame[[place not in answered for place in places]]
    frame = frame.assign(
        observed_on=pd.to_datetime(frame["observed_on"]).astype(cleared["observed_on"].dtype),
        cleared_by=OTHERWISE,
        cleared_how=[f"no look answers it: {how}" for how in frame["how"]],
    )
    return pd.concat([frame.reindex(columns=cleared.columns), cleared], ignore_index=True)

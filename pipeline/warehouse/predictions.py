"""What earlier builds said of openings, and what capable looks that came later found.

Before a build takes over, the openings that a look of a file new to it settles are written down
with what the warehouse before had said of them. Each build adds one file, written once; none is
made again. The warehouse does not depend on them.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import pandas as pd

from pipeline.landing import Workspace
from pipeline.offline import connect
from pipeline.warehouse import store
from shared.records import literal
from shared.whole_file import appearing_whole

SAID_FROM = [0.0, 0.05, 0.2, 0.4, 0.6, 0.8]
"""Where the shares begin by which what was said is set beside what was found."""

WITHOUT_OWN_LOOKS, EARLIER_BUILDS = "without_own_looks", "earlier_builds"
"""What was said: by this build, an opening's own looks left out; by the build before its look."""

_SETTLED = """
WITH fresh AS (
    SELECT DISTINCT o.building_no, o.unit_id, o.opening_id
    FROM now.observations AS o
    JOIN now.files AS f ON f._part = o._part
    WHERE f.sha256 NOT IN (SELECT sha256 FROM before.files)
),
settled AS (
    SELECT b.building_id, p.unit_id, p.opening_id, p.last_observed_on, g.p_dangerous AS found
    FROM now.opening_facts AS p
    JOIN fresh USING (building_no, unit_id, opening_id)
    JOIN now.opening_groups AS g USING (building_no, row_no)
    JOIN now.buildings AS b USING (building_no)
    -- What a repair left is no answer to what was said before it.
    WHERE g.sees_false_ground AND p.fixed_on IS NULL AND p.reported_fixed_on IS NULL
),
told AS (
    SELECT b.building_id, p.unit_id, p.opening_id, g.p_dangerous AS said, g.sees_false_ground
    FROM before.opening_facts AS p
    JOIN before.opening_groups AS g USING (building_no, row_no)
    JOIN before.buildings AS b USING (building_no)
),
told_of_others AS (
    SELECT b.building_id, g.p_dangerous AS said
    FROM before.opening_groups AS g
    JOIN before.buildings AS b USING (building_no)
    WHERE NOT g.recorded
)
SELECT s.building_id, s.unit_id, s.opening_id, s.last_observed_on,
    t.building_id IS NOT NULL AS recorded, coalesce(t.said, o.said) AS said, s.found
FROM settled AS s
LEFT JOIN told AS t USING (building_id, unit_id, opening_id)
LEFT JOIN told_of_others AS o USING (building_id)
WHERE NOT coalesce(t.sees_false_ground, false) AND coalesce(t.said, o.said) IS NOT NULL
ORDER BY ALL
"""

_BY_SHARE = """
WITH bounds AS (
    SELECT unnest($said_from) AS said_from,
        unnest(list_append($said_from[2:], 1.0)) AS said_to
),
once AS (
    SELECT * FROM read_parquet($files, filename = true)
    QUALIFY row_number() OVER (
        PARTITION BY building_id, unit_id, opening_id ORDER BY filename) = 1
)
SELECT b.said_from, b.said_to, count(*) AS openings, avg(o.said) AS said, avg(o.found) AS found
FROM bounds AS b
JOIN once AS o ON o.said >= b.said_from AND (o.said < b.said_to OR b.said_to = 1)
GROUP BY ALL
ORDER BY ALL
"""


def keep(workspace: Workspace, built: Path) -> None:
    """Write down what the current warehouse said of openings that a new one has settled.

    Nothing is written where there is no current warehouse that can be read, or nothing is settled.

    Args:
        workspace: the workspace.
        built: the new warehouse, finished, before it takes over.
    """
    with store.beside_current(workspace, built) as con:
        settled = None if con is None else con.sql(_SETTLED).to_arrow_table()
        if con is None or settled is None or not settled.num_rows:
            return
        con.register("settled", settled)
        workspace.predictions.mkdir(exist_ok=True)
        order = 1 + max((_number(file) for file in _files(workspace)), default=0)
        name = f"{order:06d}-{store.current_version(workspace)}.parquet"
        with appearing_whole(workspace.predictions / name) as partial:
            con.execute(f"COPY settled TO {literal(str(partial))} (FORMAT parquet)")


def said_and_found(con: duckdb.DuckDBPyConnection, workspace: Workspace) -> pd.DataFrame:
    """What was said of openings before a capable look, and what that look found.

    Of ``earlier_builds`` every opening counts once, by the first look that settled it: with its own
    chance of danger where it stood in the build before, else with that of openings of its building
    that nobody had recorded. Openings with a repair, and buildings that no build had seen, are left
    out.

    Args:
        con: the current warehouse.
        workspace: its workspace.

    Returns:
        Columns basis (``without_own_looks``, ``earlier_builds``), said_from, said_to, openings,
        said (mean chance of danger that was told), found (mean chance of danger with the capable
        looks), by basis and said_from; no row where there is nothing to compare.
    """
    now = con.execute("SELECT * FROM said_and_found ORDER BY said_from").fetchdf()
    told = [now.assign(basis=WITHOUT_OWN_LOOKS)]
    own = connect()
    try:
        files = [str(file) for file in _files(workspace) if _readable(own, file)]
        if files:
            values = {"files": files, "said_from": SAID_FROM}
            told.append(own.execute(_BY_SHARE, values).fetchdf().assign(basis=EARLIER_BUILDS))
    finally:
        own.close()
    frame = pd.concat(told, ignore_index=True)
    return frame[["basis", *(name for name in frame.columns if name != "basis")]]


def _readable(con: duckdb.DuckDBPyConnection, file: Path) -> bool:
    try:
        con.execute("SELECT said, found FROM read_parquet(?)", [str(file)]).fetchall()
    except duckdb.Error:
        return False
    return True


def _files(workspace: Workspace) -> list[Path]:
    return sorted(workspace.predictions.glob("??????-*.parquet"))


def _number(file: Path) -> int:
    head = file.name.partition("-")[0]
    return int(head) if head.isdigit() else 0

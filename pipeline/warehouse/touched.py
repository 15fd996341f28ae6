"""Which buildings changed since the last warehouse, and what stays of the others.

Given rule book and learned record, what becomes of a building depends on its own evidence alone.
Where the current warehouse was built under the same record, two things are taken over, each by a
hash of what it is made from:

* a building's looks as gathered into openings, where looks, classes of readers and proven repairs
  are the same (table building_looks);
* its results, where its whole evidence is the same (table building_weighed): its rows of
  opening_groups, what they add up to, and its draws, which lie beside the warehouse in a file of
  their own.

Everything else is made anew from all buildings in either case.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.evidence.assemble import Assembled
from pipeline.landing import Workspace
from pipeline.warehouse import store
from pipeline.warehouse.frames import store_frame
from pipeline.warehouse.openings import STAGED, BuildingResults
from shared.faults import CoverplateError

Ints = npt.NDArray[np.int64]
Texts = npt.NDArray[np.object_]

_BUILDINGS_AT_ONCE = 5_000
_ROWS_AT_ONCE = 200_000

_LOOKS = """
CREATE TABLE building_looks AS
WITH signed AS (
    SELECT signature_no, md5(concat_ws('|', codes::VARCHAR, slots::VARCHAR, selection, location,
        coalesce(gfci, '-'), coalesce(leaves_condition, '-'), coalesce(leaves_slots, '-'),
        coalesce(leaves_protected::VARCHAR, '-'), slots IS NULL)) AS signature
    FROM signatures
),
listed AS (
    -- Rows are distinct, and their order follows from what is in them.
    SELECT building_no, count(*) AS rows, bit_xor(md5_number(concat(
        length(dwelling), ':', dwelling, length(circuit), ':', circuit, openings, ':', signature
    ))) AS openings
    FROM opening_rows
    JOIN signed USING (signature_no)
    ANTI JOIN gathered_before USING (building_no)
    GROUP BY building_no
)
SELECT n.building_no, n.content, coalesce(k.rows, l.rows, 0) AS rows,
    coalesce(k.openings, l.openings::VARCHAR, '0') AS openings
FROM looks_now AS n
LEFT JOIN gathered_before AS k USING (building_no)
LEFT JOIN listed AS l USING (building_no)
ORDER BY n.building_no
"""

_CONTENTS = """
SELECT md5(concat_ws('|', length(b.building_id), b.building_id, l.rows, l.openings,
    z.openings_unseen, z.dwellings, z.exposed_per_dwelling,
    u.building_no IS NOT NULL, f.facts::VARCHAR)) AS content
FROM buildings AS b
JOIN building_sizes AS z USING (building_no)
JOIN facts_frame AS f USING (building_no)
JOIN building_looks AS l USING (building_no)
LEFT JOIN (SELECT DISTINCT building_no FROM urgent_openings) AS u USING (building_no)
ORDER BY b.building_no
"""


def contents(con: duckdb.DuckDBPyConnection, assembled: Assembled) -> Texts:
    """Hash of everything that each building's results depend on, beside record and rules.

    Writes table building_looks: the hash of the looks that each building's openings are gathered
    from (04_changed.sql), the number of its rows of like openings and their hash.

    Args:
        con: the warehouse under construction, openings gathered.
        assembled: the portfolio, with crew shifts.

    Returns:
        Shape (B,), text.
    """
    portfolio = assembled.portfolio
    facts = np.column_stack(
        [portfolio.group_weights, portfolio.shift, portfolio.poor, assembled.size_spread]
    )
    columns = {f"f{place}": facts[:, place] for place in range(facts.shape[1])}
    frame = pd.DataFrame({"building_no": np.arange(len(portfolio), dtype=np.int32), **columns})
    con.register("facts_plain", frame)
    listed = ", ".join(columns)
    con.execute(
        "CREATE OR REPLACE TEMP TABLE facts_frame AS "
        f"SELECT building_no, [{listed}] AS facts FROM facts_plain"
    )
    con.unregister("facts_plain")
    con.execute(_LOOKS)
    found: Texts = np.array(con.execute(_CONTENTS).fetchnumpy()["content"], dtype=np.object_)
    con.execute("DROP TABLE facts_frame")
    return found


_SUMS = (
    "dangerous",
    "dangerous_low",
    "dangerous_high",
    "p_any",
    "p_live",
    "harm",
    "placed_harm",
    "harm_low",
    "harm_high",
    "harm_middle",
    "harm_tail",
    "slots_harm",
    "prior_harm",
    "effective",
    "harm_error",
)
"""Fields of ``BuildingResults`` that are one number a building."""


def write_weighed(
    con: duckdb.DuckDBPyConnection, found: BuildingResults, content: Texts, draws: Path | None
) -> None:
    """Write table building_weighed (content and what the openings add up to) and the draws.

    Args:
        con: the warehouse under construction.
        found: what each building comes to.
        content: from ``contents``.
        draws: file for the draws; None where nothing will be taken over from this warehouse.
    """
    frame = pd.DataFrame(
        {
            "building_no": np.arange(len(content), dtype=np.int32),
            "content": content,
            **{name: getattr(found, name) for name in _SUMS},
            **{f"rate_{index}": found.rates[:, index] for index in range(found.rates.shape[1])},
        }
    )
    store_frame(con, "building_weighed", frame, "building_no")
    drawn = found.dangerous_draws
    con.execute(
        "CREATE TABLE kept_draws AS SELECT ?::INTEGER AS draws, ?::UBIGINT AS dangerous_check",
        [drawn.shape[1], zlib.crc32(np.ascontiguousarray(drawn).data)],
    )
    if draws is not None:
        drawn.tofile(draws)


_LOOKS_BEFORE = """
SELECT b.building_id, l.building_no AS old_no, l.content, l.rows, l.openings
FROM building_looks AS l
JOIN buildings AS b USING (building_no)
"""

_GATHERED = """
SELECT o.building_no AS old_no, o.unit_id, o.opening_id, o.methods, o.last_observed_on, o.marking,
    o.room, o.circuit_id, o.known, s.codes, s.slots, s.gfci, s.selection, s.leaves_condition,
    s.leaves_slots, s.leaves_protected
FROM openings AS o
JOIN signatures AS s USING (signature_no)
"""
"""What 04_openings.sql gathered, as the finished warehouse has it."""


@dataclass(frozen=True)
class Kept:
    """Buildings whose results stay.

    Attributes:
        old: their numbers in the warehouse before, shape (n,).
        new: their numbers now, in order, shape (n,).
    """

    old: Ints
    new: Ints


class Earlier:
    """The current warehouse, to take results over from.

    Args:
        con: it, opened for reading.
        draws: the file of its draws.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, draws: Path) -> None:
        self._con, self._draws = con, draws

    def close(self) -> None:
        """Let go of it."""
        self._con.close()

    def take_openings(self, con: duckdb.DuckDBPyConnection) -> None:
        """Take over the openings of buildings whose looks are the same, as gathered then.

        Fills tables opening_evidence and gathered_before (04_changed.sql).

        Raises:
            CoverplateError: if the warehouse is damaged; nothing was taken over then.
        """
        try:
            con.register("looks_frame", self._con.sql(_LOOKS_BEFORE).to_arrow_table())
            con.execute(
                "INSERT INTO gathered_before SELECT n.building_no, e.old_no, e.rows, e.openings "
                "FROM looks_now AS n JOIN looks_frame AS e USING (building_id, content)"
            )
            gathered = self._con.sql(_GATHERED).to_arrow_reader(_ROWS_AT_ONCE)
            con.register("openings_frame", gathered)
            con.execute(
                "INSERT INTO opening_evidence BY NAME SELECT k.building_no, e.* EXCLUDE (old_no) "
                "FROM openings_frame AS e JOIN gathered_before AS k USING (old_no)"
            )
        except duckdb.Error as damaged:
            con.execute("DELETE FROM gathered_before")
            con.execute("DELETE FROM opening_evidence")
            raise CoverplateError(
                f"what the last build left cannot be used: {str(damaged).splitlines()[0]}",
                to_do="nothing; every building is weighed again",
            ) from damaged
        finally:
            for name in ("looks_frame", "openings_frame"):
                con.unregister(name)

    def take_over(
        self, con: duckdb.DuckDBPyConnection, assembled: Assembled, content: Texts
    ) -> tuple[Kept, BuildingResults]:
        """Take over what stays, into the table of openings under construction and into results.

        Args:
            con: the warehouse under construction, openings gathered.
            assembled: the portfolio.
            content: from ``contents``.

        Returns:
            Which buildings stay, and results with theirs filled in.

        Raises:
            CoverplateError: if the warehouse or its draws are damaged; nothing was taken over then.
        """
        try:
            table = self._con.execute(
                "SELECT * FROM building_weighed ORDER BY building_no"
            ).fetchdf()
            ((draws, check),) = self._con.execute("SELECT * FROM kept_draws").fetchall()
            places = pd.Index(table["content"]).get_indexer(pd.Index(content))
            new = np.flatnonzero(places >= 0)
            kept = Kept(places[new].astype(np.int64), new)
            results = BuildingResults(len(content), draws)
            self._read_draws(len(table), check, kept, results)
            for name in _SUMS:
                getattr(results, name)[kept.new] = table[name].to_numpy()[kept.old]
            for index in range(results.rates.shape[1]):
                results.rates[kept.new, index] = table[f"rate_{index}"].to_numpy()[kept.old]
            self._take_groups(con, assembled, kept)
        except (duckdb.Error, OSError, ValueError, KeyError) as damaged:
            con.execute(f"DROP TABLE IF EXISTS {STAGED}")
            raise CoverplateError(
                f"what the last build left cannot be used: {str(damaged).splitlines()[0]}",
                to_do="nothing; every building is weighed again",
            ) from damaged
        return kept, results

    def _read_draws(self, buildings: int, check: int, kept: Kept, results: BuildingResults) -> None:
        """Read the draws some buildings at a time, and check all of them."""
        target = results.dangerous_draws
        draws = target.shape[1]
        if self._draws.stat().st_size != buildings * draws * target.itemsize:
            raise ValueError(f"{self._draws} has not the size that it was written with")
        order = np.argsort(kept.old, kind="stable")
        old, new = kept.old[order], kept.new[order]
        found = 0
        with self._draws.open("rb") as handle:
            for start in range(0, buildings, _BUILDINGS_AT_ONCE):
                count = min(_BUILDINGS_AT_ONCE, buildings - start)
                block = np.fromfile(handle, dtype=target.dtype, count=count * draws)
                found = zlib.crc32(block.data, found)
                first, last = np.searchsorted(old, [start, start + count])
                target[new[first:last]] = block.reshape(count, draws)[old[first:last] - start]
        if found != check:
            raise ValueError(f"{self._draws} is not what was written")

    def _take_groups(
        self, con: duckdb.DuckDBPyConnection, assembled: Assembled, kept: Kept
    ) -> None:
        """Copy rows of opening_groups, buildings, rows and signatures numbered as they are now."""
        con.register(
            "kept_frame",
            pd.DataFrame(
                {"old_no": kept.old.astype(np.int32), "new_no": kept.new.astype(np.int32)}
            ),
        )
        # A building's rows keep their order, so that all of its row numbers move alike.
        first_row = self._con.sql(
            "SELECT building_no AS old_no, min(row_no) AS old_row FROM opening_groups "
            "WHERE row_no >= 0 GROUP BY building_no"
        ).to_arrow_table()
        con.register("old_rows_frame", first_row)
        con.execute(
            "CREATE TEMP TABLE kept_buildings AS SELECT k.*, n.new_row - o.old_row AS moved "
            "FROM kept_frame AS k LEFT JOIN old_rows_frame AS o USING (old_no) LEFT JOIN "
            "(SELECT building_no AS new_no, min(row_no) AS new_row FROM opening_rows GROUP BY ALL) "
            "AS n USING (new_no)"
        )
        groups = self._con.sql("SELECT * FROM opening_groups").to_arrow_reader(_ROWS_AT_ONCE)
        con.register("groups_frame", groups)
        con.execute(
            f"CREATE TEMP TABLE {STAGED} AS SELECT g.* REPLACE (k.new_no AS building_no, "
            "CASE WHEN g.row_no < 0 THEN g.row_no ELSE (g.row_no + k.moved)::INTEGER END AS row_no,"
            f" coalesce(r.signature_no, {assembled.portfolio.classes.flat})::INTEGER "
            "AS signature_no) FROM groups_frame AS g "
            "JOIN kept_buildings AS k ON k.old_no = g.building_no "
            "LEFT JOIN opening_rows AS r ON g.row_no >= 0 AND r.row_no = g.row_no + k.moved"
        )
        for frame in ("kept_frame", "old_rows_frame", "groups_frame"):
            con.unregister(frame)
        con.execute("DROP TABLE kept_buildings")


def earlier_results(
    workspace: Workspace, record: str, rule_book_hash: str, model_version: str
) -> Earlier | None:
    """The current warehouse, if results can be taken over from it.

    Raises:
        CoverplateError: if it or the file of its draws is damaged or missing.
    """
    version = store.current_version(workspace)
    if version is None:
        return None
    path = store.warehouse_path(workspace, version)
    con = store.open_reader(path)
    try:
        facts = con.execute("SELECT * FROM build_facts").fetchdf().iloc[0].to_dict()
        wanted = (record, rule_book_hash, model_version)
        names = ("learned_record", "rule_book_hash", "model_version")
        if tuple(facts.get(name) for name in names) != wanted:
            con.close()
            return None
        draws = store.draws_path(path)
        if not draws.is_file():
            raise CoverplateError(
                f"{draws} is missing", to_do="nothing; every building is weighed again"
            )
    except duckdb.Error as damaged:
        con.close()
        raise CoverplateError(
            f"the warehouse {path} cannot be read: {str(damaged).splitlines()[0]}",
            to_do="nothing; every building is weighed again",
        ) from damaged
    except BaseException:
        con.close()
        raise
    return Earlier(con, draws)

"""Rows of one or many openings, and ways to ask what is urgent among them."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd

from pipeline.landing import Workspace, danger_aside, intake
from pipeline.landing.places import create_place_macro
from pipeline.offline import connect
from pipeline.warehouse.plainly_told import rule_tables, sql_step
from pipeline.warehouse.repairs import nothing_known, write_families, write_looks_by_hand
from pipeline.warehouse.report_subjects import create_macros
from shared.records import OPENING_OBSERVATIONS, SQL_TYPE
from shared.rule_book import RuleBook, load_rule_book

DAY = dt.date(2024, 5, 1)
COVER = "cover_off_inspection"
LAMPS = "three_lamp_tester"

MENDER = {"firm": "Pellworth Electric", "worker": "D. Orme"}
PROOF = {
    "inspector": "S. Ambrel", "method": COVER, "result": "correct", "cover_removed": "yes",
    "ground_present": "yes", "neutral_ground_jumper": "no", "polarity": "correct",
    "ground_path_ohms": 0.2,
}  # fmt: skip
"""A look that proves a circuit rewired by them."""

LIVE = {
    "method": COVER,
    "result": "reversed_false_ground",
    "cover_removed": "yes",
    "neutral_ground_jumper": "yes",
    "polarity": "reversed",
}
"""A cover-off look that says it plainly."""

BOX_SEEN = {
    "method": COVER,
    "result": "correct",
    "cover_removed": "yes",
    "neutral_ground_jumper": "no",
    "polarity": "correct",
}
"""A cover-off look that answers what must be answered."""


def look(days: int = 0, opening: str = "1", building: str = "H", **cells) -> dict[str, object]:
    """One row of opening observations, ``days`` after ``DAY``."""
    return {
        "building_id": building,
        "unit_id": "1",
        "opening_id": opening,
        "observed_on": (DAY + dt.timedelta(days)).isoformat(),
        "inspector": "Ada",
        "method": LAMPS,
        "result": "correct",
        **cells,
    }


def asked(
    rows: list[dict[str, object]],
    fixes: list[tuple[str, str, int, int]] = (),
    book: RuleBook | None = None,
) -> dict[str, list[dict[str, object]]]:
    """What the one SQL step of urgency makes of rows, without a model anywhere.

    Args:
        rows: as of ``look``; all are in force.
        fixes: building, opening, days of fix and proof after ``DAY``.
        book: thresholds.

    Returns:
        Rows of urgent_openings, cleared_openings and live_metal_looks.
    """
    con = connect()
    fields = OPENING_OBSERVATIONS.fields
    names = sorted({row["building_id"] for row in rows})
    con.execute("CREATE TABLE buildings (building_no INTEGER, building_id VARCHAR)")
    con.executemany("INSERT INTO buildings VALUES (?, ?)", list(enumerate(names)))
    typed = ", ".join(f'"{f.name}" {SQL_TYPE[f.type]}' for f in fields)
    con.execute(f"CREATE TABLE rows_all ({typed}, _part INTEGER, _row BIGINT)")
    marks = ", ".join("?" for _ in range(len(fields) + 2))
    con.executemany(
        f"INSERT INTO rows_all VALUES ({marks})",
        [[*(row.get(f.name) for f in fields), 1, n] for n, row in enumerate(rows)],
    )
    con.execute(
        "CREATE TABLE observations AS SELECT b.building_no, coalesce(r.unit_id, '') AS unit_id, "
        "r.* EXCLUDE (building_id, unit_id) FROM rows_all AS r JOIN buildings AS b "
        "USING (building_id)"
    )
    con.execute(
        "CREATE VIEW observations_history AS SELECT *, 'accepted' AS status, "
        "NULL::INTEGER AS superseded_by_part, NULL::BIGINT AS superseded_by_row FROM rows_all"
    )
    con.execute(
        "CREATE TABLE landed_files AS "
        "SELECT 1 AS _part, 'a.csv' AS path, '' AS sheet, 1 AS cells_a_row, "
        "true AS room_tells, true AS circuit_tells"
    )
    con.execute(
        "CREATE TABLE proven_families (building_no INTEGER, unit_id VARCHAR, opening_id VARCHAR, "
        "fixed_on DATE, fixed_by VARCHAR, verified_on DATE, remedy VARCHAR, family VARCHAR, "
        "leaves_slots VARCHAR)"
    )
    for building, opening, fixed, proven in fixes:
        con.execute(
            "INSERT INTO proven_families "
            "VALUES (?, '1', ?, ?, 'Firm', ?, 'circuit_rewired', 'false_ground', NULL)",
            [
                names.index(building),
                opening,
                DAY + dt.timedelta(fixed),
                DAY + dt.timedelta(proven),
            ],
        )
    for none in ("recurred_families", "reported_fixes"):
        con.execute(f"CREATE TABLE {none} AS FROM proven_families LIMIT 0")
    write_families(con)
    create_macros(con)
    create_place_macro(con)
    rule_tables(con, book or load_rule_book())
    danger_aside.create_macro(con)
    write_looks_by_hand(con, nothing_known())
    con.execute("CREATE TABLE looks_put_otherwise (_part INTEGER, _row BIGINT)")
    for step in ("02_looks_ever.sql", "02_told.sql", "02_elsewhere.sql", "02_urgent.sql"):
        con.execute(sql_step(step))
    found = {
        name: con.execute(f"SELECT * FROM {name}").df().to_dict("records")
        for name in ("urgent_openings", "cleared_openings", "live_metal_looks")
    }
    con.close()
    return found


def is_urgent(*rows: dict[str, object], **more) -> bool:
    """Whether opening 1 of building H is urgent by its rows."""
    return bool(asked(list(rows), **more)["urgent_openings"])


def urgent_among(
    cases: dict[str, list[dict[str, object]]], fixes: list[tuple[int, int]] = ()
) -> set[object]:
    """Which cases are urgent, each an opening of its own, asked of all at once.

    Args:
        cases: rows by name.
        fixes: days of fix and proof after ``DAY``, the same of each case.
    """
    rows = [{**row, "opening_id": name} for name, said in cases.items() for row in said]
    fixed = [("H", name, *days) for name in cases for days in fixes]
    return {row["opening_id"] for row in asked(rows, fixed)["urgent_openings"]}


def export(folder: Path, name: str, rows: list[dict[str, object]]) -> Path:
    """Write rows as an export in the default layout."""
    folder.mkdir(parents=True, exist_ok=True)
    pd.DataFrame(rows).to_csv(folder / name, index=False)
    return folder / name


def take_in(workspace: Workspace, folder: Path, name: str, rows: list[dict[str, object]]) -> None:
    """Land rows; none may be set aside."""
    (report,) = intake(workspace, [export(folder, name, rows)])
    assert report.quarantined == 0 and report.accepted > 0, report

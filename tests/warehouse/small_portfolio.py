"""A small portfolio in which every building shows one thing, and ways to look into a warehouse."""

from __future__ import annotations

from pathlib import Path

from pipeline.landing import Workspace, intake
from pipeline.warehouse.store import open_reader

REGISTER = """\
building_id,name,year_built,dwelling_units,receptacle_count,occupants,vulnerable_occupants,owner
BARE,,,,,,,
ZERO,,1950,0,0,,,
REGISTER-ONLY,Nobody looked,1935,4,80,9,2,Aspen
FEW,,1950,1,3,2,0,Aspen
SURVEY,,1950,1,6,2,0,Aspen
BLIND,,1950,1,8,2,0,Birch
TWICE,,1950,1,4,2,0,Birch
TWICE-OTHER,,1950,1,4,2,0,Birch
ONCE,,1950,1,4,2,0,Birch
LATE-NO,,1950,1,4,2,0,Birch
URGENT-RFG,,2015,1,10,1,0,Birch
URGENT-HOG,,2015,1,10,1,0,Birch
URGENT-BOTH,,1938,1,10,1,0,Birch
LAMPS,,2015,1,10,1,0,Birch
VACANT,,1930,2,30,0,0,Birch
VULNERABLE,,1930,1,20,,9,Birch
CONFLICT,,1950,1,10,2,0,Aspen
MANY,,1938,40,800,100,30,Aspen
"""

OTHER_REGISTER = """\
building_id,year_built,occupants
CONFLICT,1968,3
"""

OBSERVED = (
    "building_id,unit_id,room,opening_id,observed_on,inspector,method,selection,slots,result,"
    "cover_removed,neutral_ground_jumper"
)


def _looks() -> list[str]:
    def look(building, opening, method, result, **more):
        cells = {
            "unit_id": "1",
            "room": "",
            "observed_on": "2024-05-01",
            "inspector": "Ada",
            "selection": "random",
            "slots": "three_slot",
            "cover_removed": "",
            "neutral_ground_jumper": "",
            **more,
            "building_id": building,
            "opening_id": opening,
            "method": method,
            "result": result,
        }
        return ",".join(cells[name] for name in OBSERVED.split(","))

    lamp, cover, ohms = "three_lamp_tester", "cover_off_inspection", "ground_impedance_meter"
    rows = [
        # Not in any register.
        look("UNREGISTERED", "1", lamp, "open_ground"),
        # More seen than the register counts.
        *[look("FEW", str(n), lamp, "correct") for n in range(5)],
        # A survey that leaves out two of six.
        *[look("SURVEY", str(n), lamp, "correct", selection="survey") for n in range(4)],
        # Eight three-slot openings, all recorded: 2 by a method that can see a false ground, 1 not
        # accessible to such a method, 4 by the lamps, 1 by eye. Blind share 6 of 8.
        look("BLIND", "1", cover, "correct"),
        look("BLIND", "2", ohms, "correct"),
        look("BLIND", "3", cover, "not_accessible"),
        *[look("BLIND", str(n), lamp, "correct") for n in (4, 5, 6, 7)],
        look("BLIND", "8", "visual", "correct"),
        # The same evidence once, three times by one hand, and by two hands.
        look("ONCE", "1", lamp, "open_ground", observed_on="2024-05-03"),
        look("TWICE", "1", lamp, "open_ground", observed_on="2024-05-01"),
        look("TWICE", "1", lamp, "open_ground", observed_on="2024-05-02"),
        look("TWICE", "1", lamp, "open_ground", observed_on="2024-05-03"),
        look("TWICE-OTHER", "1", lamp, "open_ground"),
        look("TWICE-OTHER", "1", lamp, "open_ground", inspector="Bo"),
        # The look stands although nobody got in later.
        look("LATE-NO", "1", lamp, "open_ground", observed_on="2024-05-03"),
        look("LATE-NO", "1", lamp, "not_accessible", observed_on="2024-06-03"),
        look("URGENT-RFG", "R", cover, "reversed_false_ground", cover_removed="yes"),
        look("URGENT-HOG", "H", cover, "hot_ground_reversed", cover_removed="yes", room="bath"),
        # Two hands, two verdicts: the worse one is what somebody must go for.
        look("URGENT-BOTH", "1", cover, "reversed_false_ground", cover_removed="yes"),
        look("URGENT-BOTH", "1", cover, "false_ground", cover_removed="yes", inspector="Bo"),
        look("LAMPS", "1", lamp, "hot_ground_reversed"),
        look("VACANT", "1", lamp, "open_ground"),
        # Looks disagree on the slots; the same day, so the one that landed last holds.
        look("CONFLICT", "9", lamp, "open_ground", slots="two_slot"),
        look("CONFLICT", "9", lamp, "open_ground", slots="three_slot", inspector="Bo"),
        look("CONFLICT", "8", lamp, "correct", cover_removed="no", neutral_ground_jumper="yes"),
        *[look("MANY", str(n), lamp, "open_ground" if n % 3 else "correct") for n in range(60)],
        *[look("MANY", str(n), cover, "false_ground") for n in range(0, 60, 6)],
    ]
    return rows


EVALUATIONS = """\
building_id,evaluated_on,item,grade,scale_best
VISITED,2023-01-10,Electrical services,5,5
VISITED,2024-01-10,Electrical services,4,5
VISITED,2024-01-10,Common area outlets,1,4
UNGRADED,2024-01-10,Electrical services,,5
"""


def observations(*rows: str) -> str:
    return "\n".join([OBSERVED, *rows]) + "\n"


def land(workspace: Workspace, folder: Path, name: str, content: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text(content, encoding="utf-8")
    (report,) = intake(workspace, [folder / name])
    assert report.accepted > 0 and report.quarantined == 0, report


def land_all(workspace: Workspace, folder: Path) -> None:
    land(workspace, folder, "register.csv", REGISTER)
    land(workspace, folder, "assessor.csv", OTHER_REGISTER)
    land(workspace, folder, "looks.csv", observations(*_looks()))
    land(workspace, folder, "evaluations.csv", EVALUATIONS)


def rows(path: Path, sql: str, *parameters: object) -> list[tuple]:
    """Ask a warehouse file."""
    con = open_reader(path)
    try:
        return con.execute(sql, list(parameters)).fetchall()
    finally:
        con.close()


def contents(path: Path) -> dict[str, list[tuple]]:
    """Every table of a warehouse: its columns, then its rows in a fixed order."""
    con = open_reader(path)
    try:
        names = con.execute("SELECT table_name FROM duckdb_tables() ORDER BY table_name").fetchall()
        found = {}
        for (name,) in names:
            columns = con.execute(f'DESCRIBE "{name}"').fetchall()
            found[name] = [
                *((column[0], column[1]) for column in columns),
                *con.execute(f'SELECT * FROM "{name}" ORDER BY ALL').fetchall(),
            ]
        return found
    finally:
        con.close()

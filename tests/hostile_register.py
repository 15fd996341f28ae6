"""A portfolio whose every text was written by somebody who means ill; it must show as text only."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

from pipeline.landing import Workspace, intake
from pipeline.ledger import current, open_ledger
from pipeline.ledger.events import Assigned, Commented, Paused
from pipeline.ledger.sync import sync_findings
from pipeline.ledger.visits import plan_visit
from pipeline.warehouse import store
from pipeline.warehouse.build import build

HOST = "evil.example"
MARKS = (
    f"![x](http://{HOST}/x.png)",
    f"<img src=http://{HOST}/i.png onerror=alert(1)>",
    f"[link](http://{HOST}/l)",
    ":material/home:",
    "$x^2$",
    f"http://{HOST}/auto www.{HOST} me@{HOST}",
    ":smile: :red[red] **bold** `code` -> --",
    "\x1b[31mred\x07",
    f"</script><script src=http://{HOST}/s.js></script>",
    f"<style>@import url(http://{HOST}/c.css)</style>",
    f"javascript:fetch('http://{HOST}/j')",
    f'" style="background:url(http://{HOST}/b.png)"',
)
ALL = " ".join(MARKS)
ID = f"B ![x](http://{HOST}/id.png) <b>&\"' 1"
"""A building's identifier: no control character, else it would be set aside."""
FILE = "![x](evil) <img src=evil> $x$ :smile: **b**.csv"
HEADER = f"![h](http://{HOST}/h.png) <img src=http://{HOST}/h.png>"


def hostile_exports(folder: Path) -> list[Path]:
    """A register and looks, each with every mark in every text."""
    folder.mkdir(parents=True, exist_ok=True)
    register = folder / f"register {FILE}"
    _write(
        register,
        "building_id name address city postal_code year_built latitude longitude owner manager "
        "insured_value occupants dwelling_units receptacle_count",
        [
            [ID, ALL, *MARKS[:3], 1931, 50.1, 14.4, MARKS[0], MARKS[1], 1000000, 12, 4, 20],
            *(
                [
                    *(f"{mark[:12].strip(chr(27) + chr(7))}{n}", *[mark] * 4, 1920 + n),
                    *(50.1 + n / 100, 14.4, mark, mark, 1000 + n, 10, 3, 12),
                ]
                for n, mark in enumerate(MARKS)
            ),
        ],
    )
    looks = folder / f"looks {FILE}"
    rows: list[list[object]] = []
    for number, mark in enumerate(MARKS):
        seen = "hot_ground_reversed" if number % 2 else "false_ground"
        method = "three_lamp_tester" if number % 2 else "cover_off_inspection"
        rows.append(
            [
                *(ID, f"<u>{number}", mark, f"O {number} <img src=http://{HOST}/o>", mark),
                *(f"2024-03-{number + 1:02}", mark, method, "three_slot", seen, f"{mark} {ALL}"),
            ]
        )
    rows.append([ID, "", ALL, "O 99", "", f"never {ALL}", ALL, "visual", "", "correct", ALL])
    rows.append([ID, "", ALL, "O 98", "", "2024-03-01", ALL, "visual", ALL, "correct", ALL])
    _write(
        looks,
        "building_id unit_id room opening_id circuit_id observed_on inspector method slots result "
        "note",
        rows,
    )
    return [register, looks]


def unknown_export(folder: Path) -> Path:
    """A file that must be asked about, its headers and words of the same kind."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"odd {FILE}"
    header = ["house", "plug", "seen on", "how", "what", HEADER, *MARKS[:3]]
    rows = [
        ["B1", f"O{n}", "03/04/2024", MARKS[n % 3], MARKS[n % 4], *[MARKS[n % 8]] * 4]
        for n in range(12)
    ]
    with path.open("w", encoding="utf-8", newline="") as handle:
        csv.writer(handle).writerows([header, *rows])
    return path


def _write(path: Path, header: str, rows: list[list[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as handle:
        csv.writer(handle).writerows([header.split(), *rows])


def hostile_workspace(root: Path) -> Workspace:
    """It, taken in and built, with findings, firms, people and comments of the same kind."""
    place = Workspace(root / "<b>workspace").create()
    intake(place, hostile_exports(root / "exports"))
    build(place)
    ledger = open_ledger(workspace=place.root)
    with store.reading(place) as con:
        assert sync_findings(con, ledger).raised > 3
        first = str(current(ledger)["finding_id"].iloc[0])
    ledger.append(first, Assigned(firm=ALL, person=MARKS[0], note=ALL), who=ALL, origin="cli")
    pause = Paused(since=dt.datetime.now(dt.UTC).date(), reason="other", note=ALL)
    ledger.append(first, pause, who=ALL, origin="cli")
    ledger.append(first, Commented(text=ALL), who=MARKS[1], origin="cli")
    texts = {"person": MARKS[1], "firm": ALL, "note": ALL, "who": ALL, "origin": "cli"}
    plan_visit(ledger, [(first, None)], on=dt.date(2031, 3, 4), **texts)
    ledger.close()
    return place

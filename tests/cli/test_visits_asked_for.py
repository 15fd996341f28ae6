"""Visits that are asked for in a plan of looks: named ones, open papers, buildings long unseen."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from tests.cli.running import run

pytestmark = pytest.mark.slow

DAY = ("--day", "2026-04-07")


def written(path: Path, rows: list[dict[str, Any]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys(name for row in rows for name in row)))
        writer.writeheader()
        writer.writerows(rows)
    return path


def look(building: str, day: str, method: str, opening: str = "1") -> dict[str, str]:
    return {
        "building_id": building, "unit_id": "1", "opening_id": opening, "observed_on": day,
        "inspector": "Ada Quill", "method": method, "result": "correct", "slots": "three_slot",
        "cover_removed": "yes" if method == "cover_off_inspection" else "",
    }  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five buildings: long seen, seen of late, never by who can tell, two with open papers."""
    folder = tmp_path_factory.mktemp("asked")
    names = ("LONG", "LATE", "BLIND", "PAPER", "SHUT")
    register = [
        {"building_id": n, "year_built": 1955, "dwelling_units": 4, "receptacle_count": 40}
        for n in names
    ]
    looks = [
        look("LONG", "2016-05-01", "cover_off_inspection"),
        look("LATE", "2025-05-01", "cover_off_inspection"),
        look("BLIND", "2025-05-01", "three_lamp_tester"),
        *(look(n, "2025-06-01", "cover_off_inspection") for n in ("PAPER", "SHUT")),
    ]
    papers = [
        {"building_id": b, "unit_id": "2", "report_kind": k, "reference": f"C-{b}",
         "reported_on": "2025-05-20", "status": s, "description": "Outlet without ground"}
        for b, k, s in (("PAPER", "complaint", "open"), ("SHUT", "complaint", "closed"),
                        ("LATE", "permit", "open"))
    ]  # fmt: skip
    files = [
        written(folder / f"{name}.csv", rows)
        for name, rows in (("register", register), ("looks", looks), ("papers", papers))
    ]
    for words in (("intake", *files), ("build",)):
        done = run(*words, "--workspace", folder / "w")
        assert done.code == 0, done.err
    return folder / "w"


def asked_for(place: Path, *words: Any) -> Iterator[tuple[str, str | None, str | None, str]]:
    done = run("plan", "looks", *DAY, *words, "--workspace", place, "--json")
    assert done.code == 0, done.err
    for stop in done.json():
        if stop["asked_for"]:
            assert stop["why"].startswith("Asked for: ") and not stop["must_visit"]
            yield stop["building_id"], stop["unit_id"], stop["opening_id"], stop["picked"]


def test_nothing_is_asked_for_unasked(place: Path) -> None:
    assert not list(asked_for(place))


def test_open_papers_are_gone_to_where_they_say(place: Path) -> None:
    assert list(asked_for(place, "--open-reports")) == [("PAPER", "2", None, "complaint")]


def test_a_cycle_asks_for_those_that_nobody_able_to_tell_has_looked_at(place: Path) -> None:
    assert set(asked_for(place, "--unseen-for", 5)) == {
        ("LONG", None, None, "random"), ("BLIND", None, None, "random")
    }  # fmt: skip
    # 2016-05-01 is 9.93 years before the day
    assert {b for b, *_ in asked_for(place, "--unseen-for", 9.9)} == {"LONG", "BLIND"}
    assert {b for b, *_ in asked_for(place, "--unseen-for", 10)} == {"BLIND"}


def test_what_somebody_names_comes_before_papers_and_cycles(place: Path, tmp_path: Path) -> None:
    visits = written(tmp_path / "visits.csv", [
        {"building_id": "SHUT", "unit_id": "3", "how_many": 6, "why": "five-year inspection"},
        {"building_id": "LATE", "unit_id": "1", "opening_id": "1", "why": "the owner asks"},
        {"building_id": "PAPER", "unit_id": "2", "why": "the tenant asks"},
    ])  # fmt: skip
    words = ("--visits-file", visits, "--open-reports", "--unseen-for", 5, "--random-share", 0)
    named = {("SHUT", "3", None, "targeted"), ("LATE", "1", "1", "targeted"),
             ("PAPER", "2", None, "targeted")}  # fmt: skip
    every = named | {("LONG", None, None, "random"), ("BLIND", None, None, "random")}
    assert set(asked_for(place, *words)) == every
    # a short day: what is named fits, nothing else does, and that is said
    short = ("plan", "looks", *DAY, *words, "--hours", 4.6, "--workspace", place, "--json")
    done = run(*short)
    assert {(s["building_id"], s["unit_id"], s["opening_id"], s["picked"])
            for s in done.json() if s["asked_for"]} == named  # fmt: skip
    assert "2 of the 5 visits asked for are not in this plan" in done.err
    assert "Not in it: BLIND, LONG." in done.err
    # both reasons are told of a dwelling that is asked for twice
    (why,) = {s["why"] for s in done.json() if s["building_id"] == "PAPER" and s["asked_for"]}
    assert "the tenant asks." in why and "Besides: a complaint C-PAPER of 2025-05-20 is open" in why
    (many,) = {s["how_many"] for s in done.json() if s["building_id"] == "SHUT"}
    assert many == 6


def test_the_sheet_says_how_they_were_picked(place: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "monday.xlsx"
    run("plan", "looks", *DAY, "--open-reports", "--unseen-for", 5, "--random-share", 0,
        "--sheet", sheet, "--workspace", place)  # fmt: skip
    (table,) = load_workbook(sheet).worksheets
    header = [cell.value for cell in table[1]]
    rows = [dict(zip(header, cells, strict=True)) for cells in table.values]
    picked = {(r["Building"], r["Picked"]) for r in rows if str(r["Why"]).startswith("Asked for")}
    assert picked == {("PAPER", "complaint"), ("LONG", "random"), ("BLIND", "random")}


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"building_id": "NONE", "why": "x"}, "buildings that are not known: NONE"),
        ({"building_id": "LATE", "why": ""}, "row 2, column why: found nothing"),
        ({"building_id": "LATE", "why": "x", "how_many": "many"}, "column how_many: found 'many'"),
        ({"building_id": "LATE", "why": "x", "when": "now"}, "unknown column 'when'"),
    ],
)
def test_a_faulty_file_of_visits_is_refused(
    place: Path, tmp_path: Path, row: dict[str, str], said: str
) -> None:
    path = written(tmp_path / "visits.csv", [row])
    done = run("plan", "looks", *DAY, "--visits-file", path, "--workspace", place)
    assert done.code == 2 and said in done.err


def test_a_visit_to_a_building_left_out_is_told(place: Path, tmp_path: Path) -> None:
    path = written(tmp_path / "visits.csv", [{"building_id": "LONG", "why": "asked"}])
    done = run("plan", "looks", *DAY, "--visits-file", path, "--building", "LATE",
               "--workspace", place, "--json")  # fmt: skip
    assert not [s for s in done.json() if s["asked_for"]]
    assert "1 visit asked for: not in this plan" in done.err and "LONG" in done.err

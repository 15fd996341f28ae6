"""Fix reports as a record kind: told from inspections, constants, rows with room for two kinds."""

import json

import pytest
from pyarrow import parquet

from pipeline.landing import intake, list_quarantine, propose_mapping, save_mapping
from pipeline.landing.answers import Answers, parse_answers
from pipeline.landing.mapping import parse_mapping
from pipeline.landing.mapping_store import shipped_mappings
from shared.faults import CoverplateError
from shared.vocabulary import RecordKind
from tests.landing.landed import counts, land, query

FIXES = RecordKind.FIX_REPORTS
LOOKS = RecordKind.OPENING_OBSERVATIONS
HEAD = "building_id,unit_id,opening_id,remedy,fixed_on,firm,cost\n"


@pytest.mark.parametrize(
    ("header", "row", "kind"),
    [
        ("Property,Apt No,Outlet No,Work carried out,Date completed,Electrician,Invoice No,Total",
         "B1,2A,K1,rewired,2025-03-20,D. Orme,R-1,280.50", FIXES),
        ("Our reference,Description of work,Completion date,Contractor",
         "F-1,rewired,2025-03-20,Oddy", FIXES),
        # an inspection that also says what was done, or has columns that a report could have
        ("Building,Unit,Outlet,Test date,Tester used,Result,Technician,Action taken",
         "B1,2A,K1,2025-03-20,three lamp tester,open ground,Ada,none", LOOKS),
        ("Building,Unit,Outlet,Date,Method,Reading,Technician,Labels,Notes",
         "B1,2A,K1,2025-03-20,three lamp tester,open ground,Ada,gfci,ok", LOOKS),
        # a work order names no opening
        ("Work order no,Building,Unit,Work performed,Opened on,Completed on,Status",
         "W-1,B1,2A,outlet replaced,2025-03-01,2025-03-20,closed", RecordKind.BUILDING_REPORTS),
    ],
)  # fmt: skip
def test_a_fix_report_is_told_from_an_inspection_by_its_headers(header, row, kind):
    assert propose_mapping(header.split(","), [row.split(",")] * 3).kind is kind


@pytest.mark.slow
def test_what_is_the_same_in_every_row_is_said_once(workspace, inbox):
    said = parse_answers(["all:firm=Pellworth Electric", "kind=fix_reports"])
    assert said == Answers(kind=FIXES, constants={"firm": "Pellworth Electric"})
    text = "building_id,opening_id,remedy,fixed_on\nB1,K1,rewired,2025-03-20\n"
    (report,) = land(workspace, inbox, text, answers=said)
    assert counts(report) == (1, 1, 0, 0, 0)
    assert query(workspace, "SELECT firm FROM fix_reports_current") == [("Pellworth Electric",)]
    # remembered, and a column of the file goes before what is said
    (report,) = land(workspace, inbox, text.replace("K1", "K2"), "next.csv")
    assert counts(report)[1] == 1
    own = HEAD + "B1,2A,K1,rewired,2025-03-20,Oddy,\n"
    land(workspace, inbox, own, "own.csv", answers=said)
    assert query(workspace, "SELECT firm FROM fix_reports_current WHERE unit_id = '2A'") == [
        ("Oddy",)
    ]


def test_an_amount_with_two_readings_refuses_the_file_until_it_is_answered(workspace, inbox):
    text = HEAD + 'B1,2A,K1,rewired,2025-03-20,Oddy,"1,350"\n'
    with pytest.raises(CoverplateError, match=r"1350\.00 or 1\.350"):
        land(workspace, inbox, text)
    assert workspace.manifests() == []
    (report,) = land(workspace, inbox, text, answers=Answers(decimal_mark="."))
    assert report.accepted == 1
    assert query(workspace, "SELECT cost FROM fix_reports_current") == [(1350.0,)]


def test_an_unread_cell_of_a_report_sets_the_row_aside(workspace, inbox):
    """A cost or a label must not become none; of an inspection a cell would only be blanked."""
    text = HEAD.replace("cost", "cost,marking")
    text += "B1,2A,K1,rewired,2025-03-20,Oddy,cheap,\nB1,2A,K2,rewired,2025-03-20,Oddy,5,pink\n"
    text += "B1,2A,K3,rewired,2025-03-20,Oddy,5,gfci\n"
    (report,) = land(workspace, inbox, text)
    assert counts(report) == (3, 1, 0, 0, 2)
    assert [row.reasons[0].column for row in list_quarantine(workspace)] == ["cost", "marking"]


def test_every_row_keeps_its_cells_alone_and_among_many(workspace, inbox):
    for number in range(6):  # enough alike to be typed together
        (inbox / f"{number}.csv").write_text(HEAD + f"B1,2A,K{number},rewired,2025-03-20,Oddy,\n")
    intake(workspace, [inbox])
    land(workspace, inbox, HEAD + "B1,2A,K9,rewired,2025-03-20,Oddy,5\n", "alone.csv")
    held = [
        json.loads(cell)["opening_id"]
        for manifest in workspace.manifests()
        for part in manifest.parts
        for cell in parquet.read_table(workspace.folder(manifest.sha256) / part.file)[
            "_cells"
        ].to_pylist()
    ]
    assert sorted(held) == [*(f"K{number}" for number in range(6)), "K9"]


TWO_KINDS = {
    "name": "two_kinds",
    "recognised_by": ["Where", "Socket", "Mended how", "Mended when"],
    "records": [
        {
            "kind": "fix_reports",
            "filled": ["Mended how", "Mended when"],
            "columns": {
                "building_id": {"from": ["Where"]},
                "opening_id": {"from": ["Socket"]},
                "remedy": {"from": ["Mended how"]},
                "fixed_on": {"from": ["Mended when"]},
                "firm": {"constant": "Oddy"},
            },
        },
        {
            "kind": "opening_observations",
            "filled": ["Seen when", "Seen"],
            "columns": {
                "building_id": {"from": ["Where"]},
                "opening_id": {"from": ["Socket"]},
                "observed_on": {"from": ["Seen when"]},
                "method": {"constant": "visual"},
                "result": {"from": ["Seen"]},
            },
        },
    ],
}


def test_a_row_is_of_a_kind_only_where_that_is_filled_in(workspace, inbox):
    save_mapping(workspace, parse_mapping(TWO_KINDS, "here"))
    text = "Where,Socket,Mended how,Mended when,Seen when,Seen\n"
    text += "B1,1,rewired,2025-03-01,2025-03-05,correct\n"  # both
    text += "B1,2,rewired,2025-03-01,,\n"  # a repair
    text += "B1,3,,,2025-03-05,correct\n"  # a look
    text += "B1,4,,,,\n"  # neither
    text += "B1,5,rewired,,,correct\n"  # half of each: both are set aside, none is passed over
    fixes, looks = land(workspace, inbox, text)
    assert counts(fixes) == (3, 2, 0, 0, 1)
    assert counts(looks) == (3, 2, 0, 0, 1)
    assert {(row.record_kind, row.row) for row in list_quarantine(workspace)} == {
        (FIXES, 6),
        (LOOKS, 6),
    }


def test_what_a_mapping_may_leave_out_changes_no_hash_of_those_that_do():
    """Files that landed before there was such a key are still known to be read alike."""
    plain = json.loads(json.dumps(TWO_KINDS))
    for record in plain["records"]:
        del record["filled"]
    kept = parse_mapping(plain, "here")
    assert "filled" not in json.dumps(kept.model_dump(exclude_defaults=True))
    assert kept.content_hash() != parse_mapping(TWO_KINDS, "here").content_hash()
    (city,) = [each for each in shipped_mappings() if each.name == "rental_building_evaluations"]
    assert city.content_hash().startswith("566df44bbdb4f752")

"""Citations, complaints, work orders and permits: file in, lists out."""

import pytest

from tests.cli.running import run

pytestmark = pytest.mark.slow


REGISTER = "building_id,year_built,year_rewired,dwelling_units,receptacle_count\n"
LOOKS = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,selection,slots,result,"
    "neutral_ground_jumper,polarity,cover_removed,"
    "hot_neutral_volts,case_earth_volts,ground_contact_earth_volts\n"
)
PASSED = "{},2024-02-01,Ada,three_lamp_tester,random,three_slot,correct,,,,,,\n"
OPENED = (
    "{},2025-02-01,Bo,cover_off_inspection,random,three_slot,correct,no,correct,yes,119,0.4,0.3\n"
)
COMPLAINTS = "Building,Apt,Complaint No,Date Received,Complaint Status,Complaint Description\n"
VIOLATIONS = (
    "Building,Violation ID,NOV Issued Date,Current Status,Current Status Date,Order No,"
    "NOV Description\n"
)
PERMITS = "Building,Permit No,Permit Issued,Permit Status,Final Date,Description of Work\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("reports")
    workspace = folder / "workspace"

    def take(name, text):
        (folder / name).write_text(text, encoding="utf-8")
        result = run("intake", folder / name, "--workspace", workspace)
        assert result.code in (0, 3), result.err
        return result

    take("register.csv", REGISTER + "".join(f"B{n},1952,,2,8\n" for n in range(1, 7)))
    looks = [PASSED.format("B1,1,1"), PASSED.format("B1,1,2"), PASSED.format("B2,1,1")]
    looks += [OPENED.format("B2,1,1"), OPENED.format("B1,1,1")]
    take("looks.csv", LOOKS + "".join(looks))
    take(
        "complaints.csv",
        COMPLAINTS
        + "B1,1,C-1,2024-06-01,Closed,Tenant got a tingle from the stove\n"
        + "B2,1,C-2,2024-06-01,Open,shocked when plugging in the kettle\n"
        + "B3,,C-3,2024-06-01,Open,no shock but outlet loose\n"
        + "B4,,C-4,2024-06-01,Unfounded,electric shock in hall\n"
        + "B4,2,C-5,2024-06-02,Open,Bad smell in stairwell\n",
    )
    take(
        "violations.csv",
        VIOLATIONS
        + "B3,77001,2023-05-01,VIOLATION CLOSED,2023-09-01,1503,"
        + "ungrounded three prong outlets throughout\n"
        + "B5,77002,2023-05-01,Open,2023-05-01,1504,burnt outlet in 3rd story apartment\n",
    )
    take(
        "permits.csv",
        PERMITS
        + "B5,E-1,2001-03-01,Finaled,2001-09-09,Rewire building: replace all branch wiring\n"
        + "B4,E-3,2001-03-01,Expired,2001-09-09,Complete rewire of building\n"
        + "B6,E-2,2001-03-01,Finaled,2001-09-09,Rewire kitchen\n",
    )
    take(
        "orders.csv",
        "WO #,Bldg,Apt,Opened,WO Status,Brief Description,Tech Notes\n"
        "W-1,B6,2,2024-07-01,Cancelled,Kitchen outlet,outlet shocking tenant; no access\n"
        "W-2,B6,1,2024-07-02,Completed,Replace lamp in hall,\n",
    )
    assert run("build", "--workspace", workspace).code == 0
    return workspace


def said(place):
    return {r["reference"]: r for r in run("reports", "--workspace", place, "--json").json()}


def test_each_paper_is_read_as_what_its_headers_call_it(place):
    kinds = {reference: row["report_kind"] for reference, row in said(place).items()}
    assert kinds["C-1"] == "complaint" and kinds["77001"] == "citation" and kinds["E-1"] == "permit"
    assert kinds["W-1"] == "work_order" and len(kinds) == 12


def test_what_they_speak_of_follows_declared_rules(place):
    subjects = {reference: row["subject"] for reference, row in said(place).items()}
    assert subjects == {
        "C-1": "shock",
        "C-2": "shock",
        "C-3": "outlets",
        "C-4": "shock",
        "C-5": "other",
        "77001": "no_ground",
        "77002": "heat",
        "E-1": "rewiring",
        "E-2": "outlets",
        "E-3": "rewiring",
        "W-1": "shock",
        "W-2": "other",
    }


def test_a_shock_stays_urgent_until_every_box_of_the_unit_was_opened(place):
    """Closed on paper answers nothing; one box of two does not either; dismissed was no report."""
    urgent = {reference for reference, row in said(place).items() if row["urgent"]}
    assert urgent == {"C-1", "77002", "W-1"}
    assert said(place)["C-1"]["opened"] == 1 and said(place)["C-1"]["openings"] == 2
    assert said(place)["C-2"]["answered_on"] == "2025-02-01"
    shown = run("urgent", "--workspace", place)
    assert "tingle from the stove" in " ".join(shown.out.split())
    assert "1 of 2 recorded" in shown.out
    assert "3 reports" in run("urgent", "--workspace", place, "--json").err


def test_buildings_with_an_urgent_report_are_urgent(place):
    ranked = {r["building_id"]: r for r in run("rank", "--workspace", place, "--json").json()}
    assert [name for name, row in sorted(ranked.items()) if row["urgent"]] == ["B1", "B5", "B6"]
    assert ranked["B1"]["next_look"].startswith("Now: a qualified person to unit 1")
    assert "complaint" in " ".join(ranked["B1"]["reasons"])
    assert ranked["B1"]["next_look_value"] is None


def test_a_finished_permit_tells_a_rewiring_that_no_register_knows(place):
    quality = run("quality", "--workspace", place, "--json").json()
    assert {r["building_id"] for r in quality if r["kind"] == "rewired_by_permit"} == {"B5"}
    shown = run("building", "B5", "--workspace", place).out
    assert "2001" in shown
    assert "2001" not in run("building", "B6", "--workspace", place).out


def test_an_unread_column_of_danger_is_asked_about_by_a_name_that_keeps_it(tmp_path):
    file = tmp_path / "orders.csv"
    file.write_text(
        "WO #,Bldg,Opened,WO Status,Tenant Said,Brief Description\n"
        "W-9,B1,2024-07-01,Open,electric shock from the stove,Kitchen\n",
        encoding="utf-8",
    )
    workspace = tmp_path / "workspace"
    asked = run("intake", file, "--workspace", workspace)
    assert asked.code == 2 and "description=Tenant Said" in asked.err
    answer = ("--set", "description=Tenant Said")
    assert run("intake", file, *answer, "--workspace", workspace).code == 0
    assert run("build", "--workspace", workspace).code == 0
    (row,) = run("reports", "--workspace", workspace, "--json").json()
    assert row["urgent"] and "Kitchen" in row["description"] and "stove" in row["description"]


def test_what_they_report_becomes_findings_at_no_opening(place):
    """All but the dismissed and the answered; closed on paper is not repaired."""
    assert run("findings", "sync", "--workspace", place).code == 0
    listed = run("findings", "list", "--workspace", place, "--json").json()
    found = {
        (row["building_id"], row["unit_id"] or "", row["family"])
        for row in listed
        if not row["opening_id"] and not row["family"].startswith("record_conflict")
    }
    assert found == {
        ("B1", "1", "shock_reported"),
        ("B3", "", "no_ground"),
        ("B5", "", "heat_or_scorch"),
        ("B6", "2", "shock_reported"),
    }
    (closed,) = [row for row in listed if row["building_id"] == "B3"]
    shown = run("findings", "show", closed["finding_id"], "--workspace", place)
    assert "closed on paper on 2023-09-01" in " ".join(shown.out.split())
    assert run("findings", "progress", "--view", "curve", "--workspace", place).code == 0

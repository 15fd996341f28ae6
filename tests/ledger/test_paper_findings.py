"""What citations, complaints and work orders report becomes findings, by declared rules."""

import datetime as dt

import pytest
from ledger_samples import DAY, WHO, fix, look, moment
from warehouse_sample import Warehouse

from pipeline.ledger import current
from pipeline.ledger import events as ev
from pipeline.ledger.progress import time_to_proven_repair
from pipeline.ledger.sync import Synced, sync_findings
from shared.faults import CoverplateError

NOTHING = Synced(0, 0, 0, 0, 0, 0)


@pytest.fixture
def warehouse():
    made = Warehouse()
    yield made
    made.con.close()


def paper(warehouse, defect, days=0, **more):
    values = {
        "building_no": 0,
        "unit_id": "2A",
        "report_kind": "citation",
        "reference": f"V-{abs(days)}",
        "reported_on": DAY + dt.timedelta(days),
        "status": "open",
        "description": "three-slot outlets without a ground",
        "defect": defect,
    }
    warehouse.insert("paper_defects", **{**values, **more})


def on(days):
    return moment(DAY + dt.timedelta(days))


def only(ledger):
    (row,) = current(ledger).to_dict("records")
    return row


@pytest.mark.slow
def test_a_paper_raises_one_suspected_finding_at_no_opening(ledger, warehouse):
    paper(warehouse, "ungrounded", -40, status="corrected", status_on=DAY)
    paper(warehouse, "ungrounded", -10)
    assert sync_findings(warehouse.con, ledger) == Synced(1, 0, 0, 0, 0, 0)
    row = only(ledger)
    assert (row["unit_id"], row["opening_id"], row["family"]) == ("2A", "", "no_ground")
    assert (row["grade"], row["standing"]) == ("suspected", "reported")
    assert row["first_seen_on"].date() == DAY - dt.timedelta(40)
    note = ledger.finding(row["finding_id"]).raised.note
    assert f"corrected on paper on {DAY}" in note and "citation V-10" in note
    assert sync_findings(warehouse.con, ledger) == NOTHING
    assert ledger.verify() == []


def test_a_shock_on_paper_is_an_urgent_finding(ledger, warehouse):
    paper(warehouse, "shock_reported", report_kind="complaint", description="tenant shocked")
    sync_findings(warehouse.con, ledger)
    assert only(ledger)["family"] == "shock_reported"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"status": "dismissed"}, "dismissed"),
        ({"answered": True}, "every opening that the paper can mean was opened"),
    ],
)
@pytest.mark.parametrize("defect", ["ungrounded", "heat_or_scorch"])
def test_it_ends_where_the_paper_was_dismissed_or_answered(
    ledger, warehouse, change, reason, defect
):
    paper(warehouse, defect)
    sync_findings(warehouse.con, ledger)
    ((name, value),) = change.items()
    warehouse.con.execute(f"UPDATE paper_defects SET {name} = ?", [value])
    assert sync_findings(warehouse.con, ledger).withdrawn == 1
    row = only(ledger)
    assert row["treatment"] == "withdrawn"
    (last,) = [e for e in ledger.history(row["finding_id"]) if e.kind == "evidence_withdrawn"]
    assert reason in last.payload.reason
    assert sync_findings(warehouse.con, ledger) == NOTHING
    # a later paper brings it back
    paper(warehouse, defect, 9)
    assert sync_findings(warehouse.con, ledger).seen_again == 1


def test_papers_that_were_answered_before_raise_nothing(ledger, warehouse):
    paper(warehouse, "ungrounded", answered=True)
    paper(warehouse, "reversed", status="dismissed")
    assert sync_findings(warehouse.con, ledger) == NOTHING


def test_closed_on_paper_goes_on_without_proof_in_the_curve(ledger, warehouse):
    for number in range(4):
        paper(warehouse, "ungrounded", -30, unit_id=f"{number}A", status="closed", status_on=DAY)
    sync_findings(warehouse.con, ledger, at=on(0))
    curve = time_to_proven_repair(ledger, ledger.rule_book, now=on(400))["all"]
    assert (curve.number, curve.happened) == (4, 0) and curve.at(300) == 1.0


def test_no_single_look_proves_what_names_no_opening(ledger, warehouse):
    paper(warehouse, "false_ground")
    sync_findings(warehouse.con, ledger, at=on(0))
    finding = only(ledger)["finding_id"]
    ledger.append(finding, fix(), at=on(11), **WHO)
    proving = look("cover_off_inspection", "correct", 12)
    judged = ledger.judge.judge(ledger.finding(finding), proving)
    assert judged.verdict == "says_nothing" and "names no opening" in judged.reason
    with pytest.raises(CoverplateError):
        ledger.append(finding, ev.Verified(look=proving), at=on(13), **WHO)


def test_many_papers_of_one_unit_are_one_finding_whose_note_can_be_written(ledger, warehouse):
    for number in range(60):
        paper(warehouse, "ungrounded", -number, description="x" * 3_000)
    sync_findings(warehouse.con, ledger)
    note = ledger.finding(only(ledger)["finding_id"]).raised.note
    assert note.endswith("and 50 more") and len(note) < 4_000

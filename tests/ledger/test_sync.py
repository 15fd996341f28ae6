"""From evidence to findings and back to the score, on a warehouse of a few openings."""

import datetime as dt

import pytest
from ledger_samples import DAY, WHO, fix, look, moment
from warehouse_sample import Warehouse

from pipeline.ledger import State, current
from pipeline.ledger import events as ev
from pipeline.ledger.due import due
from pipeline.ledger.effects import unproven_fixes, verified_fixes
from pipeline.ledger.sync import Synced, sync_findings
from pipeline.ledger.worklist import work_list
from shared.faults import CoverplateError

NOTHING = Synced(0, 0, 0, 0, 0, 0)


@pytest.fixture
def warehouse():
    made = Warehouse()
    yield made
    made.con.close()


def states(ledger):
    frame = current(ledger)
    return dict(zip(frame["opening_id"], frame["state"], strict=True))


def test_confirmed_and_suspected_defects_are_raised_once(ledger, warehouse):
    warehouse.opening("K1", "false_ground", 0.95)
    warehouse.look("K1", "cover_off_inspection", "false_ground", -40)
    warehouse.look("K1", "three_lamp_tester", "correct", -10)
    warehouse.opening("K2", "ungrounded", 0.6, confirmed=False)
    warehouse.opening("K3", "false_ground", 0.49, confirmed=False)  # below the threshold
    warehouse.opening("K4", "false_ground", 0.9, confirmed=False, looked=False)  # nobody looked
    warehouse.opening("K5", "ungrounded", 0.99, slots="two_slot")  # as wired
    warehouse.opening("K6", "ungrounded", 0.99, gfci="yes", marking="both")  # allowed
    warehouse.opening("K7", "ungrounded", 0.99, gfci="yes")  # protected, not marked
    done = sync_findings(warehouse.con, ledger)
    assert done == Synced(3, 0, 0, 0, 0, 0)
    assert states(ledger) == {
        "K1": "confirmed_defect", "K2": "suspected_defect", "K7": "confirmed_defect",
    }  # fmt: skip
    (first,) = [row for row in current(ledger).to_dict("records") if row["opening_id"] == "K1"]
    assert first["first_seen_on"].date() == DAY - dt.timedelta(40)  # the look that pointed at it
    assert sync_findings(warehouse.con, ledger) == NOTHING
    assert ledger.verify() == []


@pytest.mark.slow
def test_a_later_look_makes_it_seen_again_and_confirms(ledger, warehouse):
    warehouse.opening("K1", "false_ground", 0.6, confirmed=False)
    sync_findings(warehouse.con, ledger)
    warehouse.look("K1", "cover_off_inspection", "reversed_false_ground", 5)
    warehouse.opening("K1", "reversed_false_ground", 0.97)
    assert sync_findings(warehouse.con, ledger).seen_again == 1
    (row,) = current(ledger).to_dict("records")
    assert (row["state"], row["condition"]) == ("confirmed_defect", "reversed_false_ground")
    assert row["last_seen_on"].date() == DAY + dt.timedelta(5)
    assert sync_findings(warehouse.con, ledger) == NOTHING


@pytest.mark.slow
def test_suspicion_is_withdrawn_but_not_called_repaired(ledger, warehouse):
    warehouse.opening("K1", "false_ground", 0.6, confirmed=False)
    warehouse.opening("K2", "false_ground", 0.6, confirmed=False)
    sync_findings(warehouse.con, ledger)
    frame = current(ledger).set_index("opening_id")
    ledger.append(frame.loc["K2", "finding_id"], ev.Assigned(firm="P"), **WHO)
    for opening in ("K1", "K2"):
        warehouse.opening(opening, "false_ground", 0.05, confirmed=False)
    assert sync_findings(warehouse.con, ledger).withdrawn == 1  # somebody works on K2
    assert states(ledger) == {"K1": "no_longer_indicated", "K2": "suspected_defect"}
    warehouse.opening("K1", "false_ground", 0.7, confirmed=False)
    assert sync_findings(warehouse.con, ledger).seen_again == 1
    assert states(ledger)["K1"] == "suspected_defect"


@pytest.mark.slow
def test_conflicts_between_records_come_and_go(ledger, warehouse):
    warehouse.insert("data_quality_findings", kind="sources_disagree", building_id="B2",
                     column="year_built", message="1950 or 1974")  # fmt: skip
    assert sync_findings(warehouse.con, ledger).raised == 1
    assert sync_findings(warehouse.con, ledger) == NOTHING
    (row,) = current(ledger).to_dict("records")
    assert row["state"] == "record_in_doubt"
    assert row["family"] == "record_conflict:sources_disagree:year_built"
    with pytest.raises(CoverplateError, match="conflict between records"):
        ledger.append(row["finding_id"], fix(), **WHO)
    warehouse.con.execute("DELETE FROM data_quality_findings")
    assert sync_findings(warehouse.con, ledger).withdrawn == 1
    assert current(ledger)["state"].tolist() == ["no_longer_indicated"]


@pytest.fixture
def reported(ledger, warehouse):
    warehouse.opening("K1", "false_ground", 0.95)
    warehouse.look("K1", "cover_off_inspection", "false_ground")
    sync_findings(warehouse.con, ledger)
    finding = current(ledger)["finding_id"].iloc[0]
    ledger.append(finding, fix(fixed_on=DAY + dt.timedelta(10)), **WHO)
    return finding


@pytest.mark.slow
def test_landed_looks_after_the_fix_are_judged(ledger, warehouse, reported):
    warehouse.look("K1", "cover_off_inspection", "correct", 10)  # same day: not after
    warehouse.look("K1", "three_lamp_tester", "correct", 12)  # cannot tell
    assert sync_findings(warehouse.con, ledger).verified == 0
    assert states(ledger)["K1"] == State.FIX_REPORTED_UNPROVEN
    warehouse.look("K1", "ground_impedance_meter", "correct", 15, ground_path_ohms=0.4)
    assert sync_findings(warehouse.con, ledger).verified == 1
    assert states(ledger)["K1"] == State.REPAIR_PROVEN
    event = ledger.history(reported)[-1]
    assert event.payload.look.observed_on == DAY + dt.timedelta(15)
    assert event.payload.look.ground_path_ohms == 0.4
    assert sync_findings(warehouse.con, ledger) == NOTHING


@pytest.mark.slow
def test_a_landed_look_that_finds_the_defect_disproves_the_fix(ledger, warehouse, reported):
    warehouse.look("K1", "cover_off_inspection", "false_ground", 14)
    done = sync_findings(warehouse.con, ledger)
    assert (done.verification_failed, done.verified) == (1, 0)
    assert states(ledger)["K1"] == State.FIX_DISPROVED


@pytest.mark.slow
def test_a_zero_reading_is_a_reading(ledger, warehouse, reported):
    warehouse.look("K1", "voltmeter_under_load", "correct", 14,
                   neutral_ground_volts=0.0, load_amps=12.0)  # fmt: skip
    assert sync_findings(warehouse.con, ledger).verification_failed == 1
    assert ledger.history(reported)[-2].payload.look.neutral_ground_volts == 0.0


@pytest.mark.slow
def test_a_defect_seen_after_a_proven_repair_is_a_recurrence_that_points_back(
    ledger, warehouse, reported
):
    warehouse.look("K1", "cover_off_inspection", "correct", 15)
    sync_findings(warehouse.con, ledger)
    assert sync_findings(warehouse.con, ledger) == NOTHING  # old evidence, warehouse not rebuilt
    warehouse.look("K1", "cover_off_inspection", "false_ground", 60)
    done = sync_findings(warehouse.con, ledger)
    assert (done.recurrences, done.raised) == (1, 0)
    frame = current(ledger).set_index("occurrence")
    assert frame.loc[1, "state"] == "repair_proven"
    assert frame.loc[2, "recurs_of"] == reported
    assert frame.loc[2, "first_seen_on"].date() == DAY + dt.timedelta(60)
    assert sync_findings(warehouse.con, ledger) == NOTHING


@pytest.mark.slow
def test_only_proven_repairs_are_told_to_the_score(ledger, warehouse, reported):
    assert verified_fixes(ledger).empty
    (row,) = unproven_fixes(ledger).to_dict("records")
    assert (row["opening_id"], row["leaves_condition"]) == ("K1", "grounded")
    warehouse.look("K1", "cover_off_inspection", "correct", 15)
    sync_findings(warehouse.con, ledger)
    assert unproven_fixes(ledger).empty
    (row,) = verified_fixes(ledger).to_dict("records")
    assert (row["building_id"], row["unit_id"], row["opening_id"]) == ("B1", "2A", "K1")
    assert row["fixed_on"].date() == DAY + dt.timedelta(10)
    assert row["verified_on"].date() == DAY + dt.timedelta(15)


def test_regulation_and_moment_are_written_down(ledger, warehouse):
    warehouse.opening("K1", "false_ground", 0.95)
    at = moment(DAY + dt.timedelta(2))
    sync_findings(warehouse.con, ledger, regulation="us_public_housing", at=at)
    (row,) = current(ledger).to_dict("records")
    assert row["regulation"] == "us_public_housing"
    assert row["raised_at"].to_pydatetime() == at.replace(tzinfo=None)
    with pytest.raises(CoverplateError, match="no regulation"):
        sync_findings(warehouse.con, ledger, regulation="moon")


@pytest.mark.slow
def test_closed_on_paper_and_seen_again_is_shown(ledger, warehouse):
    warehouse.opening("K1", "false_ground", 0.95)
    sync_findings(warehouse.con, ledger)
    finding = current(ledger)["finding_id"].iloc[0]
    ledger.append(finding, ev.Dismissed(reason="case closed"), **WHO)
    assert not current(ledger)["seen_since_set_aside"].iloc[0]
    assert sync_findings(warehouse.con, ledger) == NOTHING
    warehouse.opening("K1", "false_ground", 0.95, confirmed=False)
    warehouse.look("K1", "three_lamp_tester", "hot_neutral_reversed", 30)
    warehouse.look("K1", "cover_off_inspection", "false_ground", 20)
    done = sync_findings(warehouse.con, ledger)
    assert (done.seen_again, done.reopened) == (1, 0)
    (row,) = current(ledger).to_dict("records")
    assert (row["state"], row["seen_since_set_aside"]) == ("set_aside_unrepaired", True)


@pytest.mark.slow
@pytest.mark.parametrize("plainly", [False, True], ids=["confirmed", "urgent"])
def test_what_is_plainly_seen_after_it_was_closed_on_paper_is_open_again(
    ledger, warehouse, plainly
):
    warehouse.opening("K1", "false_ground", 0.95)
    sync_findings(warehouse.con, ledger)
    finding = current(ledger)["finding_id"].iloc[0]
    ledger.append(finding, ev.Dismissed(reason="torn down"), **WHO)
    if plainly:
        warehouse.opening("K1", "false_ground", 0.95, confirmed=False)
        warehouse.urgent("K1", "reversed_false_ground", 30)
    else:
        warehouse.look("K1", "cover_off_inspection", "false_ground", 30)
    done = sync_findings(warehouse.con, ledger)
    assert (done.seen_again, done.reopened) == (1, 1)
    (row,) = current(ledger).to_dict("records")
    assert (row["state"], row["open"]) == ("confirmed_defect", True)
    assert row["condition"] == ("reversed_false_ground" if plainly else "false_ground")
    assert ledger.verify() == []
    ledger.append(finding, ev.Dismissed(reason="seen, and torn down since"), **WHO)
    assert sync_findings(warehouse.con, ledger) == NOTHING


@pytest.mark.slow
def test_what_was_plainly_reported_is_raised_as_said_however_improbable(ledger, warehouse):
    warehouse.opening("K1", "grounded", 0.97, confirmed=False)
    warehouse.urgent("K1", "reversed_false_ground", standing="measured")
    assert sync_findings(warehouse.con, ledger) == Synced(1, 0, 0, 0, 0, 0)
    (row,) = current(ledger).to_dict("records")
    assert (row["family"], row["condition"]) == ("false_ground", "reversed_false_ground")
    assert (row["state"], row["standing"]) == ("suspected_defect", "measured")
    assert row["probability"] < ledger.rule_book.ledger.withdraw_probability.value
    (event,) = ledger.history(row["finding_id"])
    assert event.payload.note == "said to be reversed_false_ground"
    assert sync_findings(warehouse.con, ledger) == NOTHING
    (dated,) = due(ledger, ledger.rule_book).to_dict("records")
    assert dated["severity_class"] == "life_threatening"
    # Cleared by a later look that is able to tell: no longer indicated, and not called repaired.
    warehouse.con.execute("UPDATE live_metal_looks SET cleared_by = 'look'")
    assert sync_findings(warehouse.con, ledger).withdrawn == 1
    assert states(ledger) == {"K1": "no_longer_indicated"}


@pytest.mark.slow
def test_a_finding_that_stood_becomes_what_was_reported(ledger, warehouse):
    warehouse.opening("K1", "false_ground", 0.9)
    sync_findings(warehouse.con, ledger)
    warehouse.opening("K1", "false_ground", 0.9, standing="reported")
    warehouse.urgent("K1", "reversed_false_ground", standing="reported")
    assert sync_findings(warehouse.con, ledger).seen_again == 1
    (row,) = current(ledger).to_dict("records")
    assert (row["condition"], row["standing"]) == ("reversed_false_ground", "reported")
    assert sync_findings(warehouse.con, ledger) == NOTHING


@pytest.mark.slow
@pytest.mark.parametrize(
    "defect", ["live_metal", "shock_reported", "heat_or_scorch", "abnormal_voltage"]
)
def test_what_is_urgent_and_no_condition_of_the_wiring_is_a_finding_of_its_own(
    ledger, warehouse, defect
):
    warehouse.opening("K1", "grounded", 0.97, confirmed=False)
    warehouse.urgent("K1", defect)
    assert sync_findings(warehouse.con, ledger).raised == 1
    (row,) = due(ledger, ledger.rule_book).to_dict("records")
    assert (row["family"], row["severity_class"]) == (defect, "life_threatening")
    assert row["condition"] is None or row["condition"] != row["condition"]
    (line,) = work_list(ledger, ledger.rule_book).to_dict("records")
    assert (line["condition"], line["accepted_remedies"]) == (defect, "")
    with pytest.raises(CoverplateError, match="no condition that a remedy could answer"):
        ledger.append(row["finding_id"], fix(), **WHO)
    ledger.append(row["finding_id"], ev.Assigned(firm="P"), **WHO)
    assert sync_findings(warehouse.con, ledger) == NOTHING
    warehouse.con.execute("UPDATE live_metal_looks SET cleared_by = 'look'")
    assert sync_findings(warehouse.con, ledger).withdrawn == 1
    assert states(ledger) == {"K1": "no_longer_indicated"}
    warehouse.urgent("K1", defect, 9)
    assert sync_findings(warehouse.con, ledger).seen_again == 1
    assert states(ledger) == {"K1": "suspected_defect"}


@pytest.mark.slow
def test_live_metal_reported_after_a_proven_repair_is_a_recurrence(ledger, warehouse, reported):
    warehouse.look("K1", "cover_off_inspection", "correct", 15)
    sync_findings(warehouse.con, ledger)
    warehouse.opening("K1", "grounded", 0.97, confirmed=False)
    warehouse.urgent("K1", "reversed_false_ground", 15)  # not later than the proof
    assert sync_findings(warehouse.con, ledger) == NOTHING
    warehouse.urgent("K1", "reversed_false_ground", 20)
    assert sync_findings(warehouse.con, ledger).recurrences == 1


def proven(ledger, warehouse, finding, remedy="grounding_conductor_added", **more):
    """A repair of K1 proven on the fifteenth day."""
    markings = ("no_equipment_ground",) if remedy == "gfci_type_marked" else ()
    if remedy != "grounding_conductor_added":
        ledger.append(finding, fix(remedy, DAY + dt.timedelta(10), markings=markings), **WHO)
    result = "open_ground" if remedy == "gfci_type_marked" else "correct"
    warehouse.look("K1", "cover_off_inspection", result, 15, **more)
    assert sync_findings(warehouse.con, ledger).verified == 1
    warehouse.opening("K1", "false_ground", 0.02, confirmed=False)


PROTECTED = {"gfci_protected": "yes", "gfci_button_tripped": "yes",
             "marking": "no_equipment_ground"}  # fmt: skip

LATER_LOOKS = [
    # remedy, method, result, day, what else it says, grade of the recurrence
    (False, "voltmeter_under_load", "false_ground", 60, {}, "confirmed"),
    (False, "neutral_lifted_test", "false_ground_upstream", 60, {}, "confirmed"),
    (False, "cover_off_inspection", "hot_neutral_reversed", 60, {"polarity": "reversed"},
     "confirmed"),
    (False, "three_lamp_tester", "open_ground", 60, {}, "suspected"),
    (False, "three_lamp_tester", "hot_neutral_reversed", 60, {}, "suspected"),
    (False, "ground_impedance_meter", "correct", 60, {"ground_path_ohms": 500}, "confirmed"),
    (False, "ground_impedance_meter", "poor_ground", 60, {"ground_path_ohms": 50}, "confirmed"),
    (False, "visual", "correct", 60, {"heat_or_scorch": "yes"}, "suspected"),
    # on the day of the proof: which came first nobody knows
    (False, "cover_off_inspection", "false_ground", 15, {"neutral_ground_jumper": "yes",
     "inspector": "Bo"}, "confirmed"),
    (True, "cover_off_inspection", "open_ground", 60, {"gfci_protected": "no"}, "confirmed"),
    (True, "cover_off_inspection", "open_ground", 60, {**PROTECTED, "gfci_button_tripped": "no"},
     "confirmed"),
    (True, "three_lamp_tester", "open_ground", 60, {"gfci_protected": "no"}, "suspected"),
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(("gfci", "method", "result", "day", "more", "grade"), LATER_LOOKS)
def test_what_would_have_disproved_a_repair_is_a_recurrence_after_its_proof(
    ledger, warehouse, reported, gfci, method, result, day, more, grade
):
    if gfci:
        proven(ledger, warehouse, reported, "gfci_type_marked", **PROTECTED)
    else:
        proven(ledger, warehouse, reported)
    assert sync_findings(warehouse.con, ledger) == NOTHING
    assert len(verified_fixes(ledger)) == 1
    warehouse.look("K1", method, result, day, complete=False, **more)
    assert sync_findings(warehouse.con, ledger).recurrences == 1
    frame = current(ledger).set_index("occurrence")
    assert frame.loc[2, "recurs_of"] == reported
    assert (frame.loc[2, "grade"], frame.loc[2, "treatment"]) == (grade, "none")
    # it counts as repaired no longer, and nothing takes the recurrence off
    assert verified_fixes(ledger).empty
    assert sync_findings(warehouse.con, ledger).withdrawn == 0
    assert current(ledger).set_index("occurrence").loc[2, "treatment"] == "none"


@pytest.mark.slow
def test_a_ground_that_lamps_show_where_a_proven_repair_left_none_is_a_recurrence(
    ledger, warehouse, reported
):
    proven(ledger, warehouse, reported, "gfci_type_marked", **PROTECTED)
    warehouse.look("K1", "three_lamp_tester", "correct", 60)
    assert sync_findings(warehouse.con, ledger).recurrences == 1
    again = ledger.finding(current(ledger).set_index("occurrence").loc[2, "finding_id"])
    assert again.grade == "suspected"
    assert "grounding conductor or a jumper" in str(again.raised.note)
    assert sync_findings(warehouse.con, ledger) == NOTHING


@pytest.mark.slow
def test_a_real_ground_found_with_the_box_open_after_it_is_none(ledger, warehouse, reported):
    proven(ledger, warehouse, reported, "gfci_type_marked", **PROTECTED)
    warehouse.look("K1", "cover_off_inspection", "correct", 60, **PROTECTED)
    assert sync_findings(warehouse.con, ledger).recurrences == 0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("gfci", "method", "result", "more"),
    [
        (False, "three_lamp_tester", "correct", {}),
        (False, "cover_off_inspection", "correct", {}),
        (False, "cover_off_inspection", "not_accessible", {}),
        (False, "ground_impedance_meter", "correct", {"ground_path_ohms": 0.5}),
        (True, "three_lamp_tester", "open_ground", {}),
        (True, "cover_off_inspection", "open_ground", PROTECTED),
    ],
)
def test_a_look_that_agrees_with_a_proven_repair_raises_nothing(
    ledger, warehouse, reported, gfci, method, result, more
):
    if gfci:
        proven(ledger, warehouse, reported, "gfci_type_marked", **PROTECTED)
    else:
        proven(ledger, warehouse, reported)
    warehouse.look("K1", method, result, 60, **more)
    done = sync_findings(warehouse.con, ledger)
    assert (done.recurrences, done.raised) == (0, 0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("method", "result", "family"),
    [
        ("neutral_lifted_test", "false_ground_upstream", "false_ground_upstream"),
        ("ground_impedance_meter", "poor_ground", "poor_ground"),
        ("cover_off_inspection", "hot_neutral_reversed", "polarity"),
    ],
)
def test_what_an_able_look_names_is_raised_whatever_its_probability(
    ledger, warehouse, method, result, family
):
    warehouse.opening("K1", "grounded", 0.9, confirmed=False)
    warehouse.look("K1", method, result)
    sync_findings(warehouse.con, ledger)
    frame = current(ledger).set_index("family")
    assert frame.loc[family, "state"] == State.SUSPECTED_DEFECT
    # a later look that is able to tell and says otherwise leaves it to the probability
    warehouse.look("K1", "neutral_lifted_test", "correct", 30)
    assert sync_findings(warehouse.con, ledger).withdrawn == 1


@pytest.mark.slow
def test_an_opening_left_ungrounded_by_a_proven_repair_is_not_raised_for_want_of_a_ground(
    ledger, warehouse, reported
):
    proven(ledger, warehouse, reported, "gfci_type_marked", **PROTECTED)
    warehouse.opening("K1", "ungrounded", 0.98, confirmed=False)
    assert sync_findings(warehouse.con, ledger) == NOTHING
    # another one, of which nothing of the kind was proven, is
    warehouse.opening("K2", "ungrounded", 0.98, confirmed=False)
    assert sync_findings(warehouse.con, ledger).raised == 1


@pytest.mark.slow
def test_what_a_look_named_before_a_proven_repair_is_not_raised_after_it(ledger, warehouse):
    warehouse.opening("K1", "reversed_ungrounded", 0.95)
    warehouse.look("K1", "cover_off_inspection", "hot_neutral_reversed", polarity="reversed")
    sync_findings(warehouse.con, ledger)
    finding = current(ledger).set_index("family").loc["no_ground", "finding_id"]
    ledger.append(finding, fix("circuit_rewired", DAY + dt.timedelta(10)), **WHO)
    ledger.record_look(finding, look("cover_off_inspection", "correct", 12), **WHO)
    warehouse.opening("K1", "grounded", 0.97, confirmed=False)
    assert sync_findings(warehouse.con, ledger) == NOTHING

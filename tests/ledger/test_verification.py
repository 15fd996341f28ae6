"""Which remedy is a fix, and which look proves it. NEC articles: quoted, see the rule book."""

import datetime as dt

import pytest
from ledger_samples import DAY, READINGS, WHO, fix, look, raised

from pipeline.ledger import State
from pipeline.ledger.events import Dismissed, Reopened, SeenAgain
from pipeline.ledger.families import FAMILY
from pipeline.ledger.remedies import allowed_remedies, why_refused
from shared.faults import CoverplateError
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book
from shared.vocabulary import OPEN_BOX_METHODS, Condition, Marking, Method, Slots

pytestmark = pytest.mark.slow


BOOK = load_rule_book()
DEFECTS = [condition for condition in Condition if condition is not Condition.GROUNDED]
THREE, TWO = Slots.THREE_SLOT, Slots.TWO_SLOT


def reported(ledger, condition, remedy, slots="three_slot", markings=None):
    finding = ledger.raise_finding(
        raised(condition=condition, family=FAMILY[Condition(condition)].value, slots=slots), **WHO
    ).finding_id
    marks = BOOK.remedies[remedy].markings if markings is None else markings
    ledger.append(finding, fix(remedy, markings=marks), **WHO)
    return ledger.finding(finding)


def test_the_replacements_where_there_is_no_ground_follow_the_three_published_ones():
    # NEC 406.4(D)(2) (a), (b), (c) [quoted]: non-grounding type; GFCI type marked "No Equipment
    # Ground"; grounding type through a GFCI, marked "GFCI Protected" and "No Equipment Ground".
    by_rule = {remedy.rule: remedy for remedy in BOOK.remedies.values()}
    assert by_rule["NEC 406.4(D)(2)(a)"].slots_after == "two_slot"
    assert by_rule["NEC 406.4(D)(2)(b)"].markings == (Marking.NO_EQUIPMENT_GROUND,)
    assert set(by_rule["NEC 406.4(D)(2)(c)"].markings) == {
        Marking.NO_EQUIPMENT_GROUND, Marking.GFCI_PROTECTED,
    }  # fmt: skip
    for remedy in BOOK.remedies.values():
        assert "placeholder" in remedy.cost_typical.source
        assert remedy.done_by


FURTHER_UP = ("false_ground_upstream", "reversed_false_ground_upstream")


@pytest.mark.parametrize("condition", DEFECTS)
def test_every_defect_has_a_remedy_and_a_method_that_can_prove_it(ledger, condition):
    allowed = allowed_remedies(BOOK, condition, THREE)
    assert allowed
    for name in allowed:
        opening = raised(f"X-{name}", condition.value, FAMILY[condition].value)
        finding = ledger.raise_finding(opening, **WHO).finding_id
        ledger.append(finding, fix(name, markings=allowed[name].markings), **WHO)
        proves = ledger.judge.capable(ledger.finding(finding))
        # One open box cannot settle what the wire meets further up, nor, without a measurement, how
        # good a path is. Computed from the circuit model, see the tests of the evidence.
        sound = allowed[name].leaves[condition] is Condition.GROUNDED
        beyond_one_box = sound and condition.value in FURTHER_UP
        assert (Method.COVER_OFF_INSPECTION in proves) != beyond_one_box
        assert Method.NEUTRAL_LIFTED_TEST in proves
        assert Method.VISUAL not in proves
        # The lamps show "correct" at a jumper, and nothing of polarity where there is no ground.
        assert Method.THREE_LAMP_TESTER not in proves
        if not sound:
            # without a ground, which conductor is hot can only be seen in the box
            assert set(proves) == set(OPEN_BOX_METHODS)


@pytest.mark.parametrize("condition", DEFECTS)
def test_an_exchanged_receptacle_is_never_a_fix(condition):
    assert why_refused(BOOK.remedies["receptacle_swapped"], condition, THREE)


@pytest.mark.parametrize("condition", [c for c in DEFECTS if c is not Condition.UNGROUNDED])
def test_protection_alone_never_answers_more_than_a_missing_ground(condition):
    assert why_refused(BOOK.remedies["protection_added_only"], condition, THREE)


def test_a_three_slot_receptacle_left_ungrounded_is_refused_with_the_reason():
    reason = why_refused(BOOK.remedies["conductors_put_right"], Condition.FALSE_GROUND, THREE)
    assert reason.startswith("a three-slot receptacle is left ungrounded, unprotected and without")
    assert why_refused(BOOK.remedies["conductors_put_right"], Condition.REVERSED, THREE) is None


@pytest.mark.parametrize(
    ("remedy", "markings"),
    [("gfci_type_marked", ()), ("gfci_upstream_marked", ("no_equipment_ground",)),
     ("gfci_upstream_marked", ("gfci_protected",))],
)  # fmt: skip
def test_a_missing_marking_is_refused(ledger, remedy, markings):
    finding = ledger.raise_finding(raised(), **WHO).finding_id
    with pytest.raises(CoverplateError, match="needs the marking"):
        ledger.append(finding, fix(remedy, markings=markings), **WHO)
    assert ledger.finding(finding).state is State.CONFIRMED_DEFECT


PROTECTED = {"gfci_protected": "yes", "gfci_button_tripped": "yes", "marking": "both"}
PROTECTED_NEC_B = {**PROTECTED, "marking": "no_equipment_ground"}
COVER, METER = "cover_off_inspection", "ground_impedance_meter"
TWO_SEEN = {"slots": "two_slot"}

CASES = [
    # condition before, remedy, method, result, other facts of the look, verdict
    ("false_ground", "grounding_conductor_added", "three_lamp_tester", "correct", {}, None),
    ("false_ground", "grounding_conductor_added", "visual", "correct", {}, None),
    ("false_ground", "grounding_conductor_added", METER, "correct", {}, True),
    ("false_ground", "grounding_conductor_added", METER, "correct",
     {"ground_path_ohms": None}, None),
    ("false_ground", "grounding_conductor_added", METER, "correct",
     {"ground_path_ohms": 60}, False),
    ("false_ground", "grounding_conductor_added", METER, "correct",
     {"ground_path_ohms": 1.2}, False),
    # volts under load tell a jumper, not how good the path is
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct", {}, None),
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct",
     {"ground_path_ohms": 0.2}, True),
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct",
     {"neutral_ground_volts": None, "load_amps": None, "ground_path_ohms": 0.2}, None),
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct",
     {"neutral_ground_volts": 0.02, "load_amps": 0.5, "ground_path_ohms": 0.2}, None),
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct",
     {"neutral_ground_volts": 0.02, "load_amps": 12}, False),
    ("false_ground", "grounding_conductor_added", COVER, "correct", {}, True),
    ("false_ground", "grounding_conductor_added", COVER, "correct",
     {"ground_path_ohms": None}, None),
    ("false_ground", "grounding_conductor_added", COVER, "correct",
     {"ground_path_ohms": 60}, False),
    *(("false_ground", "grounding_conductor_added", COVER, "correct", {column: None}, None)
      for column in ("cover_removed", "ground_present", "neutral_ground_jumper", "polarity",
                     "inspector")),
    ("false_ground", "grounding_conductor_added", COVER, "correct", {"cover_removed": "no"}, None),
    *(("false_ground", "grounding_conductor_added", COVER, "correct", said, False)
      for said in ({"neutral_ground_jumper": "yes"}, {"polarity": "reversed"},
                   {"ground_present": "no"}, {"heat_or_scorch": "yes"}, {"shock_reported": "yes"},
                   {"non_contact_detector": "yes"}, {"plate_earth_volts": 118})),
    # its own word is shown, whatever the answers beside it
    *(("false_ground", "grounding_conductor_added", method, result,
       {**READINGS[method, "correct"], "ground_path_ohms": 0.2}, False)
      for method, result in (
          ("voltmeter_under_load", "reversed_false_ground"),
          ("voltmeter_under_load", "false_ground"), (COVER, "hot_neutral_reversed"),
          (COVER, "open_ground"), ("neutral_lifted_test", "false_ground_upstream"),
          (METER, "poor_ground"), ("visual", "false_ground"))
      if (method, "correct") in READINGS),
    *(("false_ground", "grounding_conductor_added", method, result,
       {**READINGS[method, "correct"], "ground_path_ohms": 0.2}, None)
      for method in ("voltmeter_under_load", COVER, METER)
      for result in ("not_tested", "not_accessible", "no_power")),
    ("false_ground", "grounding_conductor_added", COVER, "correct",
     {"neutral_ground_volts": 50, "load_amps": 10}, False),
    ("false_ground", "grounding_conductor_added", COVER, "correct",
     {"hot_neutral_volts": 240}, False),
    ("false_ground", "grounding_conductor_added", COVER, "correct", {"hot_neutral_volts": 0}, None),
    ("false_ground", "grounding_conductor_added", COVER, "correct", {"ground_path_ohms": 0}, None),
    ("false_ground", "grounding_conductor_added", COVER, "correct",
     {"ground_path_ohms": 1.0}, False),
    ("false_ground", "grounding_conductor_added", COVER, "correct",
     {"ground_path_ohms": 0.99}, True),
    ("false_ground", "grounding_conductor_added", COVER, "false_ground", {}, False),
    ("false_ground", "grounding_conductor_added", "three_lamp_tester", "open_ground", {}, False),
    ("false_ground", "grounding_conductor_added", COVER, "not_accessible", {}, None),
    # lamps see an open ground, but a jumper would light them just the same as a real ground
    ("ungrounded", "grounding_conductor_added", "three_lamp_tester", "correct", {}, None),
    ("ungrounded", "grounding_conductor_added", COVER, "correct", {}, True),
    ("ungrounded", "circuit_rewired", METER, "correct", {"ground_path_ohms": 0.3}, True),
    ("poor_ground", "circuit_rewired", METER, "correct", {"ground_path_ohms": 0.3}, True),
    # with the jumper gone the lamps show an open ground, whichever way round the conductors are
    ("false_ground", "gfci_upstream_marked", "three_lamp_tester", "open_ground", PROTECTED, None),
    ("reversed_false_ground", "gfci_upstream_marked", "three_lamp_tester", "open_ground",
     PROTECTED, None),
    ("false_ground", "gfci_upstream_marked", "three_lamp_tester", "correct", PROTECTED, None),
    ("false_ground", "gfci_upstream_marked", COVER, "open_ground", PROTECTED, True),
    ("reversed_false_ground", "gfci_upstream_marked", COVER, "open_ground", PROTECTED, True),
    ("reversed_false_ground", "gfci_upstream_marked", COVER, "open_ground",
     {**PROTECTED, "polarity": "reversed"}, False),
    ("false_ground", "gfci_upstream_marked", COVER, "open_ground", {}, None),
    ("false_ground", "gfci_upstream_marked", COVER, "open_ground", PROTECTED_NEC_B, False),
    ("false_ground", "gfci_upstream_marked", COVER, "open_ground",
     {"gfci_protected": "no", "marking": "both"}, False),
    ("ungrounded", "gfci_type_marked", "three_lamp_tester", "open_ground", PROTECTED_NEC_B, None),
    ("ungrounded", "gfci_type_marked", COVER, "open_ground", PROTECTED_NEC_B, True),
    # a plug-in tester's button trips no GFCI where there is no ground: its own has to be pressed
    ("ungrounded", "gfci_type_marked", COVER, "open_ground",
     {"gfci_protected": "yes", "marking": "no_equipment_ground"}, None),
    ("ungrounded", "gfci_type_marked", COVER, "open_ground",
     {**PROTECTED_NEC_B, "gfci_button_tripped": "no"}, False),
    ("ungrounded", "gfci_type_marked", "visual", "correct", PROTECTED_NEC_B, None),
    ("ungrounded", "two_slot_again", "visual", "correct", TWO_SEEN, None),
    ("ungrounded", "two_slot_again", "visual", "correct", {"slots": "three_slot"}, False),
    ("ungrounded", "two_slot_again", COVER, "open_ground", TWO_SEEN, True),
    ("ungrounded", "two_slot_again", COVER, "open_ground", {}, None),
    ("ungrounded", "two_slot_again", "voltmeter_under_load", "open_ground",
     {**TWO_SEEN, "neutral_ground_volts": 60, "load_amps": 0.1}, None),
    ("false_ground", "two_slot_again", "visual", "correct", TWO_SEEN, None),
    ("false_ground", "two_slot_again", "three_lamp_tester", "open_ground", TWO_SEEN, None),
    ("false_ground", "two_slot_again", COVER, "open_ground",
     {**TWO_SEEN, "neutral_ground_jumper": "yes"}, False),
    ("reversed", "conductors_put_right", "three_lamp_tester", "hot_neutral_reversed", {}, False),
    ("reversed", "conductors_put_right", "three_lamp_tester", "correct", {}, None),
    ("reversed", "conductors_put_right", COVER, "correct", {}, True),
    # the path was not touched: how good it is need not be measured
    ("reversed", "conductors_put_right", COVER, "correct", {"ground_path_ohms": None}, True),
    ("open_neutral", "conductor_joined_again", COVER, "correct", {}, True),
    ("open_neutral", "conductor_joined_again", COVER, "no_power", {}, None),
    ("hot_on_ground", "conductors_put_right", "three_lamp_tester", "hot_ground_reversed",
     {}, False),
    ("hot_on_ground", "conductors_put_right", COVER, "correct", {}, True),
]  # fmt: skip


def test_a_capable_look_that_lacks_something_is_told_to_be_completed(ledger):
    finding = reported(ledger, "false_ground", "grounding_conductor_added")
    with pytest.raises(CoverplateError) as refusal:
        ledger.record_look(finding.finding_id, look(COVER, "correct", inspector=None), **WHO)
    assert "write down what is missing" in refusal.value.to_do


@pytest.mark.parametrize(("condition", "remedy", "method", "result", "facts", "proven"), CASES)
def test_what_a_look_after_the_fix_proves(ledger, condition, remedy, method, result, facts, proven):
    finding = reported(ledger, condition, remedy)
    seen = look(method, result, **facts)
    if proven is None:
        with pytest.raises(CoverplateError) as refusal:
            ledger.record_look(finding.finding_id, seen, **WHO)
        assert "stays reported, unproven" in refusal.value.found
        assert "cover_off_inspection" in refusal.value.expected
        assert ledger.finding(finding.finding_id).state is State.FIX_REPORTED_UNPROVEN
        return
    event = ledger.record_look(finding.finding_id, seen, **WHO)
    assert event.kind == ("verified" if proven else "verification_failed")


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"inspector": "D. Orme"}, "may be who did the work"),
        ({"inspector": "Orme, Dorothea"}, "may be who did the work"),
        ({"inspector": "ORME"}, "may be who did the work"),
        ({"inspector": "Pellworth Electric"}, "may be who did the work"),
        ({"inspector": "D. Armstrong"}, None),
        ({"inspector": "S. Orme"}, None),
    ],
)
def test_nobody_proves_their_own_repair(ledger, said, why):
    finding = reported(ledger, "false_ground", "grounding_conductor_added")
    seen = look(COVER, **said)
    if why is None:
        assert ledger.record_look(finding.finding_id, seen, **WHO).kind == "verified"
        return
    with pytest.raises(CoverplateError, match=why):
        ledger.record_look(finding.finding_id, seen, **WHO)


@pytest.mark.parametrize(
    "note",
    ["bootleg jumper still in place", "False ground", "no ground wire in box",
     "hot/neutral swapped", "cover was not removed", "work not finished, wires hanging loose",
     "did not test", "tingle when touching", "copied from last year", "GFCI won't trip"],
)  # fmt: skip
def test_a_look_proves_nothing_against_its_own_note(ledger, note):
    finding = reported(ledger, "false_ground", "grounding_conductor_added").finding_id
    with pytest.raises(CoverplateError, match="its own note tells of danger"):
        ledger.record_look(finding, look(COVER, note=note), **WHO)
    assert ledger.finding(finding).state is State.FIX_REPORTED_UNPROVEN
    agrees = look(COVER, note="no bootleg, not reversed; new grounding conductor, lug tight")
    assert ledger.record_look(finding, agrees, **WHO).kind == "verified"


def test_a_note_that_there_is_no_ground_agrees_with_a_repair_that_leaves_none(ledger):
    finding = reported(ledger, "ungrounded", "gfci_type_marked").finding_id
    said = {"gfci_protected": "yes", "gfci_button_tripped": "yes", "marking": "both"}
    live = look(COVER, "open_ground", note="No ground wire in box, jumper seen", **said)
    with pytest.raises(CoverplateError, match="its own note tells of danger"):
        ledger.record_look(finding, live, **WHO)
    seen = look(COVER, "open_ground", note="No ground wire in box, label is on the plate", **said)
    assert ledger.record_look(finding, seen, **WHO).kind == "verified"


@pytest.mark.parametrize(
    ("firm", "fixed_by", "worker", "proves"),
    [
        (None, "Pellworth Electric", None, False),
        ("unknown", "Pellworth Electric", None, False),
        ("Pellworth Electric", "Pellworth Electric", None, False),
        ("PELLWORTH", "Pellworth Electric", None, False),
        ("Quillmarsh", "unknown", None, False),
        ("Quillmarsh", "Pellworth Electric", None, True),
        ("Quillmarsh", "Pellworth Electric", "unknown", True),
    ],
)
def test_where_nobody_says_who_did_the_work_another_firm_has_to_look(
    ledger, firm, fixed_by, worker, proves
):
    finding = ledger.raise_finding(raised(), **WHO).finding_id
    ledger.append(finding, fix(worker=worker, firm=fixed_by), **WHO)
    seen = look(COVER, firm_of_inspector=firm)
    if proves:
        assert ledger.record_look(finding, seen, **WHO).kind == "verified"
        return
    with pytest.raises(CoverplateError, match="does not say who did the work"):
        ledger.record_look(finding, seen, **WHO)
    ledger.append(finding, fix(worker="D. Orme", firm=fixed_by), **WHO)
    assert ledger.record_look(finding, seen, **WHO).kind == "verified"


def test_a_fix_from_before_the_last_look_that_saw_the_defect_is_refused(ledger):
    later = DAY + dt.timedelta(days=20)
    finding = ledger.raise_finding(raised(pointed_on=later, last_seen_on=later), **WHO).finding_id
    with pytest.raises(CoverplateError, match="last seen on 2025-03-23"):
        ledger.append(finding, fix(), **WHO)
    ledger.append(finding, fix(fixed_on=later), **WHO)


def test_a_look_from_before_the_last_sighting_proves_nothing(ledger):
    finding = reported(ledger, "false_ground", "grounding_conductor_added").finding_id
    seen = DAY + dt.timedelta(days=14)
    again = SeenAgain(grade="confirmed", condition="false_ground", seen_on=seen, pointed_on=seen)
    ledger.append(finding, again, **WHO)
    for days in (12, 14):
        with pytest.raises(CoverplateError, match="the defect was last seen on 2025-03-17"):
            ledger.record_look(finding, look(COVER, days=days), **WHO)
    assert ledger.record_look(finding, look(COVER, days=15), **WHO).kind == "verified"


def test_what_has_not_come_yet_proves_nothing(ledger):
    moment = dt.datetime(2025, 3, 20, 12, tzinfo=dt.UTC)
    finding = ledger.raise_finding(raised(), at=moment, **WHO).finding_id
    with pytest.raises(CoverplateError, match="a day in the future"):
        ledger.append(finding, fix(fixed_on=dt.date(2025, 3, 22)), at=moment, **WHO)
    ledger.append(finding, fix(), at=moment, **WHO)
    with pytest.raises(CoverplateError, match="in the future"):
        ledger.record_look(finding, look(COVER, days=19), at=moment, **WHO)
    tomorrow = (dt.date.today() - DAY).days + 1
    with pytest.raises(CoverplateError, match="in the future"):
        ledger.record_look(finding, look(COVER, days=tomorrow), **WHO)


@pytest.mark.parametrize("days", [-3, 0, 10])
def test_a_look_from_before_the_reported_fix_proves_nothing(ledger, days):
    finding = reported(ledger, "false_ground", "grounding_conductor_added")
    with pytest.raises(CoverplateError, match="the fix was reported done on"):
        ledger.record_look(finding.finding_id, look("cover_off_inspection", days=days), **WHO)


def test_nothing_can_be_verified_before_a_fix_is_reported(ledger):
    finding = ledger.raise_finding(raised(), **WHO).finding_id
    with pytest.raises(CoverplateError, match="no reported fix"):
        ledger.record_look(finding, look("cover_off_inspection"), **WHO)


def test_after_a_disproof_the_old_look_does_not_prove_the_new_fix(ledger):
    finding = reported(ledger, "false_ground", "grounding_conductor_added").finding_id
    ledger.record_look(finding, look("cover_off_inspection", "false_ground", 12), **WHO)
    assert ledger.finding(finding).state is State.FIX_DISPROVED
    with pytest.raises(CoverplateError, match="cannot follow"):
        ledger.record_look(finding, look("cover_off_inspection", "correct", 13), **WHO)
    ledger.append(finding, fix(fixed_on=DAY.replace(day=20)), **WHO)
    with pytest.raises(CoverplateError, match="the fix was reported done on"):
        ledger.record_look(finding, look("cover_off_inspection", "correct", 13), **WHO)
    ledger.record_look(finding, look("cover_off_inspection", "correct", 30), **WHO)
    assert ledger.finding(finding).state is State.REPAIR_PROVEN


def test_a_look_that_disproved_a_repair_is_a_sighting_that_fix_and_proof_must_follow(ledger):
    finding = reported(ledger, "false_ground", "grounding_conductor_added").finding_id
    ledger.record_look(finding, look(COVER, "false_ground", 20), **WHO)
    with pytest.raises(CoverplateError, match="last seen on 2025-03-23"):
        ledger.append(finding, fix(fixed_on=DAY + dt.timedelta(days=15)), **WHO)
    ledger.append(finding, fix(fixed_on=DAY + dt.timedelta(days=20)), **WHO)
    for days in (17, 20):
        with pytest.raises(CoverplateError, match="a look dated after"):
            ledger.record_look(finding, look(COVER, days=days), **WHO)
    assert ledger.record_look(finding, look(COVER, days=21), **WHO).kind == "verified"
    assert ledger.verify() == []


def test_only_a_verdict_ends_what_is_known_of_who_worked_there_and_when(ledger):
    finding = reported(ledger, "false_ground", "grounding_conductor_added").finding_id
    for each in (Dismissed(reason="by mistake"), Reopened(reason="by mistake")):
        ledger.append(finding, each, **WHO)
    other = fix(fixed_on=DAY + dt.timedelta(days=8), firm="Quillmarsh", worker="Z. Xanten")
    ledger.append(finding, other, **WHO)
    with pytest.raises(CoverplateError, match="all work reported since the last verdict"):
        ledger.record_look(finding, look(COVER, days=9), **WHO)
    with pytest.raises(CoverplateError, match="may be who did the work"):
        ledger.record_look(finding, look(COVER, inspector="D. Orme"), **WHO)
    assert ledger.record_look(finding, look(COVER), **WHO).kind == "verified"


def test_the_threshold_of_power_is_the_rule_books(ledger, tmp_path):
    from pipeline.ledger import open_ledger

    text = default_rule_book_text()
    strict = text.replace("verify_odds = { value = 10.0", "verify_odds = { value = 100.0")
    assert strict != text
    other = open_ledger(tmp_path / "strict.sqlite", rule_book=parse_rule_book(strict))
    finding = reported(other, "false_ground", "grounding_conductor_added").finding_id
    with pytest.raises(CoverplateError, match="100 times are needed"):
        other.record_look(finding, look("ground_impedance_meter", "correct"), **WHO)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('cost_low = { value = 25,', 'cost_low = { value = 2500,', "rise from low to typical"),
        ('regulation = "none"', 'regulation = "nowhere"', "not among the regulations"),
        ("open_hot = \"low\"\n", "", "no severity class for open_hot"),
        ('markings = ["no_equipment_ground"]', 'markings = ["painted"]', "gfci_type_marked"),
    ],
)  # fmt: skip
def test_faults_in_the_rule_book_are_named(old, new, said):
    text = default_rule_book_text()
    assert old in text
    with pytest.raises(CoverplateError, match=said):
        parse_rule_book(text.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("verify_odds = { value = 10.0", "verify_odds = { value = 1.0", "verify_odds"),
        ("verify_distance = { value = 0.4", "verify_distance = { value = 0.01", "verify_distance"),
        ("fail_odds = { value = 4.0", "fail_odds = { value = 1e9", "fail_odds"),
        ('cover_off_inspection = ["cover_removed", "ground_present", "neutral_ground_jumper", '
         '"polarity"]', "cover_off_inspection = []", "cover_off_inspection lacks cover_removed"),
        ('ground_impedance_meter = ["ground_path_ohms"]', "ground_impedance_meter = []",
         "ground_impedance_meter lacks ground_path_ohms"),
        ('grounded = ["ungrounded", "false_ground", ', "grounded = [",
         "left_instead.grounded lacks false_ground, ungrounded"),
        ("ground_ohms_below = { value = 1.0", "ground_ohms_below = { value = 1000.0",
         "ground_ohms_below"),
    ],
)  # fmt: skip
def test_no_rule_book_does_without_proof(old, new, said):
    text = default_rule_book_text()
    assert old in text
    with pytest.raises(CoverplateError, match=said):
        parse_rule_book(text.replace(old, new, 1))

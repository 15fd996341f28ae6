"""Which remedy is a fix, and which look proves it. NEC articles: quoted, see the rule book."""

import pytest
from ledger_samples import DAY, WHO, fix, look, raised

from pipeline.ledger import State
from pipeline.ledger.families import FAMILY
from pipeline.ledger.remedies import allowed_remedies, why_refused
from shared.faults import CoverplateError
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book
from shared.vocabulary import Condition, Marking, Method, Slots

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
        # One open box cannot settle how good a path is, nor what the wire meets further up.
        # Computed from the circuit model, see the tests of the evidence.
        sound = allowed[name].leaves[condition] is Condition.GROUNDED
        beyond_one_box = sound and condition.value in ("poor_ground", *FURTHER_UP)
        assert (Method.COVER_OFF_INSPECTION in proves) != beyond_one_box
        assert Method.NEUTRAL_LIFTED_TEST in proves
        assert (Method.VISUAL in proves) == (
            name == "two_slot_again" and condition is Condition.UNGROUNDED
        )


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


PROTECTED = {"gfci_protected": "yes", "marking": "both"}
PROTECTED_NEC_B = {"gfci_protected": "yes", "marking": "no_equipment_ground"}

CASES = [
    # condition before, remedy, method, result, other facts of the look, verdict
    ("false_ground", "grounding_conductor_added", "three_lamp_tester", "correct", {}, None),
    ("false_ground", "grounding_conductor_added", "visual", "correct", {}, None),
    ("false_ground", "grounding_conductor_added", "ground_impedance_meter", "correct", {}, True),
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct",
     {"neutral_ground_volts": 1.6, "load_amps": 12}, True),
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct",
     {"neutral_ground_volts": 0.02, "load_amps": 0.5}, None),
    ("false_ground", "grounding_conductor_added", "voltmeter_under_load", "correct",
     {"neutral_ground_volts": 0.02, "load_amps": 12}, False),
    ("false_ground", "grounding_conductor_added", "cover_off_inspection", "correct", {}, True),
    ("false_ground", "grounding_conductor_added", "cover_off_inspection", "false_ground",
     {}, False),
    ("false_ground", "grounding_conductor_added", "three_lamp_tester", "open_ground", {}, False),
    ("false_ground", "grounding_conductor_added", "cover_off_inspection", "not_accessible",
     {}, None),
    # lamps see an open ground, but a jumper would light them just the same as a real ground
    ("ungrounded", "grounding_conductor_added", "three_lamp_tester", "correct", {}, None),
    ("ungrounded", "grounding_conductor_added", "cover_off_inspection", "correct", {}, True),
    ("ungrounded", "circuit_rewired", "ground_impedance_meter", "correct",
     {"ground_path_ohms": 0.3}, True),
    # with the jumper gone the lamps must show an open ground, and that they can tell
    ("false_ground", "gfci_upstream_marked", "three_lamp_tester", "open_ground", PROTECTED, True),
    ("false_ground", "gfci_upstream_marked", "three_lamp_tester", "correct", PROTECTED, None),
    ("false_ground", "gfci_upstream_marked", "three_lamp_tester", "open_ground", {}, None),
    ("false_ground", "gfci_upstream_marked", "three_lamp_tester", "open_ground",
     PROTECTED_NEC_B, False),
    ("false_ground", "gfci_upstream_marked", "three_lamp_tester", "open_ground",
     {"gfci_protected": "no", "marking": "both"}, False),
    ("ungrounded", "gfci_type_marked", "three_lamp_tester", "open_ground", PROTECTED_NEC_B, True),
    ("ungrounded", "gfci_type_marked", "visual", "correct", PROTECTED_NEC_B, None),
    ("ungrounded", "two_slot_again", "visual", "correct", {"slots": "two_slot"}, True),
    ("ungrounded", "two_slot_again", "visual", "correct", {"slots": "three_slot"}, False),
    ("ungrounded", "two_slot_again", "visual", "correct", {}, None),
    ("false_ground", "two_slot_again", "visual", "correct", {"slots": "two_slot"}, None),
    ("false_ground", "two_slot_again", "three_lamp_tester", "open_ground",
     {"slots": "two_slot"}, None),
    ("reversed", "conductors_put_right", "three_lamp_tester", "hot_neutral_reversed", {}, False),
    ("reversed", "conductors_put_right", "three_lamp_tester", "correct", {}, None),
    ("reversed", "conductors_put_right", "cover_off_inspection", "correct", {}, True),
    ("open_neutral", "conductor_joined_again", "cover_off_inspection", "correct", {}, True),
    ("open_neutral", "conductor_joined_again", "cover_off_inspection", "no_power", {}, None),
    ("hot_on_ground", "conductors_put_right", "three_lamp_tester", "hot_ground_reversed",
     {}, False),
    ("hot_on_ground", "conductors_put_right", "cover_off_inspection", "correct", {}, True),
]  # fmt: skip


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

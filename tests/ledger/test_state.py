"""No way to "proven" without capable evidence; the fold is stable, and what is kept is the fold."""

import contextlib
import datetime as dt
import itertools
import random
import tempfile
from pathlib import Path

import hypothesis.strategies as st
import pandas as pd
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, settings
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import State, current, open_ledger
from pipeline.ledger import events as ev
from pipeline.ledger.state import allowed_after, fold
from pipeline.ledger.store import Draft
from shared.faults import CoverplateError
from shared.finding_states import BY_GRADE, MAKES, STATE_MEANING, TREATMENTS, WORK
from shared.vocabulary import OPEN_BOX_METHODS, Method, Result

pytestmark = pytest.mark.slow


SEES_FALSE_GROUND = {
    "voltmeter_under_load",
    "ground_impedance_meter",
    "cover_off_inspection",
    "ground_wire_clamp",
    "neutral_lifted_test",
    "upstream_box_seen",
}
"""Methods able to see a false ground: lamps and eyes are not (two agreeing legends, quoted)."""

LATER = moment(DAY + dt.timedelta(99))

days = st.integers(0, 60)


def unsynchronised(connection):
    connection.execute("PRAGMA synchronous = OFF")


def last_words(history):
    """Read a finding off its events in another way than the fold: the last word on each matter."""

    def last(*kinds):
        return next((e for e in reversed(history) if e.kind in kinds), None)

    def said(kind, name):
        event = last(kind)
        return event and getattr(event.payload, name)

    treated = last(*MAKES)
    treatment = MAKES[treated.kind]
    seen = last("raised", "seen_again")
    if treatment == "withdrawn" and seen.sequence > treated.sequence:
        treatment = "none"
    sights = [e.payload for e in history if e.kind in ("raised", "seen_again")]
    days = [getattr(p, "seen_on", None) or p.last_seen_on or p.first_seen_on for p in sights]
    taken, dropped = last("accepted"), last("dismissed", "reopened")
    paused, resumed = last("paused"), last("resumed")
    runs = paused is None or (resumed is not None and resumed.sequence > paused.sequence)
    proven = treatment == "proven"
    # Of several reports that wait for one verdict, what was done last.
    judged = [e.sequence for e in history if e.kind in MAKES and e.kind != "fix_reported"]
    fixes = [e for e in history if e.kind == "fix_reported"]
    last_fix = fixes[-1].sequence if fixes else 0
    since = max((number for number in judged if number < last_fix), default=0)
    waiting = [e.payload for e in reversed(fixes) if e.sequence > since]
    fix = max(waiting, key=lambda p: p.fixed_on, default=None)
    return {
        "sequence": history[-1].sequence,
        "treatment": treatment,
        "grade": seen.payload.grade,
        "condition": [p.condition for p in sights if p.condition is not None][-1],
        "standing": "proven" if proven else seen.payload.standing,
        "last_seen_on": max(days),
        "times_seen_again": sum(e.kind == "seen_again" for e in history),
        "accepted": taken is not None and (dropped is None or taken.sequence > dropped.sequence),
        "firm": said("assigned", "firm"),
        "assigned_due_on": said("assigned", "due_on"),
        "quoted": said("quoted", "amount"),
        "remedy": fix and fix.remedy,
        "fixed_on": fix and fix.fixed_on,
        "leaves_condition": fix and fix.leaves_condition,
        "verified_on": last("verified").payload.look.observed_on if proven else None,
        "set_aside_reason": said("dismissed", "reason") if treatment == "set_aside" else None,
        "seen_since_set_aside": treatment == "set_aside" and seen.sequence > treated.sequence,
        "failed_fixes": sum(e.kind == "verification_failed" for e in history),
        "paused_since": None if runs else paused.payload.since,
        "resumed_on": said("resumed", "since"),
        "last_access": getattr(last("notice_given", "entry_refused", "no_access"), "kind", None),
    }


MORE = (
    {}, {}, {"complete": False}, {"inspector": None}, {"inspector": "Orme, D."},
    {"inspector": "Pellworth Electric"}, {"ground_path_ohms": 60}, {"ground_path_ohms": None},
    {"polarity": None}, {"polarity": "reversed"}, {"neutral_ground_jumper": "yes"},
    {"cover_removed": "no"}, {"complete": False, "ground_path_ohms": 0.2},
    {"heat_or_scorch": "yes"},
)  # fmt: skip
"""What makes a look more or less than a whole one by somebody else."""


class Life(RuleBasedStateMachine):
    """Random people doing random things to one finding; refusals are allowed, wrongs are not."""

    def __init__(self):
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.ledger = open_ledger(Path(self.folder.name) / "ledger.sqlite")
        # thousands of commits: what is tested here does not need each to reach the disk
        sa.event.listen(self.ledger.engine, "connect", lambda con, _: unsynchronised(con))
        self.ledger.engine.dispose()

    def teardown(self):
        if hasattr(self, "finding"):
            self.kept_says_the_same()
        self.ledger.close()
        self.folder.cleanup()

    @initialize(grade=st.sampled_from(["suspected", "confirmed"]))
    def start(self, grade):
        self.finding = self.ledger.raise_finding(
            raised(grade=grade), at=moment(DAY), **WHO
        ).finding_id

    def write(self, payload):
        before = self.ledger.finding(self.finding)
        try:
            self.ledger.append(self.finding, payload, at=LATER, **WHO)
        except CoverplateError:
            assert self.ledger.finding(self.finding) == before

    @rule(payload=st.sampled_from([
        ev.Accepted(), ev.Dismissed(reason="case closed"), ev.Reopened(reason="not so"),
        ev.Commented(text="x"), ev.MadeSafe(how="circuit_de_energised", since=DAY),
        ev.MadeLiveAgain(since=DAY, reason="tenant asked"), ev.NoAccess(on=DAY),
        ev.EvidenceWithdrawn(reason="below the threshold"),
    ]))  # fmt: skip
    def simple(self, payload):
        self.write(payload)

    @rule(grade=st.sampled_from(["suspected", "confirmed"]), on=days,
          condition=st.sampled_from([None, "false_ground", "reversed_false_ground"]),
          standing=st.sampled_from([None, "reported", "measured"]),
          pointed=st.booleans())  # fmt: skip
    def seen_again(self, grade, on, condition, standing, pointed):
        seen_on = DAY + dt.timedelta(on)
        self.write(
            ev.SeenAgain(grade=grade, seen_on=seen_on, condition=condition, standing=standing,
                         pointed_on=seen_on if pointed else None)
        )  # fmt: skip

    @rule(firm=st.sampled_from(["Pellworth", "Oddy & Sons"]), due=st.none() | days)
    def assigned(self, firm, due):
        on = None if due is None else DAY + dt.timedelta(due)
        self.write(ev.Assigned(firm=firm, due_on=on, note="as agreed"))
        self.write(ev.Quoted(firm=firm, amount=100.0 + (due or 0)))

    @rule(on=days, pause=st.booleans())
    def pause(self, on, pause):
        since = DAY + dt.timedelta(on)
        pause_of = ev.Paused(since=since, reason="no_access", note="nobody at home")
        self.write(pause_of if pause else ev.Resumed(since=since))

    @rule(on=days, what=st.sampled_from(["planned", "moved", "called_off", "made"]),
          number=st.integers(1, 2))  # fmt: skip
    def visit(self, on, what, number):
        before = self.ledger.finding(self.finding)
        day, visit_id = DAY + dt.timedelta(on), f"V-B1-2A-20250303-{number}"
        self.write({
            "planned": ev.VisitPlanned(visit_id=visit_id, on=day, person="A. Oddy"),
            "moved": ev.VisitMoved(visit_id=visit_id, on=day, reason="tenant away"),
            "called_off": ev.VisitCalledOff(visit_id=visit_id, reason="not needed"),
            "made": ev.VisitMade(visit_id=visit_id, on=day, went="A. Oddy"),
        }[what])  # fmt: skip
        after = self.ledger.finding(self.finding)
        assert (after.state, after.firm, after.due_on) == (before.state, before.firm, before.due_on)
        if what != "planned" and visit_id not in before.awaited_visits:
            assert after == before

    @rule(on=days, remedy=st.sampled_from([
        "grounding_conductor_added", "gfci_type_marked", "gfci_upstream_marked", "two_slot_again",
        "conductors_put_right", "protection_added_only", "receptacle_swapped", "nonsense"]),
        marked=st.booleans(), cost=st.none() | st.integers(0, 500))  # fmt: skip
    def fix(self, on, remedy, marked, cost):
        markings = ("no_equipment_ground", "gfci_protected") if marked else ()
        fixed_on = DAY + dt.timedelta(on)
        self.write(fix(remedy, fixed_on, markings=markings, cost=cost))

    @rule(method=st.sampled_from(list(Method)), result=st.sampled_from(list(Result)), on=days,
          slots=st.sampled_from([None, "two_slot", "three_slot"]),
          gfci=st.sampled_from([None, "yes", "no"]), marking=st.sampled_from([None, "both"]),
          straight=st.booleans(), passed=st.booleans(), more=st.sampled_from(MORE))  # fmt: skip
    def verification(self, method, result, on, slots, gfci, marking, straight, passed, more):
        seen = look(method, result, on, slots=slots, gfci_protected=gfci, marking=marking, **more)
        if straight:  # a person who writes the verdict without having the look judged
            self.write(ev.Verified(look=seen) if passed else ev.VerificationFailed(look=seen))
            return
        with contextlib.suppress(CoverplateError):
            self.ledger.record_look(self.finding, seen, at=LATER, **WHO)

    def fix_then_look(self, fixed, seen):
        """Random days and methods seldom agree; this makes proofs, and near misses, common."""
        self.write(fixed)
        with contextlib.suppress(CoverplateError):
            self.ledger.record_look(self.finding, seen, at=LATER, **WHO)

    @rule(on=days, gap=st.sampled_from([1, 0, -1]), method=st.sampled_from(list(Method)),
          more=st.sampled_from(MORE))  # fmt: skip
    def said_to_be_grounded(self, on, gap, method, more):
        self.fix_then_look(
            fix(fixed_on=DAY + dt.timedelta(on)), look(method, "correct", on + gap, **more)
        )

    @rule(on=days, method=st.sampled_from(list(Method)), protected=st.sampled_from([None, "yes"]),
          marking=st.sampled_from([None, "both"]), button=st.sampled_from([None, "yes", "no"]),
          result=st.sampled_from(["correct", "open_ground"]),
          more=st.sampled_from(MORE))  # fmt: skip
    def said_to_be_protected(self, on, method, protected, marking, button, result, more):
        fixed_on = DAY + dt.timedelta(on)
        self.fix_then_look(
            fix("gfci_type_marked", fixed_on, markings=("no_equipment_ground",)),
            look(
                method,
                result,
                on + 1,
                gfci_protected=protected,
                marking=marking,
                gfci_button_tripped=button,
                **more,
            ),
        )

    @rule(on=days, method=st.sampled_from(list(Method)), slots=st.sampled_from([None, "two_slot"]),
          more=st.sampled_from(MORE))  # fmt: skip
    def said_to_be_two_slot(self, on, method, slots, more):
        self.fix_then_look(
            fix("two_slot_again", DAY + dt.timedelta(on)),
            look(method, "open_ground", on + 1, slots=slots, **more),
        )

    @precondition(lambda self: self.ledger.finding(self.finding).treatment == "disproved")
    @rule()
    def made_safe_and_live_again(self):
        self.write(ev.MadeSafe(how="circuit_de_energised", since=DAY))
        self.write(ev.MadeLiveAgain(since=DAY, reason="tenant asked"))

    @precondition(lambda self: hasattr(self, "finding"))
    @invariant()
    def proven_only_by_capable_evidence_after_the_fix(self):
        history = self.ledger.history(self.finding)
        finding = self.ledger.finding(self.finding)
        for before, event in itertools.pairwise(history):
            if event.kind != "verified":
                continue
            reports = [
                e for e in history if e.kind == "fix_reported" and e.sequence < event.sequence
            ]
            assert reports
            report = reports[-1].payload
            seen = event.payload.look
            assert report.fixed_on < seen.observed_on <= event.recorded_at.date()
            sightings = [
                e.payload.pointed_on
                for e in history
                if e.kind == "seen_again"
                and e.sequence < event.sequence
                and e.payload.pointed_on is not None
            ]
            assert all(seen.observed_on > each for each in sightings)
            assert all(
                report.fixed_on >= e.payload.pointed_on
                for e in history
                if e.kind == "seen_again"
                and e.sequence < reports[-1].sequence
                and e.payload.pointed_on is not None
            )
            assert seen.inspector == "S. Ambrel"  # neither nobody nor who did the work
            # The lamps tell neither a jumper from a ground nor polarity without one.
            assert seen.method in (OPEN_BOX_METHODS if report.leaves_condition == "ungrounded"
                                   else SEES_FALSE_GROUND)  # fmt: skip
            if seen.method in OPEN_BOX_METHODS:
                assert (seen.cover_removed, seen.polarity) == ("yes", "correct")
                assert (seen.neutral_ground_jumper, seen.ground_present is None) == ("no", False)
            if seen.method == "voltmeter_under_load":
                assert seen.neutral_ground_volts is not None and seen.load_amps is not None
            if report.remedy in ("grounding_conductor_added", "circuit_rewired"):
                assert seen.ground_path_ohms <= 1.0
            if report.leaves_protected == "yes":
                assert seen.gfci_protected == seen.gfci_button_tripped == "yes"
                assert seen.marking is not None
            if report.leaves_slots == "two_slot":
                assert seen.slots == "two_slot"
            assert seen.result not in ("false_ground", "reversed_false_ground", "not_accessible")
            assert before.sequence + 1 == event.sequence
        if finding.state is State.REPAIR_PROVEN:
            last = [e.kind for e in history if e.kind in MAKES][-1]
            assert last == "verified"

    def kept_says_the_same(self):
        assert self.ledger.verify() == []
        row = current(self.ledger).iloc[0]
        for name, value in last_words(self.ledger.history(self.finding)).items():
            cell = row[name]
            if isinstance(cell, pd.Timestamp):
                cell = cell.date()
            assert (value is None and pd.isna(cell)) or cell == value, (name, cell, value)


Life.TestCase.settings = settings(
    max_examples=60, stateful_step_count=12, deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
TestLife = Life.TestCase


class LongLife(Life):
    """The same for longer."""


LongLife.TestCase.settings = settings(
    max_examples=200, stateful_step_count=60, deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
TestLongLife = pytest.mark.long(LongLife.TestCase)


def busy_history(ledger):
    finding = ledger.raise_finding(raised(grade="suspected"), at=moment(DAY), **WHO).finding_id
    steps = [
        ev.Accepted(), ev.Assigned(firm="Oddy & Sons", due_on=DAY), ev.Quoted(firm="O", amount=3),
        ev.Paused(since=DAY, reason="no_access", note="away"),
        ev.Resumed(since=DAY + dt.timedelta(4)),
        ev.SeenAgain(grade="confirmed", seen_on=DAY), fix(cost=10),
        ev.VerificationFailed(look=look(result="false_ground")),
        fix("gfci_type_marked", DAY + dt.timedelta(30), markings=("no_equipment_ground",)),
        ev.Verified(look=look("cover_off_inspection", "open_ground", 40, gfci_protected="yes",
                              gfci_button_tripped="yes", marking="no_equipment_ground")),
        ev.Commented(text="done"),
    ]  # fmt: skip
    ledger.append_many([Draft(finding, step) for step in steps], **WHO)
    return finding


def test_the_fold_does_not_depend_on_the_order_in_which_events_come(ledger):
    history = ledger.history(busy_history(ledger))
    whole = fold(history)
    assert whole.state is State.REPAIR_PROVEN
    assert (whole.failed_fixes, whole.resumed_on, whole.grade) == (
        1, DAY + dt.timedelta(4), "confirmed",
    )  # fmt: skip
    shuffle = random.Random(7)
    for _ in range(30):
        mixed = list(history)
        shuffle.shuffle(mixed)
        assert fold(mixed) == whole


def test_writing_the_same_history_again_gives_the_same_state(ledger, tmp_path):
    finding = busy_history(ledger)
    other = open_ledger(tmp_path / "replayed.sqlite")
    for event in ledger.history(finding):
        stamp = {"who": event.who, "origin": event.origin, "at": event.recorded_at}
        if event.kind == "raised":
            other.raise_finding(event.payload, **stamp)
        else:
            other.append(finding, event.payload, **stamp)
    assert other.heads() == ledger.heads()
    assert other.finding(finding) == ledger.finding(finding)
    assert current(other).equals(current(ledger))


def test_every_state_is_explained_and_every_treatment_reaches_one():
    assert set(STATE_MEANING) == set(State)
    reached = {each.state for each in TREATMENTS.values() if each.state} | set(BY_GRADE.values())
    assert reached == set(State)
    assert set(MAKES.values()) == set(TREATMENTS)
    followers = WORK.union(*(each.may_follow for each in TREATMENTS.values()))
    assert followers <= set(ev.KINDS)


@pytest.mark.parametrize("reason", ["case closed", "certificate invalid", "paid"])
def test_closed_on_paper_is_not_repaired(ledger, reason):
    finding = ledger.raise_finding(raised(), **WHO).finding_id
    ledger.append(finding, ev.Dismissed(reason=reason), **WHO)
    assert ledger.finding(finding).state is State.SET_ASIDE_UNREPAIRED
    with pytest.raises(CoverplateError, match="reopen it first"):
        ledger.append(finding, fix(), **WHO)
    ledger.append(finding, ev.Reopened(reason="nothing was done"), **WHO)
    assert ledger.finding(finding).state is State.CONFIRMED_DEFECT
    assert "fix_reported" in allowed_after(ledger.finding(finding))


def test_made_safe_keeps_the_defect_open(ledger):
    finding = ledger.raise_finding(raised(), **WHO).finding_id
    ledger.append(finding, ev.MadeSafe(how="circuit_de_energised", since=DAY), **WHO)
    assert ledger.finding(finding).state is State.MADE_SAFE_DEFECT_REMAINS
    ledger.append(finding, ev.MadeLiveAgain(since=DAY, reason="tenant needs it"), **WHO)
    assert ledger.finding(finding).state is State.CONFIRMED_DEFECT

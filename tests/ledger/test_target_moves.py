"""First targets, present ones, and every move between them; pauses on real days, with a reason."""

import datetime as dt
import random

import pandas as pd
import pytest
from ledger_samples import DAY, WHO, moment, raised

from pipeline.ledger import current, state
from pipeline.ledger import events as ev
from pipeline.ledger.due import due, overdue_counts, target_moves
from pipeline.ledger.store import Draft
from pipeline.ledger.targets import first_target
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book

BOOK = load_rule_book()
FIRST = DAY + dt.timedelta(21)  # a false ground is severe: 21 days in the rule book


def on(days):
    return DAY + dt.timedelta(days)


def at(days, hour=12):
    return moment(on(days), hour)


def raise_one(ledger, opening="K1", **more):
    return ledger.raise_finding(raised(opening, **more), at=at(0), **WHO).finding_id


def pause(ledger, finding, since, written=None, note="nobody at home"):
    payload = ev.Paused(since=on(since), reason="no_access", note=note)
    ledger.append(finding, payload, at=at(since if written is None else written), **WHO)


def resume(ledger, finding, since):
    ledger.append(finding, ev.Resumed(since=on(since)), at=at(since), **WHO)


def assign(ledger, finding, day, due_on=None, note="parts come late"):
    payload = ev.Assigned(firm="P", due_on=due_on and on(due_on), note=note)
    ledger.append(finding, payload, at=at(day), **WHO)


def worse(ledger, finding, day, condition="reversed_false_ground"):
    seen = ev.SeenAgain(grade="confirmed", condition=condition, seen_on=on(day))
    ledger.append(finding, seen, at=at(day), **WHO)


def targets(ledger, finding, day):
    found = due(ledger, BOOK, at(day)).set_index("finding_id").loc[finding]
    return (
        (found.first_target_on.date() - DAY).days,
        (found.present_target_on.date() - DAY).days,
        found.times_moved,
    )


def moves(ledger, finding, day):
    frame = target_moves(ledger, BOOK, at(day))
    return [
        (r.kind, (r.from_day.date() - DAY).days, (r.to_day.date() - DAY).days)
        for r in frame[frame["finding_id"] == finding].itertuples()
    ]


def test_every_move_is_listed_with_who_when_and_why(ledger):
    finding = raise_one(ledger)
    assert targets(ledger, finding, 1) == (21, 21, 0)
    assign(ledger, finding, 2, 30)
    pause(ledger, finding, 5)
    resume(ledger, finding, 9)
    pause(ledger, finding, 20, note="second notice is out")
    assert targets(ledger, finding, 26) == (21, 30 + 4 + 6, 3)
    assert moves(ledger, finding, 26) == [
        ("assigned", 21, 30), ("resumed", 30, 34), ("paused", 34, 40),
    ]  # fmt: skip
    told = target_moves(ledger, BOOK, at(26))
    assert told["reason"].tolist() == [
        "parts come late", "no access: nobody at home", "no access: second notice is out",
    ]  # fmt: skip
    assert told["sequence"].tolist() == [2, 4, 5]
    assert set(told["who"]) == {WHO["who"]}
    assert told["written_at"].dt.date.tolist() == [on(2), on(9), on(20)]


def test_a_graver_condition_brings_a_sooner_target_and_a_milder_one_no_later(ledger):
    finding = raise_one(ledger)
    worse(ledger, finding, 4, "false_ground")  # seen again, no graver
    assert targets(ledger, finding, 5) == (21, 21, 0)
    worse(ledger, finding, 6)  # life-threatening: one day
    assert targets(ledger, finding, 6) == (21, 7, 1)
    assert moves(ledger, finding, 6) == [("graver_condition", 21, 7)]
    (row,) = target_moves(ledger, BOOK, at(6)).to_dict("records")
    assert row["reason"] == "reversed false ground, was false ground"
    worse(ledger, finding, 8, "false_ground")
    assert targets(ledger, finding, 9) == (21, 7, 1)


def test_a_graver_condition_is_not_hidden_by_an_assignment(ledger):
    finding = raise_one(ledger)
    assign(ledger, finding, 1, 80)
    worse(ledger, finding, 3)
    assert targets(ledger, finding, 3) == (21, 4, 2)
    with pytest.raises(CoverplateError, match="what its present condition allows"):
        assign(ledger, finding, 4, 20, note=None)
    assign(ledger, finding, 4, 5, note=None)
    assert targets(ledger, finding, 4) == (21, 5, 3)


def test_a_due_day_set_during_a_pause_moves_by_the_rest_of_it(ledger):
    finding = raise_one(ledger)
    pause(ledger, finding, 5)
    assign(ledger, finding, 15, 40)
    assert targets(ledger, finding, 15) == (21, 40, 1)
    assert targets(ledger, finding, 18) == (21, 43, 2)
    resume(ledger, finding, 20)
    assert targets(ledger, finding, 90) == (21, 45, 2)
    assert moves(ledger, finding, 90) == [("assigned", 31, 40), ("resumed", 40, 45)]


def test_an_assignment_without_a_day_leaves_the_target(ledger):
    finding = raise_one(ledger)
    assign(ledger, finding, 2, 30)
    assign(ledger, finding, 3)
    assert targets(ledger, finding, 3) == (21, 30, 1)


def test_a_pause_reaches_back_no_further_than_the_raising(ledger):
    finding = raise_one(ledger)
    for since in (dt.date(2020, 1, 1), on(-1)):
        payload = ev.Paused(since=since, reason="no_access", note="nobody at home")
        with pytest.raises(CoverplateError, match="the finding was raised on") as refused:
            ledger.append(finding, payload, at=at(3), **WHO)
        assert refused.value.expected == f"{DAY} or later"
    pause(ledger, finding, 0, written=3)
    assert targets(ledger, finding, 3) == (21, 24, 1)


def test_pauses_do_not_overlap_and_none_lies_in_the_future(ledger):
    finding = raise_one(ledger)
    pause(ledger, finding, 2)
    with pytest.raises(CoverplateError, match="the pause begins on"):
        ledger.append(finding, ev.Resumed(since=on(1)), at=at(9), **WHO)
    with pytest.raises(CoverplateError, match="a day in the future"):
        ledger.append(finding, ev.Resumed(since=on(12)), at=at(9), **WHO)
    resume(ledger, finding, 8)
    with pytest.raises(CoverplateError, match="the pause before it ends on"):
        pause(ledger, finding, 7, written=9)
    with pytest.raises(CoverplateError, match="a day in the future"):
        pause(ledger, finding, 12, written=9)
    assert targets(ledger, finding, 40) == (21, 27, 1)


@pytest.mark.parametrize("note", [None, "x", "ab", "  a "])
def test_a_pause_needs_a_reason_in_words(ledger, note):
    finding = raise_one(ledger)
    with pytest.raises(CoverplateError, match="without a reason in words"):
        pause(ledger, finding, 2, note=note)
    assert ledger.finding(finding).paused_since is None


def test_people_name_the_day_that_it_is_with_them(ledger):
    """Raised at 3 in the morning UTC, evening of the day before in New York; noon in Auckland."""
    finding = ledger.raise_finding(raised(), at=at(1, 3), **WHO).finding_id
    evening = ev.Paused(since=on(0), reason="other", note="shut for the holidays")
    ledger.append(finding, evening, at=at(1, 3), **WHO)
    ledger.append(finding, ev.Resumed(since=on(2)), at=at(1, 11), **WHO)
    # and gains nothing by it: the pause counts from the day of the raising
    assert targets(ledger, finding, 9) == (22, 23, 1)


def test_due_days_before_the_raising_and_later_ones_without_a_reason_are_refused(ledger):
    finding = raise_one(ledger)
    with pytest.raises(CoverplateError, match="raised on"):
        assign(ledger, finding, 3, -1)
    with pytest.raises(CoverplateError, match="later than its first target"):
        assign(ledger, finding, 3, 22, note=None)
    assign(ledger, finding, 3, 21, note=None)
    assert targets(ledger, finding, 3) == (21, 21, 0)
    assign(ledger, finding, 4, 22)
    assert targets(ledger, finding, 4) == (21, 22, 1)


def test_many_at_once_are_refused_all_with_their_reasons(ledger):
    ids = [raise_one(ledger, f"K{n}") for n in range(3)]
    payload = ev.Paused(since=dt.date(2020, 1, 1), reason="other", note="as agreed")
    with pytest.raises(CoverplateError, match="3 of 3 events are refused"):
        ledger.append_many([Draft(each, payload) for each in ids], at=at(2), **WHO)


def test_the_first_target_is_the_same_where_events_are_written_and_where_they_are_read(ledger):
    cases = [
        ("K1", "false_ground", "false_ground"), ("K2", "hot_on_ground", "hot_on_ground"),
        ("K3", "open_neutral", "open_conductor"), ("K4", "open_hot", "open_conductor"),
        ("K5", None, "shock_reported"), ("K6", None, "record_conflict:x:y"),
    ]  # fmt: skip
    for opening, condition, family in cases:
        finding = raise_one(ledger, opening, condition=condition, family=family)
        written = first_target(BOOK, ledger.finding(finding))
        assert (written - DAY).days == targets(ledger, finding, 0)[0], family


def walked(history, now):
    """Day by day: the present target of one finding, by moving it a day for each day paused."""
    classes = {"false_ground": 21, "reversed_false_ground": 1}
    target, paused, condition = None, False, None
    for day in range(now + 1):
        if paused:
            target += 1
        for kind, detail in history.get(day, []):
            if kind == "raised":
                target, condition = day + classes[detail], detail
            elif kind == "assigned":
                target = detail
            elif kind == "worse":
                if classes[detail] < classes[condition]:
                    target = min(target, day + classes[detail])
                condition = detail
            else:
                paused = kind == "paused"
    return target


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(25))
def test_the_set_shaped_sql_is_what_walking_day_by_day_gives(ledger, seed):
    rng = random.Random(seed)
    finding = raise_one(ledger)
    history = {0: [("raised", "false_ground")]}
    paused, days = False, sorted(rng.sample(range(1, 60), 9))
    for day in days:
        kind = rng.choice(["assigned", "worse", "turn", "turn"])
        if kind == "assigned":
            due_on = day + rng.randrange(40)
            assign(ledger, finding, day, due_on)
            history[day] = [("assigned", due_on)]
        elif kind == "worse":
            condition = rng.choice(["false_ground", "reversed_false_ground"])
            worse(ledger, finding, day, condition)
            history[day] = [("worse", condition)]
        else:
            (resume if paused else pause)(ledger, finding, day)
            history[day] = [("resumed" if paused else "paused", None)]
            paused = not paused
    for now in (days[-1], days[-1] + 13):
        assert targets(ledger, finding, now)[1] == walked(history, now)
    last = moves(ledger, finding, days[-1] + 13)
    assert not last or last[-1][2] == walked(history, days[-1] + 13)


def test_a_bulk_pause_changes_the_second_number_only(ledger):
    ids = [raise_one(ledger, f"K{n}") for n in range(7)]
    before = overdue_counts(due(ledger, BOOK, at(30)))
    assert (before["overdue_first"], before["overdue_present"], before["paused"]) == (7, 7, 0)
    payload = ev.Paused(since=on(30), reason="other", note="no crew this month")
    ledger.append_many([Draft(each, payload) for each in ids[:5]], at=at(30), **WHO)
    told = overdue_counts(due(ledger, BOOK, at(30)))
    assert (told["overdue_first"], told["overdue_present"], told["paused"]) == (7, 2, 5)
    assert told["overdue"] == before["overdue"] == 7
    later = overdue_counts(due(ledger, BOOK, at(42)))
    assert (later["slipped"], later["median_days_slipped"]) == (5, 12)


def test_a_later_due_day_for_all_changes_the_second_number_only(ledger):
    for number in range(4):
        assign(ledger, raise_one(ledger, f"K{number}"), 1, 60 + number)
    told = overdue_counts(due(ledger, BOOK, at(30)))
    assert (told["overdue_first"], told["overdue_present"], told["slipped"]) == (4, 0, 4)
    assert told["median_days_slipped"] == 40.5


def test_a_pause_written_before_a_reason_was_asked_for_is_read_and_bounded(ledger, monkeypatch):
    """A ledger of an earlier version: no note, and a pause from years before the raising."""
    finding = raise_one(ledger)
    monkeypatch.setattr(state, "_check_pause", lambda *_: None)
    ledger.append(finding, ev.Paused(since=dt.date(2020, 1, 1), reason="other"), at=at(5), **WHO)
    assert ledger.verify() == []
    assert current(ledger)["paused_since"].iloc[0] == pd.Timestamp(2020, 1, 1)
    assert targets(ledger, finding, 9) == (21, 30, 1)  # nine days from the raising, not years

"""Due dates, pauses, and progress told honestly."""

import datetime as dt

import pandas as pd
import pytest
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import State, current
from pipeline.ledger import events as ev
from pipeline.ledger.clocks import firm_record
from pipeline.ledger.due import WINDOW_WORDS, due
from pipeline.ledger.money import money
from pipeline.ledger.progress import (
    ageing,
    failed_verifications,
    repair_summary,
    reported_fixes,
    states_over_time,
    time_to_proven_repair,
    time_to_repair_bounds,
)
from pipeline.ledger.survival import kaplan_meier
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book

BOOK = load_rule_book()


def after(days, hour=12):
    return moment(DAY + dt.timedelta(days), hour)


def raise_on(ledger, opening, days=0, **more):
    seen = DAY + dt.timedelta(days)
    payload = raised(opening, first_seen_on=seen, **more)
    return ledger.raise_finding(payload, at=after(days), **WHO).finding_id


def repaired(ledger, finding, fixed, looked, result="correct", firm="Pellworth", cost=None):
    report = fix(fixed_on=DAY + dt.timedelta(fixed), cost=cost).model_copy(update={"firm": firm})
    ledger.append(finding, report, at=after(fixed), **WHO)
    if looked is not None:
        seen = look("cover_off_inspection", result, looked)
        ledger.record_look(finding, seen, at=after(looked), **WHO)


def row(ledger, finding, now):
    frame = due(ledger, BOOK, now)
    return frame.set_index("finding_id").loc[finding]


def test_own_targets_by_severity_class(ledger):
    severe = raise_on(ledger, "K1")
    worst = raise_on(ledger, "K2", condition="hot_on_ground", family="hot_on_ground")
    assert row(ledger, severe, after(0)).present_target_on.date() == DAY + dt.timedelta(21)
    assert row(ledger, worst, after(0)).present_target_on.date() == DAY + dt.timedelta(1)
    assert row(ledger, worst, after(0)).severity_class == "life_threatening"
    assert not row(ledger, severe, after(21)).overdue
    late = row(ledger, severe, after(24))
    assert late.overdue and late.days_overdue == 3
    later = ev.Assigned(firm="P", due_on=DAY + dt.timedelta(60), note="parts come in April")
    ledger.append(severe, later, at=after(20), **WHO)
    late = row(ledger, severe, after(24))
    assert (late.overdue, late.overdue_first, late.overdue_present) == (True, True, False)


@pytest.mark.parametrize(
    ("condition", "family", "hours"),
    # 24 CFR 5.711, from memory: Life-Threatening and Severe 24 hours, Moderate 30 days, Low 60 days
    [("hot_on_ground", "hot_on_ground", 24), ("false_ground", "false_ground", 24),
     ("open_neutral", "open_conductor", 30 * 24), ("open_hot", "open_conductor", 60 * 24)],
)  # fmt: skip
def test_regulatory_windows_run_in_elapsed_time_whatever_is_paused(
    ledger, condition, family, hours
):
    finding = raise_on(
        ledger, "K1", condition=condition, family=family, regulation="us_public_housing"
    )
    ends = after(0) + dt.timedelta(hours=hours)
    found = row(ledger, finding, after(0))
    assert found.regulatory_due_at == ends.replace(tzinfo=None)
    pause = ev.Paused(since=DAY, reason="no_access", note="nobody at home")
    ledger.append(finding, pause, at=after(0), **WHO)
    paused = row(ledger, finding, after(400))
    assert (paused.overdue_first, paused.overdue_present) == (True, False)
    assert paused.present_target_on > found.present_target_on
    assert paused.first_target_on == found.first_target_on
    assert paused.regulatory_due_at == found.regulatory_due_at
    assert paused.regulatory_standing == "passed"
    assert row(ledger, finding, ends).regulatory_standing == "running"
    second = dt.timedelta(seconds=1)
    assert row(ledger, finding, ends + second).regulatory_standing == "passed"


def test_a_pause_moves_the_own_target_by_its_length(ledger):
    finding = raise_on(ledger, "K1")
    for since, until in ((2, 5), (10, 17)):
        on = DAY + dt.timedelta(since)
        waits = ev.Paused(since=on, reason="waiting_for_permit", note="filed, not granted")
        ledger.append(finding, waits, **WHO)
        ledger.append(finding, ev.Resumed(since=DAY + dt.timedelta(until)), **WHO)
    found = row(ledger, finding, after(20))
    assert found.present_target_on.date() == DAY + dt.timedelta(21 + 3 + 7)


@pytest.mark.parametrize(
    ("fixed", "looked", "unproven", "proven"),
    [(0, 1, "running", "met"),
     (0, 6, "reported_within_unproven", "reported_within_proven_late"),
     (3, 6, "reported_late_unproven", "repaired_late")],
)  # fmt: skip
def test_a_window_is_met_by_a_proof_within_it_only(ledger, fixed, looked, unproven, proven):
    finding = raise_on(ledger, "K1", regulation="us_public_housing")
    repaired(ledger, finding, fixed, None)
    before = row(ledger, finding, after(looked, hour=1))
    assert before.regulatory_standing == unproven
    assert before.window_passed == (unproven != "running")
    seen = look("cover_off_inspection", "correct", looked)
    ledger.record_look(finding, seen, at=after(looked), **WHO)
    found = row(ledger, finding, after(looked + 1))
    assert (found.regulatory_standing, found.window_passed) == (proven, False)
    assert set(WINDOW_WORDS) >= {unproven, proven}


def test_a_reported_fix_ages_visibly(ledger):
    finding = raise_on(ledger, "K1")
    repaired(ledger, finding, 3, None)
    found = row(ledger, finding, after(30))
    assert (found.state, found.days_unproven, found.proof_overdue) == (
        "fix_reported_unproven", 27, True,
    )  # fmt: skip
    assert (found.overdue, found.overdue_first, found.overdue_present) == (True, False, False)
    assert not row(ledger, finding, after(17)).overdue


@pytest.fixture
def history(ledger):
    """Ten findings with every kind of end, days counted from DAY; now is day 100."""
    ids = {}
    for number in range(4):  # proven after 10, 20, 30, 40 days, by reports of 5 days before
        ids[number] = raise_on(ledger, f"P{number}")
        repaired(ledger, ids[number], 10 * number + 5, 10 * number + 10, cost=100)
    ids["open"] = raise_on(ledger, "O1", 60)
    ids["unproven"] = raise_on(ledger, "O2")
    repaired(ledger, ids["unproven"], 8, None, firm="Oddy", cost=70)
    ids["disproved"] = raise_on(ledger, "O3")
    repaired(ledger, ids["disproved"], 6, 12, "false_ground", firm="Oddy", cost=50)
    ids["paper"] = raise_on(ledger, "O4")
    ledger.append(ids["paper"], ev.Dismissed(reason="case closed"), at=after(3), **WHO)
    ids["safe"] = raise_on(ledger, "O5")
    ledger.append(
        ids["safe"], ev.MadeSafe(how="circuit_de_energised", since=DAY), at=after(1), **WHO
    )
    ids["quoted"] = raise_on(ledger, "O6", 90)
    ledger.append(ids["quoted"], ev.Quoted(firm="Oddy", amount=250), at=after(91), **WHO)
    ledger.append(ids["quoted"], ev.Assigned(firm="Oddy"), at=after(92), **WHO)
    return ids


NOW = after(100)


def test_only_a_proven_repair_ends_the_time(ledger, history):
    curve = time_to_proven_repair(ledger, BOOK, now=NOW)["all"]
    times = [10, 20, 30, 40, 40, 100, 100, 3, 100, 10]
    proven = [1, 1, 1, 1, 0, 0, 0, 0, 0, 0]
    # each is watched from the day on which it was raised, here the day on which it was seen
    expected = kaplan_meier(times, proven, entry=[-0.5] * 10)
    assert expected.frame().equals(kaplan_meier(times, proven).frame())
    assert curve.frame().equals(expected.frame())
    assert (curve.number, curve.happened) == (10, 4)


def test_taking_every_date_for_a_fix_gives_another_and_wrong_answer(ledger, history):
    frame = current(ledger)
    dates = pd.concat([frame["fixed_on"], frame["verified_on"]], axis=1).min(axis=1)
    closed = frame["set_aside_reason"].notna() | frame["fixed_on"].notna()
    dates = dates.where(frame["set_aside_reason"].isna(), frame["last_at"].dt.normalize())
    days = (dates - frame["first_seen_on"]).dt.days
    naive = kaplan_meier(days[closed], [True] * int(closed.sum()))
    honest = time_to_proven_repair(ledger, BOOK, now=NOW)["all"]
    assert naive.median == 8
    assert honest.median is None  # more than half stand unproven on day 100
    assert naive.at(40) == 0.0
    # 9/10 falls out of watch on day 3, then by hand: (8/9, 6/7, 5/6, 4/5) with one leaving at 10
    assert honest.at(40) == pytest.approx(8 / 9 * 6 / 7 * 5 / 6 * 4 / 5)


def test_bounds_on_the_repair_itself_span_the_unwatched_time(ledger, history):
    bounds = time_to_repair_bounds(ledger, BOOK, now=NOW)["all"].set_index("days")
    assert list(bounds.index) == [0, 10, 20, 30, 40]  # nobody looked between raising and proof
    assert bounds.loc[0, "lowest"] == pytest.approx(0.6)  # all four may have been done at once
    assert bounds.loc[0, "highest"] == 1.0  # none must have been
    proof = time_to_proven_repair(ledger, BOOK, now=NOW)["all"]
    for day, row_ in bounds.iterrows():
        assert row_["lowest"] <= proof.at(day) <= row_["highest"] or day == 40
    (told,) = repair_summary(ledger, BOOK, now=NOW).to_dict("records")
    assert pd.isna(told["median_days"])  # over half are not proven at all


def test_a_later_look_that_found_the_defect_narrows_the_bounds(ledger):
    finding = raise_on(ledger, "K1")
    again = ev.SeenAgain(grade="confirmed", seen_on=DAY + dt.timedelta(25))
    ledger.append(finding, again, at=after(25), **WHO)
    repaired(ledger, finding, 30, 33, "false_ground")
    repaired(ledger, finding, 40, 47)
    bounds = time_to_repair_bounds(ledger, BOOK, now=NOW)["all"]
    assert bounds.to_dict("list") == {
        "days": [33, 47], "lowest": [0, 0], "highest": [1, 0],
    }  # fmt: skip


def test_summary_by_group(ledger, history):
    buildings = pd.DataFrame({"building_id": ["B1"], "owner": ["Vale"], "manager": ["Ondry"]})
    for by, groups in {
        "owner": {"Vale"}, "manager": {"Ondry"}, "severity_class": {"severe"},
        "remedy": {"grounding_conductor_added", "not known"},
    }.items():  # fmt: skip
        frame = repair_summary(ledger, BOOK, by=by, buildings=buildings, now=NOW)
        assert set(frame["group"]) == groups
        assert frame["findings"].sum() == 10
        assert frame["proven"].sum() == 4
    with pytest.raises(CoverplateError, match="cannot be shown by"):
        repair_summary(ledger, BOOK, by="colour")
    for asked in (repair_summary, time_to_proven_repair, time_to_repair_bounds):
        with pytest.raises(CoverplateError, match="before they were asked"):
            asked(ledger, BOOK, by="firm")


def test_failed_fixes_by_firm_with_limits(ledger, history):
    frame = failed_verifications(ledger, BOOK).set_index("group")
    assert frame.loc["Oddy", ["reported", "proven", "disproved", "unproven"]].tolist() == [
        2,
        0,
        1,
        1,
    ]
    assert frame.loc["Pellworth", "share_disproved"] == 0
    # Clopper–Pearson, 1 of 1 and 0 of 4 at 95 %: closed forms 0.025 and 1 − 0.025^(1/4)
    assert frame.loc["Oddy", "low"] == pytest.approx(0.025)
    assert frame.loc["Pellworth", "high"] == pytest.approx(1 - 0.025**0.25)


def test_a_firm_is_one_however_it_is_spelt(ledger):
    for number, firm in enumerate(("alpha", "ALPHA", "Alpha", "Alpha", "Beta")):
        finding = raise_on(ledger, f"K{number}")
        ledger.append(finding, ev.Assigned(firm=firm), at=after(1), **WHO)
        repaired(ledger, finding, 5, 8 if number < 2 else None, firm=firm, cost=100)
    told = firm_record(ledger, BOOK, now=NOW).set_index("group")
    assert told[["assigned", "fixes", "proven", "to_date"]].to_dict("index") == {
        "Alpha": {"assigned": 4, "fixes": 4, "proven": 2, "to_date": 400},
        "Beta": {"assigned": 1, "fixes": 1, "proven": 0, "to_date": 100},
    }
    paid = money(ledger, BOOK, by="firm", now=NOW).set_index("group")["spent"]
    assert paid.to_dict() == {"Alpha": 400, "Beta": 100}


def test_a_report_that_corrects_another_counts_once(ledger):
    finding = raise_on(ledger, "K1")
    repaired(ledger, finding, 5, None, cost=900)
    repaired(ledger, finding, 5, 8, cost=90)
    frame = reported_fixes(ledger)
    assert frame[["verdict", "cost"]].to_dict("records") == [{"verdict": "proven", "cost": 90.0}]


def test_costs_to_date_and_committed(ledger, history):
    (row_,) = money(ledger, BOOK, now=NOW).to_dict("records")
    assert (row_["spent"], row_["on_disproved"], row_["committed"]) == (520, 50, 250)
    assert row_["without_cost"] == 0


def test_states_over_time_add_up_and_end_as_things_stand(ledger, history):
    frame = states_over_time(ledger, now=NOW, step_days=1)
    totals = frame.groupby("day")["findings"].sum()
    assert totals.iloc[0] == 8 and totals.iloc[-1] == 10
    last = frame[frame["day"] == frame["day"].max()].set_index("state")["findings"].to_dict()
    assert last == current(ledger)["state"].value_counts().to_dict()
    day7 = frame[frame["day"] == pd.Timestamp(DAY + dt.timedelta(7))]
    states = day7.set_index("state")["findings"].to_dict()
    assert states[State.FIX_REPORTED_UNPROVEN] == 2  # P0 and O3; O2 follows on day 8
    assert states[State.SET_ASIDE_UNREPAIRED] == 1
    assert State.REPAIR_PROVEN not in states


def test_ageing_counts(ledger, history):
    (found,) = ageing(ledger, BOOK, now=NOW).to_dict("records")
    assert found["findings"] == 10
    assert (found["open"], found["made_safe"], found["reported_unproven"], found["proven"]) == (
        4, 1, 1, 4,
    )  # fmt: skip
    assert (found["overdue_first"], found["proof_overdue"], found["set_aside"]) == (3, 1, 1)
    assert found["overdue"] == 4
    assert (found["oldest_days_open"], found["oldest_days_unproven"]) == (100, 92)

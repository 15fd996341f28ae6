"""What is kept of a finding is what its events amount to, and lists read nothing else."""

import datetime as dt

import pandas as pd
import pytest
import sqlalchemy as sa
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import current, current_states, history, open_ledger
from pipeline.ledger import events as ev
from pipeline.ledger.bills import bills
from pipeline.ledger.chain import Break
from pipeline.ledger.clocks import clock_curves, firm_record
from pipeline.ledger.due import due, target_moves
from pipeline.ledger.effects import unproven_fixes, verified_fixes
from pipeline.ledger.money import money, quotes
from pipeline.ledger.papers import attachments, permits
from pipeline.ledger.progress import (
    ageing,
    failed_verifications,
    repair_summary,
    reported_fixes,
    states_over_time,
)
from pipeline.ledger.second_looks import second_looks
from pipeline.ledger.store import Draft
from pipeline.ledger.visits import visits
from pipeline.ledger.worklist import work_list
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book
from tests.cli.running import run

BOOK = load_rule_book()
NOW = dt.datetime(2026, 1, 5, 12, tzinfo=dt.UTC)

QUESTIONS = {
    "current": current,
    "due": lambda ledger: due(ledger, BOOK, NOW),
    "target_moves": lambda ledger: target_moves(ledger, BOOK, NOW),
    "bills": bills,
    "firm_record": lambda ledger: firm_record(ledger, BOOK, now=NOW),
    "clocks": lambda ledger: pd.DataFrame(
        [
            {"clock": name, "group": group, "curve": str(curve)}
            for name in ("seen_to_known", "assigned_to_reported", "reported_to_proven")
            for group, curve in clock_curves(ledger, BOOK, name, now=NOW).items()
        ]
    ),
    "money": lambda ledger: money(ledger, BOOK, now=NOW),
    "quotes": lambda ledger: quotes(ledger, BOOK, now=NOW),
    "ageing": lambda ledger: ageing(ledger, BOOK, now=NOW),
    "failed_verifications": lambda ledger: failed_verifications(ledger, BOOK),
    "repair_summary": lambda ledger: repair_summary(ledger, BOOK, now=NOW),
    "reported_fixes": reported_fixes,
    "states_over_time": lambda ledger: states_over_time(ledger, now=NOW),
    "second_looks": second_looks,
    "attachments": attachments,
    "permits": lambda ledger: permits(ledger, today=NOW.date()),
    "visits": lambda ledger: visits(ledger, today=NOW.date()),
    "work_list": lambda ledger: work_list(ledger, BOOK, now=NOW),
    "verified_fixes": verified_fixes,
    "unproven_fixes": unproven_fixes,
}
"""Every question that reads the ledger as a whole."""


def written(ledger, number=3):
    """Findings at which a little of everything happened."""
    ids = []
    for which in range(number):
        at = raised(f"o{which}", grade="confirmed")
        ids.append(ledger.raise_finding(at, at=moment(DAY), **WHO).finding_id)
    steps = [
        ev.Accepted(),
        ev.Assigned(firm="Oddy & Sons", due_on=DAY + dt.timedelta(20), note="as agreed"),
        ev.Quoted(firm="Oddy & Sons", amount=120),
        ev.Paused(since=DAY + dt.timedelta(1), reason="no_access", note="nobody at home"),
        ev.NoAccess(on=DAY),
        ev.VisitPlanned(visit_id="V-0017-2A-20250401-1", on=DAY, person="A. Oddy"),
        ev.Resumed(since=DAY + dt.timedelta(5)),
        ev.SeenAgain(grade="confirmed", condition="reversed_false_ground", seen_on=DAY),
        fix("grounding_conductor_added", DAY + dt.timedelta(9), cost=110),
        ev.VerificationFailed(look=look(result="false_ground", days=12)),
        fix("grounding_conductor_added", DAY + dt.timedelta(15), cost=90),
    ]
    for place, step in enumerate(steps):
        ledger.append_many(
            [Draft(each, step) for each in ids[: 2 if place > 5 else number]],
            at=moment(DAY + dt.timedelta(10 + place)),
            **WHO,
        )
    return ids


@pytest.mark.slow
@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_reads_every_kind_of_event_that_it_needs(question, ledger, monkeypatch):
    """A kind that a question forgets to read would be missing without a word."""
    written(ledger)
    answer = QUESTIONS[question](ledger)
    some = history.events_table
    monkeypatch.setattr(
        history, "events_table", lambda ledger, _, building: some(ledger, ev.KINDS, building)
    )
    pd.testing.assert_frame_equal(QUESTIONS[question](ledger), answer)


def test_what_is_kept_is_what_the_events_amount_to(ledger):
    ids = written(ledger)
    with ledger.reading() as con:
        states = current_states.contents(con)
    assert {each: current_states.content_of(ledger.finding(each)) for each in ids} == states
    assert ledger.verify() == []


def change(ledger, sql, **values):
    with ledger.writing() as con:
        con.execute(sa.text(sql), values)


def test_a_kept_state_that_somebody_changed_is_told_and_made_anew(ledger):
    (first, *_) = written(ledger)
    change(
        ledger,
        "UPDATE current_states SET content = replace(content, :was, :becomes) "
        "WHERE finding_id = :which",
        was="fix_reported_unproven",
        becomes="repair_proven",
        which=first,
    )
    (found,) = ledger.verify()
    assert isinstance(found, Break)
    assert found.finding_id == first
    assert "state: repair_proven for fix_reported_unproven" in found.what
    assert ledger.state_anew() == 3
    assert ledger.verify() == []


CHANGED = "UPDATE current_states SET content = replace(content, :was, :becomes)"


@pytest.mark.slow
@pytest.mark.parametrize("question", QUESTIONS)
def test_no_list_reads_a_state_that_somebody_changed(question, ledger):
    written(ledger)
    change(ledger, CHANGED, was="fix_reported_unproven", becomes="repair_proven")
    with pytest.raises(CoverplateError, match="was changed since it was written") as refusal:
        QUESTIONS[question](ledger)
    assert "ledger restate" in refusal.value.to_do
    ledger.state_anew()
    QUESTIONS[question](ledger)


def test_a_state_of_an_earlier_day_put_back_as_the_last_one_is_refused(ledger):
    ids = written(ledger)
    with ledger.reading() as con:
        earlier = current_states.kept(con)[ids[2]]
    ledger.append(ids[2], ev.Dismissed(reason="house pulled down"), **WHO)
    sql = "UPDATE current_states SET content = :content WHERE finding_id = :which"
    change(ledger, sql, content=earlier, which=ids[2])
    with pytest.raises(CoverplateError, match=f"{ids[2]} was changed"):
        current(ledger)
    (found,) = ledger.verify()
    assert found.finding_id == ids[2]


def test_a_state_with_its_hash_made_anew_is_found_by_verify(ledger):
    (first, *_) = written(ledger)
    with ledger.reading() as con:
        content = current_states.contents(con)[first]
    finding = ledger.finding(first)
    forged = content.replace("fix_reported_unproven", "repair_proven")
    text = current_states._hash(finding.sequence, forged) + forged
    sql = "UPDATE current_states SET content = :content WHERE finding_id = :which"
    change(ledger, sql, content=text, which=first)
    (found,) = ledger.verify()
    assert "state: repair_proven for fix_reported_unproven" in found.what


def test_states_kept_without_a_hash_are_worked_out_anew_on_opening(tmp_path):
    ledger = open_ledger(tmp_path / "old.sqlite")
    ids = written(ledger)
    before = current(ledger)
    change(ledger, "UPDATE current_states SET form = 1, content = substr(content, :skip)", skip=65)
    pd.testing.assert_frame_equal(current(ledger), before)  # folded as it is read
    ledger.close()
    again = open_ledger(tmp_path / "old.sqlite")
    with again.reading() as con:
        assert set(current_states.contents(con)) == set(ids)
        assert None not in current_states.contents(con).values()
    assert again.verify() == []


def test_a_ledger_of_before_states_were_kept_is_read_and_brought_up(tmp_path):
    ledger = open_ledger(tmp_path / "old.sqlite")
    written(ledger)
    before = current(ledger)
    change(ledger, "DROP TABLE current_states")
    pd.testing.assert_frame_equal(current(ledger), before)  # read only: folded as it is read
    assert ledger.verify() == []
    ledger.close()
    again = open_ledger(tmp_path / "old.sqlite")
    with again.reading() as con:
        assert current_states.behind(con) == []
    pd.testing.assert_frame_equal(current(again), before)


def test_a_state_that_is_behind_its_events_is_not_believed(ledger):
    ids = written(ledger)
    with ledger.reading() as con:
        stale = current_states.kept(con)[ids[2]]
    ledger.append(ids[2], ev.Dismissed(reason="house pulled down"), **WHO)
    change(
        ledger,
        "UPDATE current_states SET content = :content, sequence = sequence - 1 "
        "WHERE finding_id = :which",
        content=stale,
        which=ids[2],
    )
    frame = current(ledger).set_index("finding_id")
    assert frame.loc[ids[2], "state"] == "set_aside_unrepaired"


def test_what_an_import_brings_is_kept_as_well(ledger, tmp_path):
    from pipeline.ledger.archive import back_up
    from pipeline.ledger.incoming import restore

    written(ledger)
    back_up(ledger, tmp_path / "copy.sqlite")
    other = open_ledger(tmp_path / "other.sqlite")
    restore(other, tmp_path / "copy.sqlite", who="A. Oddy")
    with other.reading() as con:
        assert current_states.behind(con) == []
    pd.testing.assert_frame_equal(current(other), current(ledger))


def test_only_the_events_that_were_asked_for_are_loaded(ledger):
    written(ledger)
    with history.history(ledger) as con:
        assert con.execute("SELECT count(*) FROM history").fetchone() == (0,)
        assert con.execute("SELECT count(*) FROM findings").fetchone() == (3,)
    with history.history(ledger, kinds=["quoted"]) as con:
        kinds = con.execute("SELECT DISTINCT kind FROM history").fetchall()
        assert kinds == [("quoted",)]


def test_a_changed_state_is_told_and_put_right_on_the_command_line(tmp_path):
    place = tmp_path / "w" / "ledger" / "ledger.sqlite"
    place.parent.mkdir(parents=True)
    ledger = open_ledger(place)
    ids = written(ledger)
    change(ledger, "UPDATE current_states SET content = replace(content, 'false', 'true')")
    ledger.close()
    at = ["--ledger", str(place), "--workspace", str(tmp_path / "w")]
    lists = (("findings", "list"), ("findings", "list", "--overdue"), ("visits", "list"))
    for command in lists:
        refused = run(*command, *at)
        assert refused.code == 2 and "was changed since it was written" in refused.err, command
        assert "ledger restate" in refused.err
    told = run("ledger", "verify", *at, "--json")
    assert told.code == 2
    assert [each["finding_id"] for each in told.json()] == sorted(ids)
    assert run("ledger", "restate", *at, "--json").json() == [{"findings": 3, "restated": 3}]
    assert run("ledger", "verify", *at).code == 0

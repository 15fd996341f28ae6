"""Append-only, versioned, chained: on both databases."""

import datetime as dt
import json
import sqlite3

import pytest
import sqlalchemy as sa
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import Draft, current, open_ledger
from pipeline.ledger.archive import back_up, export_events, read_export
from pipeline.ledger.chain import event_hash
from pipeline.ledger.database import EVENTS
from pipeline.ledger.events import KINDS, Accepted, Assigned, Commented, parse_payload
from pipeline.ledger.incoming import import_events, restore
from pipeline.ledger.state import State
from shared.canonical import canonical
from shared.faults import CoverplateError


def brought_in(ledger, source, folder):
    """Export one ledger and import it into another; how many were written and set aside."""
    path = folder / "history.jsonl"
    export_events(source, path)
    done = import_events(ledger, read_export(path), who="Ann")
    return done.written, done.set_aside


def three_findings(ledger):
    events = ledger.raise_many([raised(f"K{n}") for n in range(3)], **WHO)
    ids = [event.finding_id for event in events]
    for each in ids:
        ledger.append(each, Commented(text="seen the box"), **WHO)
        ledger.append(each, Accepted(), **WHO)
    return ids


@pytest.mark.slow
def test_a_finding_from_raised_to_proven(any_ledger):
    finding = any_ledger.raise_finding(raised(), at=moment(DAY), **WHO).finding_id
    any_ledger.append(finding, Assigned(firm="Pellworth Electric", due_on=DAY), **WHO)
    any_ledger.append(finding, fix(cost=420.0), **WHO)
    any_ledger.record_look(finding, look(), **WHO)
    frame = current(any_ledger)
    assert len(frame) == 1
    row = frame.iloc[0]
    assert (row["state"], row["firm"], row["cost"]) == ("repair_proven", "Pellworth Electric", 420)
    assert any_ledger.finding(finding).state is State.REPAIR_PROVEN
    assert [event.kind for event in any_ledger.history(finding)] == [
        "raised", "assigned", "fix_reported", "verified",
    ]  # fmt: skip
    assert any_ledger.verify() == []


def test_the_second_of_two_is_told_what_changed(any_ledger):
    finding = any_ledger.raise_finding(raised(), **WHO).finding_id
    seen = any_ledger.finding(finding).sequence
    first = Assigned(firm="Pellworth Electric")
    any_ledger.append(finding, first, who="Ann", origin="dashboard", expected=seen)
    with pytest.raises(CoverplateError) as refusal:
        any_ledger.append(finding, Assigned(firm="Other"), who="Bo", origin="cli", expected=seen)
    assert "2 assigned by Ann" in refusal.value.found
    assert any_ledger.finding(finding).firm == "Pellworth Electric"


def test_many_are_written_all_or_none(any_ledger):
    ids = three_findings(any_ledger)
    before = any_ledger.heads()
    drafts = [Draft(each, Assigned(firm="Pellworth Electric"), 3) for each in ids]
    stale = Draft(ids[1], Assigned(firm="Pellworth Electric"), 2)
    with pytest.raises(CoverplateError, match="1 of 3 events are refused"):
        any_ledger.append_many([drafts[0], stale, drafts[2]], **WHO)
    assert any_ledger.heads() == before
    assert len(any_ledger.append_many(drafts, **WHO)) == 3
    assert set(current(any_ledger)["firm"]) == {"Pellworth Electric"}


def test_raising_the_same_again_is_refused_and_changes_nothing(any_ledger):
    any_ledger.raise_finding(raised(), **WHO)
    with pytest.raises(CoverplateError, match="stands already"):
        any_ledger.raise_finding(raised(), **WHO)
    assert any_ledger.raise_many([raised(), raised("K2"), raised("K2")], **WHO)[0].sequence == 1
    assert len(any_ledger.heads()) == 2


def test_a_recurrence_points_back_at_a_proven_repair(any_ledger):
    finding = any_ledger.raise_finding(raised(), **WHO).finding_id
    again = raised(occurrence=2, recurs_of=finding)
    with pytest.raises(CoverplateError, match="not proven repaired"):
        any_ledger.raise_finding(again, **WHO)
    any_ledger.append(finding, fix(), **WHO)
    any_ledger.record_look(finding, look(), **WHO)
    with pytest.raises(CoverplateError):
        any_ledger.raise_finding(raised(occurrence=2), **WHO)
    second = any_ledger.raise_finding(again, **WHO).finding_id
    assert second != finding
    assert any_ledger.finding(second).raised.recurs_of == finding


def test_the_database_itself_refuses_to_change_or_remove_events(any_ledger):
    three_findings(any_ledger)
    for statement in (sa.update(EVENTS).values(who="nobody"), sa.delete(EVENTS)):
        with pytest.raises(sa.exc.DatabaseError, match="append-only"), any_ledger.writing() as con:
            con.execute(statement)
    assert any_ledger.verify() == []


def tampered(tmp_path, ledger, statement, *parameters):
    """Change an SQLite ledger behind the triggers' back and open it again."""
    path = ledger.engine.url.database
    con = sqlite3.connect(path)
    for trigger in ("events_no_update", "events_no_delete"):
        con.execute(f"DROP TRIGGER {trigger}")
    con.execute(statement, parameters)
    con.commit()
    con.close()
    return open_ledger(path)


@pytest.mark.parametrize(
    ("statement", "sequence", "what"),
    [
        ("UPDATE events SET who = 'someone' WHERE sequence = 2 AND finding_id = ?", 2, "altered"),
        ("UPDATE events SET recorded_at = '2020-01-01T00:00:00.000000Z' "
         "WHERE sequence = 3 AND finding_id = ?", 3, "altered"),
        ("UPDATE events SET kind = 'accepted' WHERE sequence = 2 AND finding_id = ?", 2, "altered"),
        ("UPDATE events SET payload = replace(payload, 'box', 'b0x') WHERE finding_id = ?",
         2, "altered"),
        ("DELETE FROM events WHERE sequence = 2 AND finding_id = ?", 3, "before it is missing"),
        ("DELETE FROM events WHERE sequence = 3 AND finding_id = ?", 3, "missing"),
        ("DELETE FROM events WHERE finding_id = ?", 1, "missing"),
        ("UPDATE findings SET head_sequence = 2 WHERE finding_id = ?", 3, "last event"),
    ],
)  # fmt: skip
def test_every_alteration_is_found_where_it_was_made(tmp_path, ledger, statement, sequence, what):
    ids = three_findings(ledger)
    found = tampered(tmp_path, ledger, statement, ids[1]).verify()
    assert found[0].finding_id == ids[1]
    assert found[0].sequence == sequence
    assert any(what in each.what for each in found)
    assert {each.finding_id for each in found} == {ids[1]}


def test_a_chain_made_anew_is_found_by_an_earlier_seal(tmp_path, ledger):
    ids = three_findings(ledger)
    seal = dict(ledger.heads())
    stored = [each for each in ledger.stored() if each.finding_id == ids[0]]
    last = stored[-1]
    payload = canonical({"kind": "dismissed", "reason": "nothing wrong here"})
    digest = event_hash(
        last.previous_hash, ids[0], 3, last.recorded_at, last.who, last.origin, payload
    )
    path = ledger.engine.url.database
    con = sqlite3.connect(path)
    con.execute("DROP TRIGGER events_no_update")
    con.execute(
        "UPDATE events SET kind = 'dismissed', payload = ?, hash = ? "
        "WHERE finding_id = ? AND sequence = 3", (payload, digest, ids[0]),
    )  # fmt: skip
    con.execute("UPDATE findings SET head_hash = ? WHERE finding_id = ?", (digest, ids[0]))
    con.commit()
    (found,) = ledger.verify()
    assert "kept state" in found.what
    con.execute("DELETE FROM current_states WHERE finding_id = ?", ids[:1])  # covers that up too
    con.commit()
    con.close()
    opened = open_ledger(path)
    assert opened.verify() == []
    found = opened.verify(seal)
    assert [(each.finding_id, each.sequence) for each in found] == [(ids[0], 3)]


def test_a_seal_still_holds_after_more_was_written(ledger):
    ids = three_findings(ledger)
    seal = dict(ledger.heads())
    ledger.append(ids[0], Commented(text="more"), **WHO)
    assert ledger.verify(seal) == []


def test_export_and_import_give_the_same_ledger_twice(any_ledger, tmp_path):
    ids = three_findings(any_ledger)
    any_ledger.append(ids[0], fix(cost=99.5, note="Zwennock – ½ day"), **WHO)
    path = tmp_path / "history.jsonl"
    assert export_events(any_ledger, path) == 10
    other = open_ledger(tmp_path / "other.sqlite")
    assert brought_in(other, any_ledger, tmp_path) == (10, 0)
    assert brought_in(other, any_ledger, tmp_path) == (0, 0)
    assert other.heads() == any_ledger.heads()
    assert other.verify(any_ledger.heads()) == []
    assert current(other).equals(current(any_ledger))


def test_an_import_joins_what_stands(ledger, tmp_path):
    ids = three_findings(ledger)
    other = open_ledger(tmp_path / "other.sqlite")
    assert brought_in(other, ledger, tmp_path) == (9, 0)
    ledger.append(ids[0], Commented(text="more"), **WHO)
    assert brought_in(other, ledger, tmp_path) == (1, 0)
    assert other.heads() == ledger.heads()
    other.append(ids[1], Commented(text="here only"), **WHO)
    ledger.append(ids[1], Commented(text="there only"), **WHO)
    ledger.append(ids[2], Commented(text="goes in"), **WHO)
    before = other.history(ids[1])
    assert brought_in(other, ledger, tmp_path) == (1, 1)
    assert other.history(ids[1]) == before
    assert other.verify() == []


def test_an_altered_chain_of_an_export_is_set_aside_whole(ledger, tmp_path):
    ids = three_findings(ledger)
    path = tmp_path / "history.jsonl"
    export_events(ledger, path)
    lines = path.read_text().splitlines()
    altered = json.loads(lines[4])
    lines[4] = json.dumps({**altered, "who": "someone else"})
    path.write_text("\n".join(lines))
    other = open_ledger(tmp_path / "other.sqlite")
    done = import_events(other, read_export(path), who="Ann")
    assert (done.written, done.set_aside) == (6, 3)
    assert "altered" in done.reasons[altered["finding_id"]]
    assert set(other.heads()) == set(ids) - {altered["finding_id"]}


def test_back_up_and_restore(any_ledger, tmp_path):
    three_findings(any_ledger)
    path = tmp_path / "copy"
    back_up(any_ledger, path)
    with pytest.raises(CoverplateError, match="exists"):
        back_up(any_ledger, path)
    other = open_ledger(tmp_path / "other.sqlite")
    assert restore(other, path, who="Ann").written == 9
    assert other.heads() == any_ledger.heads()
    with pytest.raises(CoverplateError, match="not empty"):
        restore(other, path, who="Ann")


def test_unknown_findings_and_bad_places_are_refused_in_words(ledger, tmp_path):
    with pytest.raises(CoverplateError, match="no finding F-0"):
        ledger.append("F-0", Accepted(), **WHO)
    with pytest.raises(CoverplateError, match="needs who"):
        ledger.raise_finding(raised(), who=" ", origin="cli")
    with pytest.raises(CoverplateError, match="not supported"):
        open_ledger("mysql://host/name")
    with pytest.raises(CoverplateError, match="cannot be opened"):
        open_ledger("postgresql://nobody@127.0.0.1:1/none")
    with pytest.raises(CoverplateError, match="no defect family"):
        ledger.raise_finding(raised(family="broken"), **WHO)


def test_payloads_are_validated_with_every_fault_named():
    with pytest.raises(CoverplateError) as refusal:
        parse_payload({"kind": "fix_reported", "fixed_on": "soon", "firm": "", "cost": -1})
    for column in ("remedy", "fixed_on", "firm", "cost"):
        assert column in refusal.value.found
    with pytest.raises(CoverplateError):
        parse_payload({"kind": "closed"})
    assert len(KINDS) == 26


def test_dates_in_the_future_are_refused(ledger):
    finding = ledger.raise_finding(raised(), **WHO).finding_id
    far = dt.date.today() + dt.timedelta(days=30)
    with pytest.raises(CoverplateError, match="future"):
        ledger.append(finding, fix(fixed_on=far), **WHO)
    with pytest.raises(CoverplateError, match="did not cure"):
        ledger.append(finding, fix(fixed_on=DAY - dt.timedelta(days=1)), **WHO)

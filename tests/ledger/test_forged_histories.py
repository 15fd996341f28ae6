"""A forged history, every hash right, never becomes truth: set aside at import, told by verify."""

import datetime as dt
import json
import sqlite3

import pytest
from forging import FIRST, FIXED, LOOKED, chained, honest, slipped_in, write_lines
from ledger_samples import DAY, WHO, fix, look, moment, raised
from test_ledger_commands import Typed

from pipeline.ledger import State, current, open_ledger
from pipeline.ledger.events import Assigned, Commented
from pipeline.ledger.rule_books import kept_rows
from pipeline.ledger.verification import Judge
from shared.canonical import canonical, utc_text
from shared.faults import CoverplateError
from shared.rule_book import (
    default_rule_book_text,
    kept_rule_book,
    load_rule_book,
    parse_rule_book,
)

pytestmark = pytest.mark.slow


BOOK = load_rule_book()


@pytest.fixture
def steps(tmp_path):
    return honest(tmp_path)


@pytest.fixture
def typed(tmp_path):
    return Typed(str(tmp_path / "ledger.sqlite"), tmp_path)


def refused_remedy(steps):
    steps[1][1] |= {"remedy": "receptacle_swapped"}


def unknown_remedy(steps):
    steps[1][1] |= {"remedy": "prayer"}


def earlier_look(steps):
    steps[2][1]["look"] |= {"observed_on": str(DAY - dt.timedelta(6 * 365))}


def blind_method(steps):
    steps[2][1]["look"] |= {"method": "three_lamp_tester"}


def altered_leaves(steps):
    steps[1][1] |= {"remedy": "two_slot_again"}  # leaves an ungrounded opening of two slots


def other_odds(steps):
    steps[2][1] |= {"odds": 1e6}


def backwards(steps):
    steps[2][0] = FIXED - dt.timedelta(seconds=1)


def future(steps):
    steps[2][0] = dt.datetime.now(dt.UTC) + dt.timedelta(days=40)


def seen_on_a_day_to_come(steps):
    later = str(dt.date.today() + dt.timedelta(days=400))
    steps[0][1] |= {"first_seen_on": later, "last_seen_on": later}


def last_seen_before_it_was_first_seen(steps):
    steps[0][1] |= {"last_seen_on": str(DAY - dt.timedelta(days=9))}


def told_on_a_day_to_come(steps):
    steps[0][1] |= {"notified_on": str(dt.date.today() + dt.timedelta(days=400))}


def look_after_it_was_recorded(steps):
    steps[2][1]["look"] |= {"observed_on": str((LOOKED + dt.timedelta(9)).date())}


def fixed_before_it_was_seen(steps):
    steps[1][1] |= {"fixed_on": str(DAY - dt.timedelta(1))}


def dismissed_then_verified(steps):
    steps[1][1] = {"kind": "dismissed", "reason": "nothing wrong here"}


def found_the_defect_yet_verified(steps):
    steps[2][1]["look"] |= {"method": "cover_off_inspection", "result": "false_ground"}


def unkept_rule_book(steps):
    steps[1][1] |= {"rule_book_hash": "0" * 64}


def no_rule_book(steps):
    del steps[2][1]["rule_book_hash"]


def unknown_family(steps):
    steps[0][1] |= {"family": "bad_luck"}


def nobody_wrote_it(steps):
    steps[2][2] = " "


def recurs_of_nothing(steps):
    steps[0][1] |= {"occurrence": 2, "recurs_of": "F-0123456789abcdef"}


def first_said_to_recur(steps):
    steps[0][1] |= {"recurs_of": "F-0123456789abcdef"}


def raised_twice(steps):
    steps[1][1] = dict(steps[0][1])


def not_raised(steps):
    steps[0][1] |= {"kind": "accepted"}
    for name in [each for each in steps[0][1] if each != "kind"]:
        del steps[0][1][name]


def a_key_twice(steps):
    text = canonical(steps[2][1])
    steps[2][1] = text[:-1] + ',"kind":"verified"}'


def unknown_column(steps):
    steps[1][1] |= {"proven": True}


def confirmed_withdrawn(steps):
    steps[1][1] = {"kind": "evidence_withdrawn", "reason": "the evidence no longer points at it"}


def confirmed_made_suspected(steps):
    steps[1][1] = {"kind": "seen_again", "grade": "suspected", "seen_on": str(DAY)}


def raised_as_a_defect_of_another_family(steps):
    steps[0][1] |= {"condition": "ungrounded"}


def seen_as_a_defect_of_another_family(steps):
    seen = {"kind": "seen_again", "grade": "confirmed", "seen_on": str(DAY)}
    steps[1][1] = {**seen, "condition": "ungrounded"}


def put_off_without_a_reason(steps):
    steps[1][1] = {"kind": "assigned", "firm": "Pellworth Electric", "due_on": "2026-01-31"}


def put_off_for_decades(steps):
    note = "agreed with the owner"
    steps[1][1] = {"kind": "assigned", "firm": "Pellworth", "due_on": "2099-01-31", "note": note}


def made_safe_on_a_day_to_come(steps):
    later = str(dt.date.today() + dt.timedelta(days=400))
    steps[1][1] = {"kind": "made_safe", "how": "circuit_de_energised", "since": later}


SORTS = {
    made_safe_on_a_day_to_come: "made safe for now since",
    confirmed_withdrawn: "evidence alone takes none off the list",
    confirmed_made_suspected: "seen again as suspected only",
    raised_as_a_defect_of_another_family: "ungrounded is none of the defects of false_ground",
    seen_as_a_defect_of_another_family: "ungrounded is none of the defects of false_ground",
    put_off_without_a_reason: "later than its first target",
    put_off_for_decades: "more than ten years ahead",
    refused_remedy: "is not accepted as a fix",
    unknown_remedy: "no remedy of the rule book",
    earlier_look: "the fix was reported done on",
    blind_method: "unproven",
    altered_leaves: "says leaves_condition grounded; the rules give ungrounded",
    other_odds: "states odds of 1000000",
    backwards: "before the event before it",
    future: "in the future",
    look_after_it_was_recorded: "in the future",
    seen_on_a_day_to_come: "in the future",
    told_on_a_day_to_come: "in the future",
    last_seen_before_it_was_first_seen: "after it was last seen",
    fixed_before_it_was_seen: "last seen on",
    dismissed_then_verified: "verified cannot follow",
    found_the_defect_yet_verified: "does not amount to verified",
    unkept_rule_book: "a rule book that is not kept here (0000",
    no_rule_book: "does not say which rule book judged it",
    unknown_family: "no defect family",
    nobody_wrote_it: "needs who wrote it",
    recurs_of_nothing: "would be occurrence 2",
    first_said_to_recur: "said to recur",
    raised_twice: "raised already",
    not_raised: "begins with accepted",
    a_key_twice: "not written as this program writes",
    unknown_column: "fault",
}


def forged(steps, sort):
    finding = chained(steps)[0]["finding_id"]
    sort(steps)
    # A chain that does not begin as it should has no identity of its own to be right.
    return chained(steps, finding=finding if sort is not_raised else None)


def test_the_chain_that_all_of_them_were_made_from_is_sound(steps, typed, tmp_path):
    lines = chained(steps)
    (told,) = typed.json("ledger import", write_lines(tmp_path / "h.jsonl", lines), "--by", "Ann")
    assert (told["events"], told["set_aside"]) == (3, 0)
    assert typed("ledger verify").startswith("1 findings, 3 events: all chains hold")
    other = Typed(str(slipped_in(tmp_path / "direct.sqlite", lines)), tmp_path)
    assert other("ledger verify").startswith("1 findings, 3 events: all chains hold")


@pytest.mark.parametrize("sort", SORTS, ids=lambda sort: sort.__name__)
def test_a_forged_chain_is_set_aside_whole_and_the_others_go_in(steps, typed, tmp_path, sort):
    sound = [[FIRST, raised("K9").model_dump(mode="json", exclude_none=True), "Ann"]]
    lines = [*chained(sound), *forged(steps, sort)]
    path = write_lines(tmp_path / "history.jsonl", lines)
    (told,) = typed.json("ledger import", path, "--by", "Ann", ok=3)
    assert (told["events"], told["set_aside"]) == (1, 3)
    (row,) = typed.json("findings list --all")
    assert row["opening_id"] == "K9"
    assert typed("ledger verify").startswith("1 findings, 1 events: all chains hold")
    aside = typed.json("ledger set-aside")
    assert [each["line"] for each in aside] == [2, 3, 4]
    assert {each["finding_id"] for each in aside} == {lines[1]["finding_id"]}
    assert all(SORTS[sort] in each["reason"] for each in aside)
    assert [json.loads(each["text"]) for each in aside] == lines[1:]
    assert typed("ledger set-aside").startswith("3 lines set aside")


@pytest.mark.parametrize("sort", SORTS, ids=lambda sort: sort.__name__)
def test_a_forged_chain_slipped_into_the_database_is_told(steps, tmp_path, sort):
    path = slipped_in(tmp_path / "direct.sqlite", forged(steps, sort))
    typed = Typed(str(path), tmp_path)
    found = typed.json("ledger verify", ok=2)
    assert any(SORTS[sort] in each["what"] for each in found), found
    # a seal made of the forged ledger proves nothing of the rules
    typed("ledger seal", tmp_path / "seal.json")
    again = typed.json("ledger verify --seal", tmp_path / "seal.json", ok=2)
    assert again == found


def two_occurrences(folder, proven):
    first = honest(folder)
    if not proven:
        first = first[:2]
    content = raised(occurrence=2, recurs_of=chained(first)[0]["finding_id"])
    second = [[LOOKED + dt.timedelta(5), content.model_dump(mode="json", exclude_none=True), "A"]]
    return [*chained(first), *chained(second, first_position=9)]


@pytest.mark.parametrize(("proven", "aside"), [(True, 0), (False, 1)])
def test_a_recurrence_of_what_was_not_proven_is_set_aside(typed, tmp_path, proven, aside):
    lines = two_occurrences(tmp_path, proven)
    path = write_lines(tmp_path / "history.jsonl", lines)
    (told,) = typed.json("ledger import", path, ok=3 if aside else 0)
    assert (told["events"], told["set_aside"]) == (len(lines) - aside, aside)
    direct = Typed(str(slipped_in(tmp_path / "direct.sqlite", lines)), tmp_path)
    found = direct.json("ledger verify", ok=2 if aside else 0)
    assert [each["finding_id"] for each in found] == [lines[-1]["finding_id"]] * aside


def test_a_recurrence_goes_with_the_forged_proof_that_it_points_back_at(typed, tmp_path):
    lines = two_occurrences(tmp_path, True)
    (tmp_path / "again").mkdir()
    steps = honest(tmp_path / "again")
    blind_method(steps)
    lines[:3] = chained(steps)
    (told,) = typed.json("ledger import", write_lines(tmp_path / "h.jsonl", lines), ok=3)
    assert (told["events"], told["set_aside"]) == (0, 4)


def lax_book():
    """A rule book by which a reading proves a repair as soon as it is no less likely."""
    text = default_rule_book_text()
    old = "verify_odds = { value = 10.0"
    assert old in text
    lax = parse_rule_book(text.replace(old, "verify_odds = { value = 3.0"))
    assert lax.hash != BOOK.hash
    return lax


@pytest.fixture
def foreign(tmp_path):
    """An export of a ledger that was judged by another rule book, which it brings along."""
    book = lax_book()
    ledger = open_ledger(tmp_path / "foreign.sqlite", rule_book=book)
    finding = ledger.raise_finding(raised(), at=FIRST, **WHO).finding_id
    ledger.append(finding, fix(), at=FIXED, **WHO)
    ledger.record_look(finding, look(), at=LOOKED, **WHO)
    ledger.close()
    away = Typed(str(tmp_path / "foreign.sqlite"), tmp_path)
    away("ledger export", tmp_path / "foreign.jsonl")
    return tmp_path / "foreign.jsonl", book


def test_a_rule_book_from_a_file_judges_only_if_somebody_vouches(foreign, typed):
    path, book = foreign
    typed("ledger import", path, ok=3)
    reason = typed.json("ledger set-aside")[0]["reason"]
    assert f"--rule-book-hash {book.hash}" in reason
    assert typed.json("findings list --all") == []
    refusal = typed("ledger import", path, "--rule-book-hash", "1" * 64, ok=None)
    assert "no rule book 1111" in refusal.found and book.hash in refusal.expected
    vouched = ["--rule-book-hash", book.hash, "--by", "Ann"]
    (told,) = typed.json("ledger import", path, *vouched)
    assert (told["events"], told["set_aside"]) == (3, 0)
    assert typed.json("ledger set-aside") == []  # they stand now
    assert typed.json("ledger verify") == []
    assert f"the rule book {book.hash[:12]}, which is kept here" in typed.told("ledger verify")
    assert [row["rule_books_vouched"] for row in typed.json("ledger imports")] == [[], [book.hash]]
    # once it is kept here it judges without being vouched for again
    (told,) = typed.json("ledger import", path)
    assert (told["events"], told["standing"]) == (0, 3)


def test_a_day_that_another_rule_book_allowed_is_no_forgery(typed, tmp_path):
    text = default_rule_book_text()
    old = "severe = { value = 21"
    assert text.count(old) == 1
    book = parse_rule_book(text.replace(old, "severe = { value = 90"))
    ledger = open_ledger(tmp_path / "foreign.sqlite", rule_book=book)
    finding = ledger.raise_finding(raised(), at=FIRST, **WHO).finding_id
    due = Assigned(firm="Pellworth", due_on=DAY + dt.timedelta(60))
    ledger.append(finding, due, at=FIRST, **WHO)
    ledger.close()
    away = Typed(str(tmp_path / "foreign.sqlite"), tmp_path)
    assert away.json("ledger verify") == []
    away("ledger export", tmp_path / "foreign.jsonl")
    typed("ledger import", tmp_path / "foreign.jsonl", ok=3)
    vouched = ["--rule-book-hash", book.hash, "--by", "Ann"]
    (told,) = typed.json("ledger import", tmp_path / "foreign.jsonl", *vouched)
    assert (told["events"], told["set_aside"]) == (2, 0)
    assert typed.json("ledger verify") == []


def test_a_rule_book_that_is_not_what_its_hash_says_judges_nothing(foreign, typed, tmp_path):
    path, book = foreign
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    other = {**lines[3]["rule_book"], "text": BOOK.text}
    write_lines(path, [*lines[:3], {"rule_book": other}])
    refusal = typed("ledger import", path, "--rule-book-hash", book.hash, ok=None)
    assert "is another one" in refusal.found
    direct = slipped_in(tmp_path / "direct.sqlite", lines[:3], [(book.hash, BOOK.text)])
    found = Typed(str(direct), tmp_path).json("ledger verify", ok=2)
    assert all("is another one" in each["what"] for each in found)


def test_a_kept_rule_book_that_was_altered_is_told_though_the_program_has_its_own(steps, tmp_path):
    path = slipped_in(tmp_path / "direct.sqlite", chained(steps), [(BOOK.hash, BOOK.text)])
    typed = Typed(str(path), tmp_path)
    assert typed.json("ledger verify") == []
    con = sqlite3.connect(path)
    con.execute("DROP TRIGGER rule_books_no_update")
    con.execute("UPDATE rule_books SET text = replace(text, 'verify_odds', 'verify_0dds')")
    con.commit()
    con.close()
    (found,) = typed.json("ledger verify", ok=2)
    assert "is another one" in found["what"]


def test_without_its_kept_rule_book_a_judgement_is_told(foreign, tmp_path):
    con = sqlite3.connect(tmp_path / "foreign.sqlite")
    assert con.execute("SELECT hash FROM rule_books").fetchall() == [(foreign[1].hash,)]
    con.execute("DROP TRIGGER rule_books_no_delete")
    con.execute("DELETE FROM rule_books")
    con.commit()
    con.close()
    found = Typed(str(tmp_path / "foreign.sqlite"), tmp_path).json("ledger verify", ok=2)
    assert [each["sequence"] for each in found] == [2, 3]
    assert all("not kept here" in each["what"] for each in found)


def test_a_proof_that_the_rules_of_today_would_not_accept_is_told(steps, tmp_path, monkeypatch):
    path = slipped_in(tmp_path / "direct.sqlite", chained(steps))
    typed = Typed(str(path), tmp_path)
    assert typed.json("ledger verify") == []
    accepts = Judge.verified

    def stricter(self, finding, seen):
        if seen.method == "ground_impedance_meter":
            raise CoverplateError(f"{finding.finding_id}: the box has to be opened")
        return accepts(self, finding, seen)

    monkeypatch.setattr(Judge, "verified", stricter)
    (found,) = typed.json("ledger verify", ok=2)
    assert (found["sequence"], found["what"]) == (3, "the box has to be opened")


def test_rule_books_are_kept_with_the_first_event_that_they_judged(ledger):
    finding = ledger.raise_finding(raised(), at=FIRST, **WHO).finding_id
    with ledger.reading() as con:
        assert kept_rows(con) == []
    for days in (0, 1):
        ledger.append(finding, fix(cost=days), at=FIXED + dt.timedelta(days), **WHO)
    with ledger.reading() as con:
        (row,) = kept_rows(con)
    assert (row["hash"], row["first_used_at"]) == (BOOK.hash, utc_text(FIXED))
    assert kept_rule_book(row["text"], row["hash"]) == BOOK
    with pytest.raises(CoverplateError, match="another one"):
        kept_rule_book(row["text"].replace("240", "241", 1), row["hash"])


def test_what_is_set_aside_can_be_mended_and_fed_in_again(steps, typed, tmp_path):
    lines = forged(steps, backwards)
    typed("ledger import", write_lines(tmp_path / "h.jsonl", lines), ok=3)
    typed("ledger set-aside --export", tmp_path / "out.jsonl")
    kept = [json.loads(line) for line in (tmp_path / "out.jsonl").read_text().splitlines()]
    assert kept == lines
    steps[2][0] = LOOKED
    (told,) = typed.json("ledger import", write_lines(tmp_path / "mended.jsonl", chained(steps)))
    assert told["events"] == 3
    assert typed.json("findings list --all")[0]["state"] == "repair_proven"
    # the two lines that stand now wait no longer; the one that was wrong is kept
    assert [each["line"] for each in typed.json("ledger set-aside")] == [3]


def test_that_no_record_of_an_import_is_left_is_told_by_what_stands_beside(steps, typed, tmp_path):
    path = write_lines(tmp_path / "h.jsonl", chained(steps))
    for _ in range(2):
        typed("ledger import", path)
    typed("ledger seal", tmp_path / "seal.json")
    con = sqlite3.connect(tmp_path / "ledger.sqlite")
    con.execute("DROP TRIGGER imports_no_delete")
    for number, now in ((2, 1), (1, 0)):
        con.execute("DELETE FROM imports WHERE number = ?", [number])
        con.commit()
        (told,) = typed.json("ledger verify", ok=2)
        assert told["what"].startswith("of 2 imports on ")
        assert f"{now} are recorded now (ledger.heads.jsonl)" in told["what"]
    con.close()
    (tmp_path / "ledger.heads.jsonl").unlink()
    (told,) = typed.json("ledger verify --seal", tmp_path / "seal.json", ok=2)
    assert "0 are recorded now (seal seal.json)" in told["what"]


def test_the_same_import_again_changes_nothing_but_the_record(steps, typed, tmp_path):
    path = write_lines(tmp_path / "h.jsonl", [*chained(steps), {"what": "is this"}])
    for expected in ((3, 0), (0, 3)):
        (told,) = typed.json("ledger import", path, ok=3)
        assert (told["events"], told["standing"], told["set_aside"]) == (*expected, 1)
    rows = typed.json("ledger imports")
    assert [row["number"] for row in rows] == [1, 2]
    assert rows[0]["head_after"] == rows[1]["head_before"] == rows[1]["head_after"]
    assert len(typed.json("ledger set-aside")) == 1
    assert "is not an event" in typed.json("ledger set-aside")[0]["reason"]
    assert typed.json("ledger verify") == []


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE imports SET who = 'Bo' WHERE number = 1", "import 1 (h.jsonl) was altered"),
        ("DELETE FROM imports WHERE number = 1", "was altered, or one before it is missing"),
        ("DELETE FROM imports WHERE number = 2", "import 2 is gone: 1 lines"),
        ("DELETE FROM imports", "import 1 is gone: 1 lines"),
        ("DELETE FROM events_set_aside", "the lines that it set aside"),
        ("UPDATE imports SET head_after = head_before WHERE number = 1", "was altered"),
    ],
)
def test_records_of_imports_are_chained(steps, typed, tmp_path, statement, said):
    path = write_lines(tmp_path / "h.jsonl", [*chained(steps), {"what": "is this"}])
    for _ in range(2):
        typed("ledger import", path, ok=3)
    con = sqlite3.connect(tmp_path / "ledger.sqlite")
    with pytest.raises(sqlite3.DatabaseError, match="append-only"):
        con.execute(statement)
    for table in ("imports", "events_set_aside"):
        for verb in ("update", "delete"):
            con.execute(f"DROP TRIGGER {table}_no_{verb}")
    con.execute(statement)
    con.commit()
    con.close()
    assert any(said in each["what"] for each in typed.json("ledger verify", ok=2))


def test_a_finding_whose_row_names_another_opening_is_told(steps, tmp_path):
    path = slipped_in(tmp_path / "direct.sqlite", chained(steps))
    con = sqlite3.connect(path)
    con.execute("UPDATE findings SET opening_id = 'K7'")
    con.commit()
    con.close()
    (found,) = Typed(str(path), tmp_path).json("ledger verify", ok=2)
    assert "names another opening" in found["what"]


def test_a_sound_history_goes_round_with_its_proofs(any_url, tmp_path):
    ledger = open_ledger(any_url, rule_book=lax_book())
    for number in range(3):
        finding = ledger.raise_finding(raised(f"K{number}"), at=FIRST, **WHO).finding_id
        ledger.append(finding, fix(cost=99.5, note="Zwennock – ½ day"), at=FIXED, **WHO)
        if number:
            ledger.record_look(finding, look(), at=LOOKED, **WHO)
    again = raised("K2", occurrence=2, recurs_of=finding)
    ledger.raise_finding(again, **WHO)
    frame, heads = current(ledger), ledger.heads()
    ledger.close()
    first = Typed(any_url, tmp_path)
    first("ledger export", tmp_path / "h.jsonl")
    first("ledger backup", tmp_path / "copy")
    vouched = ["--rule-book-hash", lax_book().hash]
    for number, step in enumerate((["import", "h.jsonl"], ["restore", "copy"])):
        url = str(tmp_path / f"new{number}.sqlite")
        typed = Typed(url, tmp_path)
        (told,) = typed.json(f"ledger {step[0]}", tmp_path / step[1], *vouched)
        assert (told["events"], told["set_aside"]) == (9, 0)
        assert typed.json("ledger verify") == []
        opened = open_ledger(url)
        assert opened.heads() == heads
        assert current(opened).equals(frame)
        assert list(current(opened)["state"]).count(State.REPAIR_PROVEN) == 2
        opened.close()


def test_time_runs_forward_where_events_are_written(ledger):
    finding = ledger.raise_finding(raised(), at=LOOKED, **WHO).finding_id
    with pytest.raises(ValueError, match="before the event before it"):
        ledger.append(finding, Commented(text="earlier"), at=FIXED, **WHO)
    late = dt.datetime.now(dt.UTC) + dt.timedelta(hours=5)  # a clock that was ahead
    ledger.append(finding, Commented(text="ahead"), at=late, **WHO)
    event = ledger.append(finding, Commented(text="by the right clock"), **WHO)
    assert utc_text(event.recorded_at) == utc_text(late)
    with pytest.raises(ValueError, match="in the future"):
        ledger.append(finding, Commented(text="far"), at=late + dt.timedelta(days=9), **WHO)
    assert len(ledger.history(finding)) == 3
    assert ledger.verify() == []


def test_a_recurrence_is_not_recorded_before_the_proof(ledger):
    finding = ledger.raise_finding(raised(), at=FIRST, **WHO).finding_id
    ledger.append(finding, fix(), at=FIXED, **WHO)
    ledger.record_look(finding, look(), at=LOOKED, **WHO)
    again = raised(occurrence=2, recurs_of=finding)
    with pytest.raises(ValueError, match="before the event before it"):
        ledger.raise_finding(again, at=moment(DAY), **WHO)
    ledger.raise_finding(again, **WHO)
    assert ledger.verify() == []


def test_lines_that_no_database_can_hold_are_set_aside_too(steps, typed, tmp_path):
    lines = chained(steps)
    lines[0]["who"] = "\ud800\x00"
    lines[1]["finding_id"] = "F-\x00"
    lines[2]["position"] = "three"
    path = tmp_path / "h.jsonl"
    lines += chained([[FIRST, raised("K9").model_dump(mode="json", exclude_none=True), "Ann"]])
    (told,) = typed.json("ledger import", write_lines(path, lines, ascii_only=True), ok=3)
    assert (told["events"], told["set_aside"]) == (1, 3)
    assert typed.json("ledger verify") == []
    assert len(typed.json("ledger set-aside")) == 3


def test_a_back_up_with_forged_records_of_imports_does_not_bring_them(steps, typed, tmp_path):
    typed("ledger import", write_lines(tmp_path / "h.jsonl", chained(steps)), "--by", "Ann")
    for name, who in (("sound", "Ann"), ("forged", "Bo")):
        typed("ledger backup", tmp_path / name)
        con = sqlite3.connect(tmp_path / name)
        con.execute("DROP TRIGGER imports_no_update")
        con.execute("UPDATE imports SET who = ?", [who])
        con.commit()
        con.close()
        new = Typed(str(tmp_path / f"new-{name}.sqlite"), tmp_path)
        new("ledger restore", tmp_path / name, "--by", "Cleo")
        told = [row["who"] for row in new.json("ledger imports")]
        assert told == (["Ann", "Cleo"] if name == "sound" else ["Cleo"])
        assert new.json("ledger verify") == []

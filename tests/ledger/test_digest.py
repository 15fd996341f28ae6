"""A digest tells every change and everything urgent, late or unproven, and only that."""

import datetime as dt

import pandas as pd
import pytest
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import events as ev
from pipeline.ledger.digest import SHOWN, as_page, as_text, changes_since, digest, headline
from pipeline.ledger.due import due
from pipeline.ledger.triage import with_stakes
from pipeline.ledger.visits import visits
from shared.rule_book import load_rule_book
from shared.vocabulary import CAUTIONS
from tests.cli.running import run

BOOK = load_rule_book()


def put(ledger, opening, *steps, condition="false_ground", at=DAY):
    finding = ledger.raise_finding(
        raised(opening, condition=condition, grade="confirmed"), at=moment(at), **WHO
    ).finding_id
    for days, step in steps:
        ledger.append(finding, step, at=moment(at + dt.timedelta(days)), **WHO)
    return finding


@pytest.fixture
def told(ledger):
    """Six weeks on: one proven this week, one disproved before, one urgent, one late, one new."""
    now = DAY + dt.timedelta(42)
    ids = {
        "proven": put(ledger, "K1", (10, fix())),
        "late": put(ledger, "K2", (1, ev.Assigned(firm="Oddy & Sons"))),
        "urgent": put(ledger, "K3", condition="reversed_false_ground"),
        "unproven": put(ledger, "K4", (10, fix())),
        "new": put(ledger, "K5", at=DAY + dt.timedelta(40)),
        "aside": put(ledger, "K6", (3, ev.Dismissed(reason="house pulled down"))),
    }
    ledger.record_look(ids["proven"], look(days=37), at=moment(DAY + dt.timedelta(38)), **WHO)
    since = now - dt.timedelta(7)
    frame = with_stakes(due(ledger, BOOK, now=moment(now)))
    found = digest(frame, changes_since(ledger, since), visits(ledger, today=now), since, now)
    return ids, found


def ids_of(part: pd.DataFrame):
    return set(part["finding_id"])


def test_every_part_holds_what_belongs_there(told):
    ids, found = told
    assert ids_of(found.parts["urgent"]) == {ids["urgent"]}
    assert ids_of(found.parts["changed"]) == {ids["proven"], ids["new"]}
    assert ids_of(found.parts["unproven"]) == {ids["unproven"]}
    assert {ids["late"], ids["urgent"]} <= ids_of(found.parts["late"])
    assert not {ids["aside"], ids["proven"], ids["new"]} & ids_of(found.parts["late"])
    was = found.parts["changed"].set_index("finding_id")["was"]
    assert was[ids["proven"]] == "fix_reported_unproven"
    assert pd.isna(was[ids["new"]])
    assert found.counts["open"] == 3
    assert "3 open, 0 records in doubt beside them;" in headline(found)
    assert found.counts["overdue_first"] == len(found.parts["late"])


def test_an_urgent_opening_stands_once_until_its_repair_is_proven_whatever_paper_says(ledger):
    live = put(ledger, "K1", condition="reversed_false_ground")
    beside = raised("K1", condition="poor_ground", family="poor_ground")
    ledger.raise_finding(beside, at=moment(DAY), **WHO)
    aside = put(ledger, "K2", (1, ev.Dismissed(reason="case closed")))
    put(ledger, "K3", (1, ev.Dismissed(reason="case closed")), condition="reversed_false_ground")
    claimed = put(ledger, "K4", (10, fix()))
    stakes = pd.DataFrame(
        [("B1", "2A", k, k != "K3", 0.9, 10, 2) for k in ("K1", "K2", "K3", "K4")],
        columns=["building_id", "unit_id", "opening_id", "urgent", "p_dangerous", "people",
                 "vulnerable_people"],
    )  # fmt: skip
    now = DAY + dt.timedelta(30)
    frame = with_stakes(due(ledger, BOOK, now=moment(now)), stakes)
    found = digest(frame, changes_since(ledger, now), visits(ledger, today=now), now, now)
    assert sorted(found.parts["urgent"]["finding_id"]) == sorted([live, aside, claimed])


def test_the_page_and_the_mail_say_the_same_with_the_cautions(told):
    _, found = told
    page, mail = as_page(found, "Week"), as_text(found, "Week")
    for text in (page, mail):
        assert headline(found) in text.replace("&amp;", "&")
        for row in ("K1", "K2", "K3", "K4", "K5", "Oddy"):
            assert row in text
        assert "K6" not in text
    assert all(caution in mail for caution in CAUTIONS)
    assert "http" not in page


def test_what_is_not_written_out_is_counted(ledger):
    for number in range(SHOWN + 3):
        put(ledger, f"N{number}")
    now = DAY + dt.timedelta(2)
    frame = with_stakes(due(ledger, BOOK, now=moment(now)))
    found = digest(frame, changes_since(ledger, DAY), visits(ledger, today=now), DAY, now)
    assert len(found.parts["changed"]) == SHOWN + 3
    assert "and 3 more" in as_text(found, "Week") and "and 3 more" in as_page(found, "Week")


def test_text_out_of_data_is_shown_as_text(ledger):
    put(ledger, "<img src=x>", (1, ev.Assigned(firm="A‮B")))
    now = DAY + dt.timedelta(2)
    frame = with_stakes(due(ledger, BOOK, now=moment(now)))
    found = digest(frame, changes_since(ledger, DAY), visits(ledger, today=now), DAY, now)
    assert "<img" not in as_page(found, "Week")
    assert "‮" not in as_text(found, "Week")


@pytest.mark.slow
def test_the_command_writes_it_to_read_to_mail_and_to_print(tmp_path, ledger):
    put(ledger, "K1", at=dt.datetime.now(dt.UTC).date() - dt.timedelta(2))
    at = ["--ledger", ledger.engine.url.database, "--workspace", tmp_path / "none"]
    shown = run("findings", "digest", *at)
    assert shown.code == 0 and "What changed (1)" in shown.out and "K1" in shown.out
    rows = run("findings", "digest", *at, "--json").json()
    assert [each["section"] for each in rows] == ["changed"]
    for ending in ("txt", "html"):
        assert run("findings", "digest", tmp_path / f"week.{ending}", *at).code == 0
        assert "K1" in (tmp_path / f"week.{ending}").read_text()
    wrong = run("findings", "digest", tmp_path / "week.doc", *at)
    assert wrong.code == 2 and ".txt or .html" in wrong.err


@pytest.mark.slow
def test_the_headline_counts_windows_too_and_what_the_list_of_overdue_counts(tmp_path, ledger):
    """Two past a window only, a repair claimed in one of them; one past its target, in doubt."""
    now = dt.datetime.now(dt.UTC)
    for opening, days, more in (
        ("K1", 3, {"regulation": "us_public_housing"}),
        ("K2", 3, {"regulation": "us_public_housing"}),
        ("K3", 400, {"grade": "record_in_doubt", "condition": None, "family": "record_conflict"}),
    ):
        on = now - dt.timedelta(days)
        seen = raised(opening, first_seen_on=on.date(), **more)
        kept = ledger.raise_finding(seen, at=on, **WHO).finding_id
        if opening == "K2":
            claimed = fix(fixed_on=on.date())
            ledger.append(kept, claimed, at=on, **WHO)
    at = ["--ledger", ledger.engine.url.database, "--workspace", tmp_path / "none"]
    told = run("findings", "digest", *at).out
    assert (
        "3 overdue: 1 past the first target, 1 past the present one, 2 past a regulatory window, "
        "0 reported repaired and too long without proof" in " ".join(told.split())
    )
    assert "a regulatory window, most dangerous first (3)" in told
    assert "window passed: reported done within it, not proven" in told
    listed = run("findings", "list", "--overdue", *at).out
    assert "Regulatory window passed: 2. Overdue in any of these ways: 3." in listed
    assert "Past the first target: 1. Past the present target: 1;" in listed

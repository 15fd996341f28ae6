"""Three clocks by hand, and the record of each firm."""

import datetime as dt

import pytest
from ledger_samples import DAY, WHO, fix, look, moment, raised
from scipy.stats import binomtest

from pipeline.ledger import events as ev
from pipeline.ledger.clocks import CLOCKS, clock_curves, clocks, firm_record
from pipeline.ledger.money import money
from pipeline.ledger.progress import failed_verifications, time_to_proven_repair
from pipeline.ledger.survival import kaplan_meier
from shared.rule_book import load_rule_book

BOOK = load_rule_book()
SEEN = 900  # days before it was raised
NOW = moment(DAY + dt.timedelta(100))


def on(days):
    return DAY + dt.timedelta(days)


def at(days):
    return moment(on(days))


def raise_one(ledger, opening, seen=SEEN, **more):
    payload = raised(opening, first_seen_on=on(-seen), last_seen_on=on(-1), **more)
    return ledger.raise_finding(payload, at=at(0), **WHO).finding_id


def assign(ledger, finding, day, firm):
    ledger.append(finding, ev.Assigned(firm=firm), at=at(day), **WHO)


def report(ledger, finding, day, firm, cost=None):
    done = fix(fixed_on=on(day), cost=cost).model_copy(update={"firm": firm})
    ledger.append(finding, done, at=at(day), **WHO)


def judge(ledger, finding, day, result="correct"):
    ledger.record_look(finding, look("cover_off_inspection", result, day), at=at(day), **WHO)


@pytest.fixture
def history(ledger):
    """Six findings, all seen 900 days before anybody was asked; today is day 100."""
    ids = [raise_one(ledger, f"K{n}") for n in range(6)]
    assign(ledger, ids[0], 10, "Oddy")  # 10 to 30: 20 days; proven on day 36
    ledger.append(ids[0], ev.EntryRefused(on=on(12)), at=at(12), **WHO)
    assign(ledger, ids[0], 15, "Oddy")  # again to the same firm: the clock runs on
    report(ledger, ids[0], 30, "Oddy", cost=300)
    judge(ledger, ids[0], 36)
    assign(ledger, ids[1], 10, "Oddy")  # 40 days; disproved on day 60, asked again from there
    report(ledger, ids[1], 50, "Oddy", cost=100)
    judge(ledger, ids[1], 60, "false_ground")
    assign(ledger, ids[2], 10, "Oddy")  # passed on after 50 days
    assign(ledger, ids[2], 60, "Vale")
    ledger.append(ids[2], ev.NoAccess(on=on(61)), at=at(61), **WHO)
    report(ledger, ids[2], 65, "Vale", cost=80)  # 5 days; waits for proof
    assign(ledger, ids[3], 90, "Vale")  # waits for 10 days
    assign(ledger, ids[4], 20, "Vale")
    ledger.append(ids[4], ev.Dismissed(reason="house torn down"), at=at(27), **WHO)
    return ids  # nobody was asked about the sixth


def of(ledger, **more):
    return clocks(ledger, BOOK, now=NOW, **more).set_index(["group", "clock"])


def test_the_years_before_anybody_knew_are_a_clock_of_their_own(ledger, history):
    found = of(ledger)
    known = found.loc[("all", "seen_to_known")]
    assert (known["times"], known["ended"], known["median_days"]) == (6, 6, 900)
    by_firm = of(ledger, by="firm")
    assert "seen_to_known" not in by_firm.reset_index()["clock"].tolist()
    assert by_firm["median_days"].max() <= 50


def test_from_assigned_to_a_reported_fix(ledger, history):
    row = of(ledger).loc[("all", "assigned_to_reported")]
    # reported after 20, 40 and 5; disproved and asked again 40 ago; passed on after 50; waiting 10;
    # set aside after 7
    assert (row["times"], row["ended"], row["waiting"], row["left"]) == (7, 3, 2, 2)
    expected = kaplan_meier([20, 40, 5, 40, 50, 10, 7], [1, 1, 1, 0, 0, 0, 0])
    curve = clock_curves(ledger, BOOK, "assigned_to_reported", now=NOW)["all"]
    assert curve.frame().equals(expected.frame())
    assert row["median_days"] == expected.median


def test_from_a_reported_fix_to_its_proof(ledger, history):
    row = of(ledger).loc[("all", "reported_to_proven")]
    assert (row["times"], row["ended"], row["waiting"], row["disproved"]) == (3, 1, 1, 1)
    # proven after 6; the disproved one counts as without proof to this day, 50; waiting 35
    expected = kaplan_meier([6, 50, 35], [1, 0, 0])
    curve = clock_curves(ledger, BOOK, "reported_to_proven", now=NOW)["all"]
    assert curve.frame().equals(expected.frame())


def test_a_firm_is_asked_only_from_the_day_it_was_assigned(ledger, history):
    found = of(ledger, by="firm")
    oddy = found.loc[("Oddy", "assigned_to_reported")]
    vale = found.loc[("Vale", "assigned_to_reported")]
    assert (oddy["times"], oddy["ended"], oddy["waiting"], oddy["left"]) == (4, 2, 1, 1)
    assert (vale["times"], vale["ended"], vale["waiting"], vale["left"]) == (3, 1, 1, 1)


def test_an_assignment_while_a_fix_waits_for_proof_starts_nothing(ledger):
    finding = raise_one(ledger, "K1")
    assign(ledger, finding, 1, "Oddy")
    report(ledger, finding, 5, "Oddy")
    assign(ledger, finding, 6, "Vale")
    found = of(ledger, by="firm").reset_index()
    assert found[found["clock"] == "assigned_to_reported"]["group"].tolist() == ["Oddy"]
    judge(ledger, finding, 20, "false_ground")
    vale = of(ledger, by="firm").loc[("Vale", "assigned_to_reported")]
    assert (vale["times"], vale["waiting"]) == (1, 1)
    (curve,) = [
        curve
        for firm, curve in clock_curves(
            ledger, BOOK, "assigned_to_reported", by="firm", now=NOW
        ).items()
        if firm == "Vale"
    ]
    assert curve.number == 1


def test_what_is_withdrawn_and_seen_again_comes_back_to_the_firm(ledger):
    finding = raise_one(ledger, "K1", grade="suspected")
    assign(ledger, finding, 1, "Oddy")
    withdrawn = ev.EvidenceWithdrawn(reason="below the threshold")
    ledger.append(finding, withdrawn, at=at(4), **WHO)
    again = ev.SeenAgain(grade="confirmed", seen_on=on(9))
    ledger.append(finding, again, at=at(10), **WHO)
    oddy = of(ledger, by="firm").loc[("Oddy", "assigned_to_reported")]
    assert (oddy["times"], oddy["left"], oddy["waiting"]) == (2, 1, 1)


def test_the_record_of_every_firm(ledger, history):
    found = firm_record(ledger, BOOK, now=NOW).set_index("group")
    oddy, vale = found.loc["Oddy"], found.loc["Vale"]
    assert (oddy["assigned"], oddy["reported"], oddy["waiting"], oddy["left"]) == (4, 2, 1, 1)
    assert (oddy["fixes"], oddy["proven"], oddy["disproved"], oddy["unproven"]) == (2, 1, 1, 0)
    theirs = binomtest(1, 2).proportion_ci(0.95, method="exact")
    assert oddy["share_proven_first_look"] == 0.5
    assert (oddy["share_proven_low"], oddy["share_proven_high"]) == pytest.approx(theirs)
    # 300 for the proven one and 100 for the disproved one, over one proven opening
    assert (oddy["proven_openings"], oddy["cost_per_proven_opening"]) == (1, 400)
    assert (oddy["entry_refused"], oddy["no_access"]) == (1, 0)
    assert (vale["entry_refused"], vale["no_access"]) == (0, 1)
    assert (vale["proven_openings"], vale["to_date"]) == (0, 80)
    assert vale[["cost_per_proven_opening", "share_proven_first_look"]].isna().all()


def test_the_record_says_the_same_as_the_other_views(ledger, history):
    record = firm_record(ledger, BOOK, now=NOW).set_index("group")
    failed = failed_verifications(ledger, BOOK).set_index("group")
    spent = money(ledger, BOOK, by="firm", now=NOW).set_index("group")
    for firm in ("Oddy", "Vale"):
        assert record.loc[firm, "disproved"] == failed.loc[firm, "disproved"]
        assert record.loc[firm, "to_date"] == spent.loc[firm, "spent"]
        assert record.loc[firm, "without_cost"] == spent.loc[firm, "without_cost"]


def test_the_share_without_proof_counts_from_the_age_at_which_it_was_raised(ledger, history):
    curve = time_to_proven_repair(ledger, BOOK, now=NOW)["all"]
    # one proof, at 936 days; all six came under watch at 900 and the one set aside left at 927
    assert curve.frame()[["days", "at_risk"]].values.tolist() == [[936, 5]]
    assert curve.at(899) == 1.0
    early = raise_one(ledger, "K9", seen=10)  # comes under watch at 10 days
    report(ledger, early, 5, "Oddy")
    judge(ledger, early, 20)
    curve = time_to_proven_repair(ledger, BOOK, now=NOW)["all"]
    assert curve.frame()[["days", "at_risk"]].values.tolist() == [[30, 1], [936, 5]]


def test_a_proof_of_before_the_raising_is_not_counted(ledger):
    finding = raise_one(ledger, "K1", seen=50)
    ledger.append(finding, fix(fixed_on=on(-20)), at=at(1), **WHO)
    ledger.record_look(finding, look("cover_off_inspection", "correct", -10), at=at(1), **WHO)
    curve = time_to_proven_repair(ledger, BOOK, now=NOW).get("all")
    assert (curve.number, curve.happened) == (0, 0)


def test_an_empty_ledger_and_one_without_firms(ledger):
    assert clocks(ledger, BOOK, now=NOW).empty
    assert firm_record(ledger, BOOK, now=NOW).empty
    raise_one(ledger, "K1")
    assert of(ledger).index.tolist() == [("all", "seen_to_known")]
    assert clocks(ledger, BOOK, by="firm", now=NOW).empty
    assert firm_record(ledger, BOOK, now=NOW).empty


def test_a_fix_of_a_firm_that_was_never_assigned_stands_in_its_record(ledger):
    finding = raise_one(ledger, "K1")
    report(ledger, finding, 5, "Oddy")
    (row,) = firm_record(ledger, BOOK, now=NOW).to_dict("records")
    assert (row["group"], row["assigned"], row["fixes"], row["unproven"]) == ("Oddy", 0, 1, 1)


def test_every_clock_says_what_it_means():
    assert [name for name, clock in CLOCKS.items() if clock.of_firms] == [
        "assigned_to_reported", "reported_to_proven",
    ]  # fmt: skip
    for clock in CLOCKS.values():
        assert clock.meaning.startswith("from ")
        assert clock.not_ended

"""Money counted once: shares to the cent, bills over reports, quotes, estimates, forecasts."""

import datetime as dt

import pandas as pd
import pytest
from ledger_samples import DAY, WHO, fix, look, moment, raised

from pipeline.ledger import events as ev
from pipeline.ledger import open_ledger
from pipeline.ledger.archive import export_events
from pipeline.ledger.bills import bills, write_bill
from pipeline.ledger.families import identity_of
from pipeline.ledger.incoming import restore
from pipeline.ledger.money import BY, MONEY_TOLD, money, money_questions, quotes
from pipeline.ledger.prices import shared_out
from pipeline.ledger.progress import reported_fixes
from pipeline.ledger.store import Draft
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book

# what the lines beside the remedies come to is told in test_estimates.py
BOOK = load_rule_book().model_copy(update={"cost_lines": {}})
MARKED = ("no_equipment_ground", "gfci_protected")
BILLED = DAY + dt.timedelta(20)


@pytest.fixture
def ids(ledger):
    """Four false grounds, three slots, in one dwelling."""
    events = ledger.raise_many([raised(f"K{n}") for n in range(4)], at=moment(DAY), **WHO)
    return [event.finding_id for event in events]


def put(ledger, finding, payload, days=10):
    return ledger.append(finding, payload, at=moment(DAY + dt.timedelta(days)), **WHO)


def bill(ledger, ids, invoice="R-1", amount=280.50, firm="Pellworth Electric", **more):
    return write_bill(
        ledger, [(each, None) for each in ids], firm=firm, invoice=invoice, amount=amount,
        on=BILLED, **WHO, **more,
    )  # fmt: skip


def total(ledger, **more):
    (row,) = money(ledger, BOOK, now=moment(DAY + dt.timedelta(30)), **more).to_dict("records")
    return row


@pytest.mark.parametrize(
    ("amount", "over", "shares"),
    [
        (100, 3, [33.34, 33.33, 33.33]),  # 3 × 33.33 leaves one cent
        (280.50, 4, [70.13, 70.13, 70.12, 70.12]),  # 28050 = 4 × 7012 + 2
        (0.02, 3, [0.01, 0.01, 0.0]),
        (1420.5, 1, [1420.5]),
        (0, 2, [0.0, 0.0]),
    ],
)
def test_shares_add_up_to_the_cent(amount, over, shares):
    assert shared_out(amount, over) == shares
    assert sum(round(each * 100) for each in shares) == round(amount * 100)


def test_parts_of_a_cent_are_refused(ledger, ids):
    with pytest.raises(CoverplateError, match="no amount of money"):
        bill(ledger, ids[:2], amount=10.005)
    assert bills(ledger).empty


@pytest.mark.slow
def test_a_bill_counts_instead_of_what_was_reported(ledger, ids):
    for each in ids[:3]:
        put(ledger, each, fix("gfci_upstream_marked", markings=MARKED, cost=280))
    before = total(ledger)
    assert (before["reported"], before["billed"], before["spent"]) == (840, 0, 840)  # 3 × 280
    written = bill(ledger, ids[:3], amount=280.50)
    assert [each.payload.share for each in written] == [93.5, 93.5, 93.5]
    after = total(ledger)
    assert (after["reported"], after["billed"], after["spent"]) == (0, 280.5, 280.5)
    assert after["over_reported"] == -559.5  # 280.50 − 840
    (row,) = bills(ledger).to_dict("records")
    assert (row["reported"], row["difference"], row["findings"]) == (840, -559.5, ids[:3])
    assert ledger.verify() == []


@pytest.mark.parametrize("second", ["Pellworth Electric", "Vale Ltd"])
def test_two_bills_of_one_report_are_compared_with_it_together(ledger, ids, second):
    put(ledger, ids[0], fix(cost=300))
    bill(ledger, ids[:1], amount=200)
    bill(ledger, ids[:1], invoice="R-2", amount=150, firm=second)
    rows = bills(ledger).to_dict("records")
    assert [(r["amount"], r["reported"], r["billed_for_it"], r["difference"]) for r in rows] == [
        (200, 300, 350, 50), (150, 300, 350, 50),
    ]  # fmt: skip
    found = total(ledger)
    assert (found["spent"], found["over_reported"]) == (350, 50)


def test_a_bill_is_written_on_all_its_findings_or_on_none(ledger, ids):
    heads = ledger.heads()
    with pytest.raises(CoverplateError, match="no finding F-0"):
        bill(ledger, [*ids, "F-0000000000000000"])
    assert ledger.heads() == heads


@pytest.mark.parametrize(
    "name", ["pellworth  electric", "PELLWORTH ELECTRIC, Inc.", "Pellworth", "Pe\u0301llworth Ltd"]
)
def test_the_firm_is_the_same_however_it_is_written(ledger, ids, name):
    put(ledger, ids[0], fix(cost=400))
    bill(ledger, ids[:1], firm=name, amount=410)
    found = total(ledger)
    assert (found["spent"], found["over_reported"]) == (410, 10)
    assert money_questions(ledger, BOOK).empty


@pytest.mark.slow
def test_what_another_firm_reported_stands_beside_a_bill(ledger, ids):
    put(ledger, ids[0], fix(firm="Oddy", cost=100))
    ledger.record_look(
        ids[0], look(result="false_ground"), at=moment(DAY + dt.timedelta(12)), **WHO
    )
    put(ledger, ids[0], fix(fixed_on=DAY + dt.timedelta(15), cost=300), 15)
    bill(ledger, ids[:1], amount=290)
    found = total(ledger)
    assert (found["billed"], found["reported"], found["spent"]) == (290, 100, 390)
    assert found["on_disproved"] == 100  # Oddy's; Pellworth's waits for its proof


def test_a_bill_of_a_firm_that_reported_nothing_replaces_and_asks(ledger, ids):
    put(ledger, ids[0], fix(cost=300))
    bill(ledger, ids[:1], firm="Vale Ltd", amount=310)
    assert total(ledger)["spent"] == 310
    (asked,) = money_questions(ledger, BOOK).to_dict("records")
    assert (asked["question"], asked["firm"], asked["counted"]) == ("another_firm", "Vale Ltd", 310)


@pytest.mark.parametrize("amount", [280.50, 290.50])
def test_one_invoice_number_twice_is_asked_about(ledger, ids, amount):
    bill(ledger, ids[:2])
    heads = ledger.heads()
    with pytest.raises(CoverplateError, match="is this another bill") as refusal:
        bill(ledger, ids[:2], invoice="r-1", firm="PELLWORTH electric", amount=amount)
    assert "invoice R-1 of 2025-03-23, 280.50 for " + ", ".join(ids[:2]) in refusal.value.found
    assert ledger.heads() == heads
    bill(ledger, ids[:2], amount=amount, again=True)
    assert total(ledger)["billed"] == 280.5 + amount
    assert list(bills(ledger)["number"]) == [1, 2]


def test_the_same_sum_for_the_same_findings_is_asked_about_whatever_the_number(ledger, ids):
    bill(ledger, ids[:2])
    with pytest.raises(CoverplateError, match="is this another bill"):
        bill(ledger, ids[1::-1], invoice="R-2")
    bill(ledger, ids[:2], invoice="R-3", amount=99)  # another sum under another number
    bill(ledger, ids[2:], invoice="R-4")  # the same sum for other findings
    bill(ledger, ids[:2], firm="Oddy", amount=98)  # another firm's number
    assert len(bills(ledger)) == 4


@pytest.mark.slow
@pytest.mark.parametrize(
    "again",
    [
        {"firm": "Pellworth", "amount": 90},  # the number, and a firm that may be the same
        {"firm": "Pellworth", "invoice": "r 1", "amount": 90},
        {"firm": "Oddy"},  # number and sum of another firm for the same findings
        {"firm": "Oddy", "named": slice(1, 4)},  # or for some of them
        {"invoice": "R-2", "named": slice(0, 1)},  # the sum alone, for some of them
        {"invoice": "R-2", "named": slice(0, 4)},  # or for more
        {"firm": "pellworth", "invoice": "R-2", "named": slice(1, 2)},
    ],
)
def test_a_bill_that_may_be_an_earlier_one_is_asked_about(ledger, ids, again):
    named = ids[again.pop("named", slice(0, 2))]
    bill(ledger, ids[:2])
    with pytest.raises(CoverplateError, match="is this another bill") as refusal:
        bill(ledger, named, **again)
    assert "written before: Pellworth Electric, invoice R-1" in refusal.value.found
    assert total(ledger)["billed"] == 280.5
    bill(ledger, named, again=True, **again)
    assert total(ledger)["billed"] == 280.5 + again.get("amount", 280.5)


def test_a_bill_of_another_firm_or_sum_or_findings_is_not_asked_about(ledger, ids):
    bill(ledger, ids[:2])
    bill(ledger, ids[:2], firm="Oddy", invoice="R-2")
    bill(ledger, ids[2:], firm="Oddy")
    bill(ledger, ids[:1], invoice="R-3", amount=280.49)
    assert len(bills(ledger)) == 4


def test_a_corrected_bill_is_not_asked_about_again(ledger, ids):
    bill(ledger, ids[:2], amount=90)
    bill(ledger, ids[:2], amount=99, corrects=True)
    bill(ledger, ids[:1], invoice="R-2", amount=90)
    assert total(ledger)["billed"] == 189


def test_a_bill_from_before_anything_was_seen_or_of_nothing_is_refused(ledger, ids):
    ledger.raise_finding(raised("K9", first_seen_on=DAY + dt.timedelta(5)), **WHO)
    late = identity_of(raised("K9"))

    def on(day, named, **more):
        write_bill(
            ledger, [(each, None) for each in named], firm="P", invoice="1", on=day,
            **{"amount": 10, **more}, **WHO,
        )  # fmt: skip

    for named in ([late], [late, ids[0]]):
        with pytest.raises(CoverplateError, match="before any of its findings was first seen"):
            on(DAY - dt.timedelta(1), named)
    with pytest.raises(CoverplateError, match="first seen"):
        on(DAY, [late])
    with pytest.raises(CoverplateError, match=r"of 0\.00"):
        on(BILLED, ids, amount=0)
    assert bills(ledger).empty
    on(DAY, [late, ids[0]])
    on(BILLED, [late, ids[0]], amount=0, corrects=True)  # takes it back
    assert total(ledger)["billed"] == 0


def test_a_bill_that_was_mistyped_is_corrected_and_does_not_count(ledger, ids):
    bill(ledger, ids[:2], amount=2905.0)
    bill(ledger, ids[:3], amount=290.50, corrects=True)
    assert total(ledger)["billed"] == 290.5
    assert list(bills(ledger)["corrected"]) == [True, False]
    bill(ledger, ids[:2], amount=291, corrects=True)  # and the correction once more
    assert total(ledger)["billed"] == 291
    with pytest.raises(CoverplateError, match="no bill R-9"):
        bill(ledger, ids[:2], invoice="R-9", corrects=True)


def test_a_bill_of_a_day_to_come_is_refused_and_one_after_the_proof_is_taken(ledger, ids):
    put(ledger, ids[0], fix(cost=300))
    ledger.record_look(ids[0], look(), at=moment(DAY + dt.timedelta(12)), **WHO)
    assert ledger.finding(ids[0]).treatment == "proven"
    bill(ledger, ids[:1])
    assert ledger.finding(ids[0]).treatment == "proven"
    with pytest.raises(CoverplateError, match="in the future"):
        write_bill(
            ledger, [(ids[0], None)], firm="P", invoice="1", amount=1,
            on=dt.date.today() + dt.timedelta(1), **WHO,
        )  # fmt: skip


def test_bills_survive_the_way_to_another_ledger(ledger, ids, tmp_path):
    put(ledger, ids[0], fix(cost=300))
    bill(ledger, ids[:3], amount=100)
    export_events(ledger, tmp_path / "out.jsonl")
    other = open_ledger(tmp_path / "other.sqlite")
    restore(other, tmp_path / "out.jsonl", who="Ann")
    assert total(other) == total(ledger)
    assert other.heads() == ledger.heads()


def test_a_share_more_than_the_bill_is_no_bill():
    content = {"kind": "billed", "firm": "P", "invoice": "1", "amount": 10, "share": 11,
               "shared_over": 1, "on": DAY}  # fmt: skip
    with pytest.raises(CoverplateError, match="more than the bill"):
        ev.parse_payload(content)


@pytest.mark.slow
def test_one_job_told_twice_counts_once_though_a_verdict_stands_between(ledger, ids):
    put(ledger, ids[0], fix(cost=280.50))
    ledger.record_look(ids[0], look(), at=moment(DAY + dt.timedelta(12)), **WHO)
    put(ledger, ids[0], ev.Reopened(reason="the look was of another opening"), 13)
    put(ledger, ids[0], fix(firm="PELLWORTH Electric", cost=290.50), 14)
    assert total(ledger)["spent"] == 290.5
    assert list(reported_fixes(ledger)["told_again"]) == [True, False]
    (asked,) = money_questions(ledger, BOOK).to_dict("records")
    assert asked["question"] == "same_job"
    assert (asked["amounts"], asked["counted"]) == ([280.5, 290.5], 290.5)
    bill(ledger, ids[:1], amount=290.5)  # a bill settles it
    assert money_questions(ledger, BOOK).empty


def test_work_of_another_day_is_another_job(ledger, ids):
    put(ledger, ids[0], fix(cost=280.50))
    ledger.record_look(
        ids[0], look(result="false_ground"), at=moment(DAY + dt.timedelta(12)), **WHO
    )
    put(ledger, ids[0], fix(fixed_on=DAY + dt.timedelta(13), cost=290.50), 14)
    assert total(ledger)["spent"] == 571  # 280.50 + 290.50
    assert money_questions(ledger, BOOK).empty


def test_a_nonsense_remedy_is_refused_with_those_allowed(ledger, ids):
    for remedy, told in (
        ("nonsense", "no remedy of the rule book"),
        ("protection_added_only", "a GFCI does not make that safe"),
    ):
        with pytest.raises(CoverplateError, match=told) as refusal:
            put(ledger, ids[0], ev.Quoted(firm="Oddy", amount=90, remedy=remedy))
        assert "gfci_type_marked (GFCI-type receptacle, marked)" in refusal.value.expected
        assert "receptacle_swapped" not in refusal.value.expected
    put(ledger, ids[0], ev.Quoted(firm="Oddy", amount=90, remedy="gfci_type_marked"))
    put(ledger, ids[0], ev.Quoted(firm="Oddy", amount=90))


def test_quotes_stand_beside_one_another(ledger, ids):
    def quote(firm, amount, remedy="gfci_type_marked", until=None):
        days = None if until is None else DAY + dt.timedelta(until)
        return ev.Quoted(firm=firm, amount=amount, remedy=remedy, valid_until=days)

    put(ledger, ids[0], quote("Oddy", 90, until=20))  # lapses before day 30
    put(ledger, ids[0], quote("Pellworth", 150, until=60))
    put(ledger, ids[0], quote("Vale", 200))
    put(ledger, ids[0], quote("Vale", 120))  # instead of its 200
    put(ledger, ids[0], ev.Assigned(firm="pellworth"), 11)
    frame = quotes(ledger, BOOK, now=moment(DAY + dt.timedelta(30)))
    assert [
        (r.firm, r.amount, r.expired, r.lowest, r.chosen) for r in frame.itertuples()
    ] == [
        ("Oddy", 90, True, False, False),
        ("Vale", 120, False, True, False),
        ("Pellworth", 150, False, False, True),
    ]  # fmt: skip
    found = total(ledger)
    assert (found["quoted_lowest"], found["quoted_chosen"], found["committed"]) == (120, 150, 150)


def test_a_price_that_lapsed_before_the_firm_was_asked_commits_nobody(ledger, ids):
    until = DAY + dt.timedelta(20)
    for each in ids[:2]:
        put(ledger, each, ev.Quoted(firm="Oddy", amount=90, valid_until=until))
    put(ledger, ids[0], ev.Assigned(firm="Oddy"), 15)
    put(ledger, ids[1], ev.Assigned(firm="Oddy"), 25)
    assert total(ledger)["committed"] == 90  # the first only, asked while the price held


def test_the_forecast_by_hand(ledger, ids):
    put(ledger, ids[0], fix("gfci_type_marked", markings=MARKED[:1], cost=155))
    put(ledger, ids[1], ev.Quoted(firm="Oddy", amount=420, remedy="grounding_conductor_added"))
    put(ledger, ids[1], ev.Assigned(firm="Oddy"))
    put(ledger, ids[2], fix("gfci_type_marked", markings=MARKED[:1]))  # no cost stated
    found = total(ledger)
    # typical costs: GFCI type 130 (K0, K2), conductor added 350 (K1), cheapest 60 (K3, two slots)
    assert found["estimate"] == 130 + 350 + 130 + 60
    assert found["spent"] == 155 and found["committed"] == 420
    assert found["rest"] == 130 + 60  # K2, whose cost nobody states, and K3
    assert found["forecast"] == 155 + 420 + 190
    assert (found["without_cost"], found["without_estimate"]) == (1, 0)
    assert "placeholder" in MONEY_TOLD


@pytest.mark.slow
def test_every_breakdown_adds_up_to_the_whole(ledger, ids):
    put(ledger, ids[0], fix("gfci_type_marked", markings=MARKED[:1], cost=155))
    put(ledger, ids[1], ev.Quoted(firm="Oddy", amount=420))
    put(ledger, ids[1], ev.Assigned(firm="Oddy"))
    bill(ledger, ids[2:], amount=99.99)
    whole = total(ledger)
    for by in BY:
        parts = money(ledger, BOOK, by=by, now=moment(DAY + dt.timedelta(30)))
        for name in ("estimate", "quoted_lowest", "committed", "spent", "rest", "forecast"):
            assert round(parts[name].sum(), 2) == whole[name], (by, name)
    by_month = money(ledger, BOOK, by="month", now=moment(DAY + dt.timedelta(30)))
    spent = by_month.set_index("group")["spent"]
    assert spent["2025-03"] == 254.99  # fixed on 13 March, billed on 23 March


def test_money_cannot_be_broken_down_by_anything_else(ledger):
    with pytest.raises(CoverplateError, match="cannot be shown by"):
        money(ledger, BOOK, by="colour")


def test_what_is_closed_on_paper_is_no_longer_estimated(ledger, ids):
    assert total(ledger)["forecast"] == 240  # 4 × 60
    put(ledger, ids[0], ev.Dismissed(reason="torn down"))
    assert total(ledger)["forecast"] == 180


def sums(ledger):
    found = total(ledger)
    return found["spent"], found["committed"], found["rest"]


@pytest.fixture
def agreed(ledger, ids):
    """420 agreed on for one of four findings; the others are estimated at 60 each."""
    put(ledger, ids[0], ev.Quoted(firm="Oddy", amount=420))
    put(ledger, ids[0], ev.Assigned(firm="Oddy"))
    assert sums(ledger) == (0, 420, 180)
    return ids[0]


def done_by(firm="Oddy", days=25, **more):
    done = fix(fixed_on=DAY + dt.timedelta(days), **more)
    return done.model_copy(update={"firm": firm})


@pytest.mark.parametrize(("amount", "left"), [(100, 320), (400, 20), (420, 0), (500, 0)])
def test_what_is_billed_ahead_of_the_work_is_taken_off_the_price(ledger, agreed, amount, left):
    bill(ledger, [agreed], firm="ODDY", amount=amount)
    assert sums(ledger) == (amount, left, 180)
    # the work is done, and nobody says what it came to: the rest of the price is still owed
    ledger.append(agreed, done_by(), **WHO)
    assert sums(ledger) == (amount, left, 180)


@pytest.mark.slow
@pytest.mark.parametrize("cost", [None, 390])
def test_a_price_agreed_on_is_owed_until_the_work_has_a_cost(ledger, agreed, cost):
    put(ledger, agreed, done_by(days=15, cost=cost), 16)
    assert sums(ledger) == ((0, 420, 180) if cost is None else (390, 0, 180))
    ledger.record_look(agreed, look(days=17), at=moment(DAY + dt.timedelta(17)), **WHO)
    assert sums(ledger) == ((0, 420, 180) if cost is None else (390, 0, 180))
    bill(ledger, [agreed], firm="Oddy", amount=400)  # of day 20
    assert sums(ledger) == (400, 0, 180)


def test_what_a_report_says_counts_instead_of_the_price_it_was_paid_for_in_part(ledger, agreed):
    bill(ledger, [agreed], firm="Oddy", amount=100)
    ledger.append(agreed, done_by(cost=390), **WHO)
    assert sums(ledger) == (100, 290, 180)


def test_the_price_of_another_firm_or_remedy_than_did_the_work_is_not_owed(ledger, agreed, ids):
    put(ledger, agreed, done_by("Vale Ltd", days=15), 16)
    assert sums(ledger)[1] == 0
    quoted = ev.Quoted(firm="Vale", amount=2000, remedy="circuit_rewired")
    put(ledger, ids[1], quoted)
    put(ledger, ids[1], ev.Quoted(firm="Vale", amount=300, remedy="grounding_conductor_added"))
    put(ledger, ids[1], quoted)
    put(ledger, ids[1], done_by("Vale Ltd", days=15), 16)
    assert sums(ledger)[1] == 300


def test_a_price_is_owed_still_where_a_look_disproved_the_work(ledger, agreed):
    put(ledger, agreed, done_by(days=15), 16)
    bad = look("cover_off_inspection", "false_ground", 17)
    ledger.record_look(agreed, bad, at=moment(DAY + dt.timedelta(17)), **WHO)
    assert sums(ledger) == (0, 420, 180)


@pytest.mark.slow
def test_a_bill_taken_back_pays_for_nothing(ledger, agreed, ids):
    put(ledger, ids[1], fix(cost=380))
    before = sums(ledger)
    assert before == (380, 420, 120)
    for firm, each in (("Oddy", agreed), ("Pellworth Electric", ids[1])):
        bill(ledger, [each], firm=firm, amount=200)
        assert sums(ledger) != before
        bill(ledger, [each], firm=firm, amount=0, corrects=True)
        assert sums(ledger) == before
    assert list(bills(ledger)["reported"].fillna(-1)) == [-1, -1, -1, -1]


CIRCUITS = pd.DataFrame(
    [("B1", "2A", "K0", "7"), ("B1", "2A", "K1", "7"), ("B1", "2A", "K2", "9")],
    columns=["building_id", "unit_id", "opening_id", "circuit_id"],
)


def test_work_on_a_circuit_is_estimated_once(ledger, ids):
    for each in ids[:3]:
        put(ledger, each, ev.Quoted(firm="Oddy", amount=0, remedy="circuit_rewired"))
    # circuit 7 (K0, K1) once and circuit 9 (K2) once at 1600; K3 at the cheapest, 60
    assert total(ledger, circuits=CIRCUITS)["estimate"] == 3260
    found = total(ledger)  # no circuit known: one in the dwelling at least, one an opening at most
    assert (found["estimate_least"], found["estimate"]) == (1660, 4860)
    assert (found["forecast_least"], found["forecast"]) == (1660, 4860)
    for each in ids[:3]:
        put(ledger, each, ev.Quoted(firm="Oddy", amount=0, remedy="building_rewired"), 12)
    one = float(BOOK.remedies["building_rewired"].cost_typical)
    assert total(ledger)["estimate"] == one + 60


@pytest.mark.slow
def test_the_same_sum_at_every_finding_of_a_circuit_is_asked_about_and_not_merged(ledger, ids):
    for each in ids[:3]:
        put(ledger, each, fix("gfci_upstream_marked", markings=MARKED, cost=280.50))
    assert total(ledger, circuits=CIRCUITS)["spent"] == 841.5  # 3 × 280.50
    (asked,) = money_questions(ledger, BOOK, circuits=CIRCUITS).to_dict("records")
    assert (asked["question"], asked["findings"]) == ("same_sum", sorted(ids[:2]))
    assert (asked["counted"], asked["once"]) == (561, 280.5)
    assert "counted once" in asked["asked"]
    (wider,) = money_questions(ledger, BOOK).to_dict("records")  # no circuit known: the dwelling
    assert wider["findings"] == sorted(ids[:3])
    bill(ledger, ids[:2])
    assert money_questions(ledger, BOOK, circuits=CIRCUITS).empty
    assert total(ledger)["spent"] == 561  # the bill, and K2's report


def test_a_remedy_of_one_opening_may_cost_the_same_everywhere(ledger, ids):
    for each in ids:
        put(ledger, each, fix("gfci_type_marked", markings=MARKED[:1], cost=130))
    assert money_questions(ledger, BOOK).empty


@pytest.mark.parametrize(("second", "once"), [(280.50, 280.5), (290.50, None)])
def test_one_day_at_two_findings_of_one_opening_is_asked_about(ledger, ids, second, once):
    other = ledger.raise_finding(
        raised("K0", "ungrounded", "no_ground"), at=moment(DAY), **WHO
    ).finding_id
    put(ledger, ids[0], fix(cost=280.50))
    put(ledger, other, fix(cost=second))
    (asked,) = money_questions(ledger, BOOK).to_dict("records")
    assert (asked["question"], asked["counted"]) == ("same_opening", 280.5 + second)
    assert asked["once"] == once or (once is None and pd.isna(asked["once"]))


def test_one_price_over_several_findings_is_shared_and_not_asked_about(ledger, ids):
    shares = shared_out(1000, 3)
    ledger.append_many(
        [
            Draft(each, ev.Quoted(firm="Oddy", amount=share, whole=1000, shared_over=3,
                                  remedy="circuit_rewired"))
            for each, share in zip(ids[:3], shares, strict=True)
        ],
        at=moment(DAY + dt.timedelta(10)),
        **WHO,
    )  # fmt: skip
    assert total(ledger)["quoted_lowest"] == 1000
    assert money_questions(ledger, BOOK).empty
    put(ledger, ids[0], ev.Quoted(firm="Vale", amount=700, remedy="circuit_rewired"), 40)
    put(ledger, ids[1], ev.Quoted(firm="Vale", amount=700, remedy="circuit_rewired"), 40)
    questions = money_questions(ledger, BOOK)
    assert list(questions["question"]) == ["same_price"]

"""Estimates line by line: shared to the cent, once a dwelling or a job, a range where unknown."""

import datetime as dt
import tomllib

import pandas as pd
import pytest
from ledger_samples import DAY, WHO, fix, moment, raised

from pipeline.ledger import events as ev
from pipeline.ledger.estimates import estimates, totals
from pipeline.ledger.money import BY, money, money_lines
from shared.faults import CoverplateError
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book

BOOK = load_rule_book()
LATER = moment(DAY + dt.timedelta(30))
ADDED = "grounding_conductor_added"
CALL, PATCH, LEAD, ASBESTOS = 90, 220, 350, 450  # placeholders of the shipped rule book


def built(year):
    return pd.DataFrame({"building_id": ["B1"], "year_built": [year], "owner": "", "manager": ""})


@pytest.fixture
def ids(ledger):
    """Three false grounds in one dwelling, one in another."""
    places = [("K0", "2A"), ("K1", "2A"), ("K2", "2A"), ("K3", "2B")]
    events = ledger.raise_many(
        [raised(name, unit_id=unit) for name, unit in places], at=moment(DAY), **WHO
    )
    return [event.finding_id for event in events]


def put(ledger, finding, payload, days=10):
    return ledger.append(finding, payload, at=moment(DAY + dt.timedelta(days)), **WHO)


def answer(ledger, finding, remedy):
    put(ledger, finding, ev.Quoted(firm="Oddy", amount=1, remedy=remedy))


def lines(ledger, book=BOOK, **more):
    frame = money_lines(ledger, book, now=LATER, **more)
    return {row.line: (row.estimate_least, row.estimate) for row in frame.itertuples()}


def test_a_call_out_counts_once_a_dwelling(ledger, ids):
    assert lines(ledger) == {"remedy": (240, 240), "call_out": (180, 180)}  # 4 × 60, 2 dwellings
    frame = estimates(ledger, BOOK, now=LATER)
    calls = frame[frame["line"] == "call_out"].set_index("finding_id")["most"]
    assert [calls[each] for each in ids] == [30, 30, 30, 90]
    assert "shared over 3 findings" in frame["told"].iloc[1]


def test_shares_of_a_line_add_up_to_the_cent(ledger, ids):
    line = BOOK.cost_lines["call_out"]
    odd = line.model_copy(update={"cost": line.cost.model_copy(update={"value": 100.0})})
    book = BOOK.model_copy(update={"cost_lines": {"call_out": odd}})
    frame = estimates(ledger, book, now=LATER)
    calls = frame[(frame["line"] == "call_out") & (frame["unit_id"] == "2A")]["most"]
    assert sorted(calls) == [33.33, 33.33, 33.34]


def test_what_is_left_needs_an_entry_of_its_own(ledger, ids):
    put(ledger, ids[0], fix("gfci_type_marked", markings=("no_equipment_ground",), cost=200))
    (row,) = money(ledger, BOOK, now=LATER).to_dict("records")
    assert row["rest"] == 3 * 60 + 2 * CALL  # K1 and K2 once, K3 once
    assert row["estimate"] == 130 + 3 * 60 + 3 * CALL  # and the one at which K0 was repaired
    assert row["forecast"] == row["forecast_least"] == 200 + row["rest"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("year", "least", "most"),
    [
        (1977, LEAD + ASBESTOS, LEAD + ASBESTOS),
        (1978, ASBESTOS, ASBESTOS),  # built before, not in
        (1980, ASBESTOS, ASBESTOS),
        (1981, 0, 0),
        (None, 0, LEAD + ASBESTOS),
    ],
)
def test_precautions_go_by_the_year_of_the_building(ledger, ids, year, least, most):
    answer(ledger, ids[0], ADDED)
    plain = 350 + PATCH + 3 * 60 + 2 * CALL
    (row,) = money(ledger, BOOK, buildings=built(year), now=LATER).to_dict("records")
    assert (row["estimate_least"], row["estimate"]) == (plain + least, plain + most)
    assert (row["rest_least"], row["rest"]) == (plain + least, plain + most)
    assert (row["forecast_least"], row["forecast"]) == (plain + least, plain + most)
    frame = money_lines(ledger, BOOK, buildings=built(year), now=LATER)
    assert frame["in_doubt"].sum() == (2 if year is None else 0)
    told = estimates(ledger, BOOK, buildings=built(year), now=LATER)["told"]
    assert told.str.contains("NOT KNOWN WHETHER").sum() == (2 if year is None else 0)


def test_a_remedy_that_opens_no_wall_brings_no_patching(ledger, ids):
    assert set(lines(ledger, buildings=built(1920))) == {"remedy", "call_out"}


def test_walls_are_patched_once_a_job(ledger, ids):
    circuits = pd.DataFrame(
        [("B1", "2A", "K0", "7"), ("B1", "2A", "K1", "7"), ("B1", "2A", "K2", "9")],
        columns=["building_id", "unit_id", "opening_id", "circuit_id"],
    )
    for each in ids[:3]:
        answer(ledger, each, "circuit_rewired")
    found = lines(ledger, circuits=circuits, buildings=built(2000))
    assert found["wall_patching"] == (2 * PATCH, 2 * PATCH)
    assert found["remedy"] == (2 * 1600 + 60, 2 * 1600 + 60)


CIRCUITS = pd.DataFrame(
    [("B1", "2A", "K0", "7")], columns=["building_id", "unit_id", "opening_id", "circuit_id"]
)


@pytest.mark.parametrize(
    ("known", "answered", "least", "most"),
    [
        (None, [0], 1, 1),  # one opening is one circuit, whichever
        (None, [0, 1, 2], 1, 3),
        (None, [0, 3], 2, 2),  # in two dwellings
        (None, [0, 1, 2, 3], 2, 4),
        (CIRCUITS, [0, 1, 2], 1, 3),  # K1 and K2 may be on circuit 7 as well
        (CIRCUITS, [0, 3], 2, 2),  # a circuit of another dwelling is not theirs
        (CIRCUITS, [1, 2], 1, 2),  # nothing is done on circuit 7
    ],
)
def test_circuits_that_are_not_known_make_a_range(ledger, ids, known, answered, least, most):
    for place in answered:
        answer(ledger, ids[place], "circuit_rewired")
    named = [ids[place] for place in answered]
    frame = estimates(ledger, BOOK, alone=named, buildings=built(2000), circuits=known, now=LATER)
    for line, price in (("remedy", 1600), ("wall_patching", PATCH)):
        of_line = frame[frame["line"] == line]
        assert totals(of_line) == {"least": least * price, "most": most * price}
        assert of_line["circuit_in_doubt"].any() == (least != most)
        told = of_line["told"].str.contains("NOT KNOWN HOW MANY CIRCUITS")
        assert (told == of_line["circuit_in_doubt"]).all()
    assert not frame[frame["line"] == "call_out"]["circuit_in_doubt"].any()


@pytest.mark.parametrize(
    ("known", "paid", "least", "most"),
    [
        (None, [], 1, 3),
        (CIRCUITS, [], 1, 3),
        (None, [0], 0, 2),  # the circuit that is paid for may feed the others
        (CIRCUITS, [0], 0, 2),
        (CIRCUITS, [1], 0, 2),
        (None, [0, 1], 0, 1),
    ],
)
def test_money_and_estimate_count_circuits_in_doubt_alike(ledger, ids, known, paid, least, most):
    for each in ids[:3]:
        answer(ledger, each, "circuit_rewired")
    for place in paid:
        put(ledger, ids[place], fix("circuit_rewired", cost=1500))
    more = {"buildings": built(2000), "circuits": known, "now": LATER}
    (row,) = money(ledger, BOOK, **more).to_dict("records")
    frame = estimates(ledger, BOOK, alone=ids, **more)
    other = 60 + 2 * CALL
    expected = (least * (1600 + PATCH) + other, most * (1600 + PATCH) + other)
    assert (row["rest_least"], row["rest"]) == expected
    assert tuple(totals(frame).values()) == expected
    assert (row["forecast_least"], row["forecast"]) == tuple(
        1500 * len(paid) + each for each in expected
    )
    doubted = frame["circuit_in_doubt"] | frame["paid_in_doubt"]
    assert doubted.any() and not frame[~doubted]["told"].str.contains("NOT KNOWN").any()


def test_work_that_is_paid_for_may_cover_the_rest_of_a_circuit_that_is_known(ledger, ids):
    circuits = pd.DataFrame(
        [("B1", "2A", "K0", "7"), ("B1", "2A", "K1", "7"), ("B1", "2A", "K2", "9")],
        columns=["building_id", "unit_id", "opening_id", "circuit_id"],
    )
    for each in ids[:3]:
        answer(ledger, each, "circuit_rewired")
    put(ledger, ids[0], fix("circuit_rewired", cost=1500))
    more = {"buildings": built(2000), "circuits": circuits, "now": LATER}
    frame = estimates(ledger, BOOK, alone=ids[1:3], **more)
    one = 1600 + PATCH
    assert totals(frame) == {"least": one + CALL, "most": 2 * one + CALL}
    told = frame[frame["paid_in_doubt"]]
    assert set(told["opening_id"]) == {"K1"} and told["told"].str.contains("may cover it").all()


@pytest.mark.slow
def test_a_building_that_is_rewired_is_priced_once_and_another_one_apart(ledger, ids):
    other = raised("K0", building_id="B2", unit_id="1")
    more = [ledger.raise_finding(other, at=moment(DAY), **WHO).finding_id]
    for each in (*ids, *more):  # four findings in two dwellings of B1, one in B2
        answer(ledger, each, "building_rewired")
    one = float(BOOK.remedies["building_rewired"].cost_typical)
    for buildings, named in ((1, ids), (2, [*ids, *more])):
        frame = estimates(ledger, BOOK, alone=named, buildings=built(2000), now=LATER)
        remedy = frame[frame["line"] == "remedy"]
        assert totals(remedy) == {"least": buildings * one, "most": buildings * one}
    found = lines(ledger, buildings=built(2000))
    assert found["remedy"] == (2 * one, 2 * one)
    assert found["wall_patching"] == (2 * PATCH, 2 * PATCH)
    (row,) = money(ledger, BOOK, buildings=built(2000), now=LATER).to_dict("records")
    assert row["forecast"] == row["rest"] == row["estimate"]
    (b1, b2) = money(ledger, BOOK, by="building", now=LATER).to_dict("records")
    assert (b1["estimate_least"], b2["estimate_least"]) == (
        one + PATCH + 2 * CALL, one + PATCH + CALL,
    )  # fmt: skip


def test_several_findings_of_one_opening_are_on_one_circuit(ledger, ids):
    other = raised("K0", "ungrounded", "no_ground")
    second = ledger.raise_finding(other, at=moment(DAY), **WHO).finding_id
    for each in (ids[0], second):
        answer(ledger, each, "circuit_rewired")
    frame = estimates(ledger, BOOK, alone=[ids[0], second], buildings=built(2000), now=LATER)
    assert totals(frame[frame["line"] == "remedy"]) == {"least": 1600, "most": 1600}
    assert not frame["circuit_in_doubt"].any()


@pytest.mark.slow
@pytest.mark.parametrize("by", BY)
def test_lines_add_up_to_the_totals_in_every_breakdown(ledger, ids, by):
    answer(ledger, ids[0], ADDED)
    put(ledger, ids[1], fix("gfci_type_marked", markings=("no_equipment_ground",), cost=200))
    for each in ids[2:]:
        answer(ledger, each, "circuit_rewired")
    whole = money(ledger, BOOK, by=by, now=LATER).set_index("group")
    parts = money_lines(ledger, BOOK, by=by, now=LATER).groupby("group")
    for name in ("estimate_least", "estimate", "rest_least", "rest"):
        added = parts[name].sum().round(2)
        assert whole[name].round(2).to_dict() == added.reindex(whole.index, fill_value=0).to_dict()


def test_findings_alone_are_one_entry(ledger, ids):
    answer(ledger, ids[0], ADDED)
    frame = estimates(ledger, BOOK, alone=[ids[0]], buildings=built(None), now=LATER)
    plain = 350 + PATCH + CALL
    assert totals(frame) == {"least": plain, "most": plain + LEAD + ASBESTOS}
    put(ledger, ids[1], fix("gfci_type_marked", markings=("no_equipment_ground",), cost=200))
    assert estimates(ledger, BOOK, alone=[ids[1]], now=LATER).empty  # it has a cost
    frame = estimates(ledger, BOOK, alone=ids[1:3], now=LATER)
    assert list(frame["most"]) == [60, CALL]


def test_what_no_remedy_is_known_for_has_no_line_beside_it(ledger):
    late = raised("K9", None, "live_metal")
    ledger.raise_finding(late, at=moment(DAY), **WHO)
    frame = estimates(ledger, BOOK, now=LATER)
    assert list(frame["line"]) == ["remedy"] and frame["most"].isna().all()
    assert "no remedy is known" in frame["told"].iloc[0]
    (row,) = money(ledger, BOOK, now=LATER).to_dict("records")
    assert (row["estimate"], row["without_estimate"]) == (0, 1)


def before_lines():
    """The shipped rule book as it was before there were cost lines."""
    text = default_rule_book_text().replace("opens_walls = true\n", "")
    kept, skip = [], False
    for line in text.splitlines():
        if line.startswith("["):
            skip = line.startswith("[cost_lines.")
        if not skip:
            kept.append(line)
    assert "cost_lines" not in tomllib.loads("\n".join(kept))
    return parse_rule_book("\n".join(kept))


def test_a_rule_book_of_before_estimates_as_before(ledger, ids):
    answer(ledger, ids[0], ADDED)
    (row,) = money(ledger, before_lines(), now=LATER).to_dict("records")
    assert row["estimate"] == row["estimate_least"] == 350 + 3 * 60
    assert lines(ledger, before_lines()) == {"remedy": (530, 530)}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[cost_lines.call_out]", "[cost_lines.remedy]", "may be called remedy"),
        ('per = "dwelling"', 'per = "month"', "cost_lines.call_out.per"),
        ("cost = { value = 90,", "cost = { value = -90,", "outside 0 to"),
    ],
)
def test_a_cost_line_that_makes_no_sense_is_refused(old, new, said):
    with pytest.raises(CoverplateError, match=said):
        parse_rule_book(default_rule_book_text().replace(old, new, 1))

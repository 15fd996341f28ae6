"""Amounts that can be read two ways, the headers that firms write, one job with two costs."""

import csv

import pytest
from fix_files import reported
from ledger_samples import DAY, WHO, raised
from openpyxl import Workbook

from pipeline.ledger.money import money, money_questions
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book

pytestmark = pytest.mark.slow


BOOK = load_rule_book()


@pytest.fixture
def ids(ledger):
    events = ledger.raise_many([raised(f"K{n}") for n in range(6)], **WHO)
    return [event.finding_id for event in events]


def taken_in(ledger, tmp_path, costs, mark=None, openings=None):
    """Take in a semicolon file with a cost a row; return what became of its rows."""
    path = tmp_path / "report.csv"
    rows = ["building_id;unit_id;opening_id;remedy;fixed_on;firm;cost"]
    places = openings or range(len(costs))
    rows += [
        f"B1;2A;K{place};circuit_rewired;2025-03-20;Oddy;{cost}"
        for place, cost in zip(places, costs, strict=True)
    ]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    (report,) = reported(tmp_path / "workspace", ledger, path, decimal_mark=mark)
    return report.rows


def stands(ledger, finding):
    fix = ledger.finding(finding).fix
    return fix and fix.cost


@pytest.mark.parametrize(
    ("costs", "mark", "expected"),
    [
        # another amount shows it
        (["1,350", "280.50"], None, [1350, 280.5]),
        (["1.350", "290,50"], None, [1350, 290.5]),
        (["1,350", "2,100.00"], None, [1350, 2100]),
        (["$ 1,350", "$280.5"], None, [1350, 280.5]),
        (["1,350 USD", "280.50 usd"], None, [1350, 280.5]),
        # somebody says it
        (["1,350", "900"], ".", [1350, 900]),
        (["1.350", "900"], ",", [1350, 900]),
        (["1,350"], ",", [1.35]),
        # these can be read one way only
        (["1,350.00", "1,350,000", "1350", "12.5"], None, [1350, 1350000, 1350, 12.5]),
        (["280.50", "290,50"], None, [280.5, 290.5]),
    ],
)
def test_an_amount_that_can_be_read_one_way_is_read(ledger, ids, tmp_path, costs, mark, expected):
    rows = taken_in(ledger, tmp_path, costs, mark)
    assert [row.outcome for row in rows] == ["reported"] * len(costs)
    assert [stands(ledger, finding) for finding, _ in zip(ids, costs, strict=False)] == expected


@pytest.mark.parametrize(
    ("costs", "told"),
    [
        # nobody shows the mark: a thousand times more or less
        (["1,350", "900"], "1350.00 or 1.350"),
        (["1.350", "900"], "1350.00 or 1.350"),
        (["$1,350"], "1350.00 or 1.350"),
        (["1,350 USD"], "1350.00 or 1.350"),
        # money is not written in thousandths, whatever mark the others show
        (["1.350", "280.50"], "1350.00 or 1.350"),
        (["1,350", "290,50"], "1350.00 or 1.350"),
        # both marks in one column show neither
        (["1,350", "280.50", "290,50"], "1350.00 or 1.350"),
    ],
)
def test_an_amount_that_can_be_read_two_ways_is_asked_about(ledger, ids, tmp_path, costs, told):
    heads = ledger.heads()
    with pytest.raises(CoverplateError) as asked:
        taken_in(ledger, tmp_path, costs)
    assert told in asked.value.found and "cost" in asked.value.found
    assert "--set decimal_mark=" in asked.value.to_do
    assert ledger.heads() == heads
    rows = taken_in(ledger, tmp_path, costs, mark=".")
    assert [row.outcome for row in rows] == ["reported"] * len(costs)


def test_an_amount_that_is_none_sets_its_row_aside_and_not_the_cost(ledger, ids, tmp_path):
    cheap, fine = taken_in(ledger, tmp_path, ["cheap", "12.50"])
    assert (cheap.outcome, fine.outcome) == ("refused", "reported")
    assert [(each.column, each.found) for each in cheap.reasons] == [("cost", "cheap")]
    assert ledger.finding(ids[0]).fix is None


def test_one_job_with_two_costs_is_told_as_a_question_and_counts_once(ledger, ids, tmp_path):
    first, second = taken_in(ledger, tmp_path, ["280.50", "290,50"], openings=[0, 0])
    assert (first.outcome, first.questions) == ("reported", [])
    assert second.outcome == "reported"
    (question,) = second.questions
    assert "280.50, now 290.50" in question
    assert money(ledger, BOOK).iloc[0]["spent"] == 290.5  # the later one, once
    (asked,) = money_questions(ledger, BOOK).to_dict("records")
    assert (asked["question"], asked["amounts"]) == ("same_job", [280.5, 290.5])


@pytest.mark.parametrize(
    ("work", "day", "price", "person"),
    [
        ("Work carried out", "Date completed", "Total", "Electrician"),
        ("Work performed", "Completed on", "Price", "Technician"),
        ("Description of work", "Completion date", "Total cost", "Carried out by"),
        ("WORK DONE", "Completed", "Amount charged", "Performed by"),
    ],
)
def test_a_workbook_with_ordinary_words_for_its_columns(
    ledger, ids, tmp_path, work, day, price, person
):
    book = Workbook()
    sheet = book.active
    sheet.append(["Property", "Apt No", "Outlet No", work, day, person, "Invoice No", price])
    sheet.append(["B1", "2A", "K0", "rewired circuit", DAY, "D. Orme", "R-1071", 280.5])
    book.save(tmp_path / "report.xlsx")
    (report,) = reported(tmp_path / "workspace", ledger, tmp_path / "report.xlsx", firm="Oddy")
    assert [(row.outcome, row.reasons) for row in report.rows] == [("reported", [])]
    fix = ledger.finding(ids[0]).fix
    assert (fix.remedy, fix.fixed_on, fix.worker) == ("circuit_rewired", DAY, "D. Orme")
    assert (fix.invoice, fix.cost) == ("R-1071", 280.5)


def test_a_column_of_invoice_numbers_is_not_read_as_money(ledger, ids, tmp_path):
    path = tmp_path / "a.csv"
    with path.open("w", encoding="utf-8", newline="") as handle:
        rows = csv.writer(handle)
        rows.writerow(["Building", "Unit", "Outlet", "Work done", "Date", "Firm", "Invoice"])
        rows.writerow(["B1", "2A", "K0", "rewired", "2025-03-20", "Oddy", "1071"])
    (report,) = reported(tmp_path / "workspace", ledger, path)
    assert report.rows[0].outcome == "reported"
    fix = ledger.finding(ids[0]).fix
    assert (fix.invoice, fix.cost) == ("1071", None)

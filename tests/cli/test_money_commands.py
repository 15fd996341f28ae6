"""Prices, bills and money as a person types them; what is overdue by danger."""

from pathlib import Path

import pytest

from tests.cli.running import run

BILL = ("--firm", "Pellworth Electric", "--invoice", "R-1071", "--on", "2025-04-02")


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A workspace with a ledger and no warehouse."""
    found = tmp_path / "own"
    (found / "landed").mkdir(parents=True)
    return found


@pytest.fixture
def ids(place: Path) -> list[str]:
    """Three false grounds of one dwelling."""
    found = []
    for opening in ("K0", "K1", "K2"):
        (row,) = run(
            "findings", "raise", "--building", "B1", "--unit", "2A", "--opening", opening,
            "--condition", "false_ground", "--slots", "three_slot", "--seen-on", "2025-03-03",
            "--workspace", place, "--json",
        ).json()  # fmt: skip
        found.append(row["finding_id"])
    return found


@pytest.mark.slow
def test_a_bill_shared_over_findings(place: Path, ids: list[str]) -> None:
    where = ("--workspace", place)
    done = run("fix", "bill", *ids, *BILL, "--amount", "100", *where)
    assert done.code == 0, done.err
    assert "100.00 = 33.34 + 33.33 + 33.33" in done.err
    again = run("fix", "bill", *ids, *BILL, "--amount", "110", *where)
    assert again.code == 2
    assert "is this another bill?" in again.err and "100.00 for" in again.err
    assert "--again" in again.err and "--corrects" in again.err
    assert run("fix", "bill", *ids, *BILL, "--amount", "110", "--corrects", *where).code == 0
    rows = run("fix", "bills", *where, "--json").json()
    assert [(row["amount"], row["corrected"], row["number"]) for row in rows] == [
        (100, True, 1), (110, False, 2),
    ]  # fmt: skip
    assert rows[1]["findings"] == ids
    (told,) = run("findings", "money", *where, "--json").json()
    assert (told["billed"], told["spent"]) == (110, 110)
    assert run("ledger", "verify", *where).code == 0
    shown = run("findings", "show", ids[0], *where).out
    assert "billed" in shown and "R-1071" in shown
    assert "corrected by another" in run("fix", "bills", *where).out


def test_prices_beside_one_another(place: Path, ids: list[str]) -> None:
    where = ("--workspace", place)
    refused = run("fix", "quote", ids[0], "--firm", "A", "--amount", 1, "--remedy", "nonsense",
                  *where)  # fmt: skip
    assert refused.code == 2 and "two_slot_again" in refused.err
    for firm, amount in (("Oddy", 90), ("Vale", 70)):
        assert run("fix", "quote", ids[0], "--firm", firm, "--amount", amount, *where).code == 0
    assert run("fix", "quote", *ids[1:], "--firm", "Oddy", "--amount", "1000.01", "--remedy",
               "circuit_rewired", *where).code == 0  # fmt: skip
    assert run("findings", "assign", ids[0], "--firm", "Oddy", *where).code == 0
    rows = run("fix", "quotes", *where, "--json").json()
    assert [(r["opening_id"], r["firm"], r["amount"], r["lowest"], r["chosen"]) for r in rows] == [
        ("K0", "Vale", 70, True, False),
        ("K0", "Oddy", 90, False, True),
        ("K1", "Oddy", 500.01, True, False),
        ("K2", "Oddy", 500, True, False),
    ]
    assert "of 1,000.01 for 2 findings" in run("fix", "quotes", *where).out


@pytest.mark.slow
def test_an_advance_leaves_the_rest_of_a_price_owed(place: Path, ids: list[str]) -> None:
    """A price of 900 is agreed on, 200 of it billed, the work reported; another bill taken back."""
    where = ("--workspace", place)

    def told() -> tuple[float, float]:
        (row,) = run("findings", "money", *where, "--json").json()
        return row["spent"], row["committed"]

    one, two = ids[0], ids[1]
    bill = ("--firm", "Oddy", "--on", "2025-03-10", *where)
    assert run("fix", "quote", one, "--firm", "Oddy", "--amount", 900, *where).code == 0
    assert run("findings", "assign", one, "--firm", "Oddy", *where).code == 0
    assert told() == (0, 900)
    assert run("fix", "bill", one, "--invoice", "A1", "--amount", 200, *bill).code == 0
    assert told() == (200, 700)
    report = ("--remedy", "grounding_conductor_added", "--firm", "Oddy", "--on", "2025-03-20")
    assert run("fix", "report", one, *report, *where).code == 0
    assert told() == (200, 700)
    rest = run("findings", "estimate", "--building", "B1", *where, "--json").json()
    assert one not in {row["finding_id"] for row in rest}
    assert run("fix", "report", two, *report, "--cost", 300, *where).code == 0
    assert run("fix", "bill", two, "--invoice", "A2", "--amount", 340, *bill).code == 0
    assert told() == (540, 700)
    back = run("fix", "bill", two, "--invoice", "A2", "--amount", 0, "--corrects", *bill)
    assert back.code == 0, back.err
    assert told() == (500, 700)


@pytest.mark.slow
def test_money_against_a_budget(place: Path, ids: list[str]) -> None:
    where = ("--workspace", place)
    report = ("fix", "report", ids[0], "--remedy", "grounding_conductor_added", "--firm", "Oddy",
              "--on", "2025-03-20", "--cost", "380")  # fmt: skip
    assert run(*report, *where).code == 0
    assert run("fix", "quote", ids[1], "--firm", "Oddy", "--amount", 420, *where).code == 0
    assert run("findings", "assign", ids[1], "--firm", "Oddy", *where).code == 0
    # 380 spent + 420 committed; for the third 60, the placeholder of the cheapest remedy, and a
    # call-out of 90
    rows = run("findings", "money", "--by", "firm", "--budget", 1000, *where, "--json").json()
    assert [(r["group"], r["forecast"]) for r in rows] == [
        ("Oddy", 800), ("nobody assigned", 150), ("all", 950),
    ]  # fmt: skip
    assert (rows[-1]["budget"], rows[-1]["left"], rows[0]["left"]) == (1000, 50, None)
    told = run("findings", "money", "--budget", 1000, *where).out
    assert "Budget 1,000.00, forecast 950.00: 50.00 left." in told
    assert "placeholder" in told
    told = run("findings", "money", "--budget", 800, *where).out
    assert "150.00 too little." in told


@pytest.mark.slow
@pytest.mark.parametrize("amount", ["nan", "inf", "-inf", "1e300", "-1", "0.005", "a lot"])
def test_what_is_no_amount_of_money_is_refused(place: Path, ids: list[str], amount: str) -> None:
    bill = ("fix", "bill", ids[0], *BILL, "--amount")
    quote = ("fix", "quote", ids[0], "--firm", "Oddy", "--amount")
    report = ("fix", "report", ids[0], "--remedy", "grounding_conductor_added", "--firm", "Oddy",
              "--on", "2025-03-20", "--cost")  # fmt: skip
    for words in (bill, quote, report, ("findings", "money", "--budget")):
        done = run(*words, amount, "--workspace", place)
        assert done.code == 2 and done.out == ""
        assert "is no amount of money" in done.err and "280.50" in done.err
    (whole,) = run("findings", "money", "--workspace", place, "--json").json()
    assert whole["spent"] == whole["committed"] == 0


@pytest.mark.slow
def test_counts_that_do_not_add_up_are_said_to(place: Path, ids: list[str]) -> None:
    where = ("--workspace", place)
    for firm, amount in (("Oddy", "90"), ("Vale", "70")):
        bill = ("fix", "bill", ids[0], "--firm", firm, "--invoice", "1", "--on", "2025-04-02")
        assert run(*bill, "--amount", amount, *where).code == 0
    rows = run("findings", "money", "--by", "firm", *where, "--json").json()
    parts = [row for row in rows if row["group"] != "all"]
    # the one that was billed: of either firm, and of nobody as far as it is open
    assert sum(row["findings"] for row in parts) == 5 and rows[-1]["findings"] == 3
    assert sum(row["spent"] for row in parts) == rows[-1]["spent"] == 160
    told = "A finding may stand in more than one group"
    for by, said in (("firm", True), ("remedy", True), ("month", True), ("building", False)):
        assert (told in run("findings", "money", "--by", by, *where).out) == said


@pytest.mark.slow
def test_a_question_about_money_is_listed(place: Path, ids: list[str]) -> None:
    where = ("--workspace", place)
    for each in ids[:2]:
        done = run("fix", "report", each, "--remedy", "circuit_rewired", "--firm", "Oddy", "--on",
                   "2025-03-20", "--cost", "1600", *where)  # fmt: skip
        assert done.code == 0
    rows = run("findings", "money", *where, "--json").json()
    assert rows[0]["spent"] == 3200
    (asked,) = [row for row in rows if "question" in row]
    assert (asked["question"], asked["counted"], asked["once"]) == ("same_sum", 3200, 1600)
    told = run("findings", "money", *where).out
    assert "1 question; nothing was merged" in told


@pytest.mark.slow
def test_a_report_with_a_doubtful_amount(place: Path, ids: list[str], inbox: Path) -> None:
    path = inbox / "march.csv"
    path.write_text(
        "Building;Unit;Outlet;Work carried out;Date completed;Electrician;Total\n"
        "B1;2A;K0;rewired circuit;2025-03-20;D. Orme;1,350\n"
    )
    take = ("fix", "import", path, "--firm", "Oddy", "--workspace", place)
    told = run(*take)
    assert told.code == 2 and "1350.00 or 1.350" in told.err
    assert run("findings", "money", "--workspace", place, "--json").json()[0]["spent"] == 0
    assert run(*take, "--decimal-mark", ".").code == 0
    assert run("findings", "money", "--workspace", place, "--json").json()[0]["spent"] == 1350


@pytest.mark.slow
def test_what_is_overdue_stands_by_danger(manager: tuple[object, Path]) -> None:
    listing = ("findings", "list", "--overdue", "--workspace", manager[1])
    rows = run(*listing, "--json").json()
    keys = [(not row["urgent"], -(row["chance"] or -1), -(row["people"] or -1)) for row in rows]
    assert len(rows) > 20 and keys == sorted(keys)
    assert 0 < sum(row["urgent"] for row in rows) < len(rows)
    assert any(row["people"] for row in rows)
    late = run(*listing, "--order", "late", "--json").json()
    days = [row["days_late"] for row in late]
    assert days == sorted(days, reverse=True) and days != [row["days_late"] for row in rows]
    assert {row["finding_id"] for row in late} == {row["finding_id"] for row in rows}
    assert "urgent first, then by the chance" in run(*listing).out
    ids = run(*listing, "--ids").out.split()
    assert [each.split("@")[0] for each in ids] == [row["finding_id"] for row in rows]
    money = run("findings", "money", "--by", "remedy", "--workspace", manager[1], "--json").json()
    whole = next(row for row in money if row.get("group") == "all")
    parts = [row for row in money if row.get("group") not in (None, "all")]
    assert round(sum(row["forecast"] for row in parts), 2) == whole["forecast"] > 0

"""Plans of repairs end to end: a file in, intake, build, findings, plan."""

from __future__ import annotations

import csv
import itertools

import pandas as pd
import pytest

from shared.rule_book import load_rule_book
from tests.cli.running import run

HEAD = ["building_id", "unit_id", "opening_id", "circuit_id", "observed_on", "inspector", "method",
        "result", "slots", "cover_removed", "neutral_ground_jumper", "ground_present",
        "polarity"]  # fmt: skip
BOX = {"method": "cover_off_inspection", "cover_removed": "yes", "slots": "three_slot",
       "observed_on": "2026-03-02", "inspector": "Ada"}  # fmt: skip


def row(building, unit, opening, result, circuit="", **more):
    return {"building_id": building, "unit_id": unit, "opening_id": opening,
            "circuit_id": circuit, "result": result, **BOX, **more}  # fmt: skip


ROWS = [
    row("H1", "1", "K1", "reversed_false_ground", "C1", neutral_ground_jumper="yes",
        ground_present="no", polarity="reversed"),
    row("H1", "1", "K2", "false_ground", "C1", neutral_ground_jumper="yes", ground_present="no"),
    row("H1", "2", "L1", "open_ground", "C2", ground_present="no", neutral_ground_jumper="no"),
    row("H2", "1", "K1", "open_ground", ground_present="no", neutral_ground_jumper="no"),
    row("H2", "1", "K2", "correct", ground_present="yes", neutral_ground_jumper="no",
        polarity="correct"),
]  # fmt: skip


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("repairs")
    file = folder / "looks.csv"
    pd.DataFrame(ROWS, columns=HEAD).to_csv(file, index=False)
    workspace = folder / "workspace"
    assert run("intake", file, "--workspace", workspace).code == 0
    assert run("build", "--workspace", workspace).code == 0
    assert run("findings", "sync", "--by", "Ada", "--workspace", workspace).code == 0
    return workspace


def planned(place, *more):
    outcome = run("plan", "repairs", "--workspace", place, "--day", "2026-03-10", "--json", *more)
    assert outcome.code == 0, outcome.err
    parts = {}
    for each in outcome.json():
        parts.setdefault(each["kind"], []).append(each)
    return parts


@pytest.mark.slow
def test_what_is_live_is_repaired_in_the_first_year(place):
    parts = planned(place, "--budget", "300", "--years", "3")
    live = [job for job in parts["job"] if job["must"] == "first"]
    assert [(job["building_id"], job["year"]) for job in live] == [("H1", 1)]
    assert "K1" in live[0]["opening_ids"]
    assert {job["year"] for job in parts["job"]} > {1}


@pytest.mark.slow
def test_each_year_keeps_to_its_money_and_hours(place):
    parts = planned(place, "--budget", "400, 250", "--electrician-hours", "3", "--years", "2")
    for year, most in zip(parts["year"], (400, 250), strict=True):
        assert year["cost"] <= most
        assert year["hours"] <= 3
    dearer = planned(place, "--budget", "400, 250", "--years", "2")
    assert dearer["total"][0]["harm_left"] <= parts["total"][0]["harm_left"] + 1e-6


@pytest.mark.slow
def test_what_money_does_not_suffice_for_is_told(place):
    parts = planned(place, "--budget", "0", "--years", "1")
    assert "job" not in parts
    told = {(row["building_id"], row["opening_id"]): row for row in parts["unable"]}
    assert told["H1", "K1"]["urgent"]
    for opening in (("H1", "K1"), ("H1", "K2"), ("H1", "L1"), ("H2", "K1")):
        assert "do not suffice" in told[opening]["why"]
    assert parts["total"][0]["harm_left"] == pytest.approx(parts["total"][0]["harm_total"])


@pytest.mark.slow
def test_harm_is_the_score_over_the_years(place):
    scores = sum(each["score"] for each in run("rank", "--workspace", place, "--json").json())
    total = planned(place, "--budget", "500", "--years", "2")["total"][0]
    assert total["harm_total"] == pytest.approx(2 * scores, rel=1e-9)
    assert total["bound_left"] - 1e-9 <= total["harm_left"] <= total["harm_total"]


@pytest.mark.slow
def test_a_year_later_is_worth_less(place):
    parts = planned(place, "--budget", "0,2000", "--years", "2")
    now = planned(place, "--budget", "2000,0", "--years", "2")
    assert parts["total"][0]["harm_left"] > now["total"][0]["harm_left"]
    late = [each for each in parts["unable"] if each["opening_id"] == "K1"]
    assert any("planned in year 2" in each["why"] for each in late)


def standing(order):
    """What plans are compared by: what comes first, what else is due, harm taken away."""
    return (
        round(order["first_share"], 6), round(order["due_share"], 6), -round(order["harm_left"], 6)
    )  # fmt: skip


@pytest.mark.slow
def test_no_simple_order_is_better(place):
    for budget in ("150", "300", "900", "4000"):
        orders = planned(place, "--budget", budget, "--years", "2")["order"]
        plan, *rivals, bound = orders
        for each in rivals:
            assert standing(each) <= standing(plan)
        assert bound["harm_left"] <= plan["harm_left"] + 1e-6


@pytest.mark.slow
def test_one_entry_serves_several_openings(place):
    parts = planned(place, "--building", "H1", "--budget", "250", "--years", "1")
    jobs, year = parts["job"], parts["year"][0]
    assert {(job["building_id"], job["unit_id"]) for job in jobs} == {("H1", "1")}
    assert {o for job in jobs for o in job["opening_ids"]} == {"K1", "K2"}
    entry = float(load_rule_book().cost_lines["call_out"].cost)
    assert year["cost"] == pytest.approx(sum(job["cost"] for job in jobs) + entry)


@pytest.mark.slow
def test_a_grant_pays_for_its_building_only(place, tmp_path):
    file = tmp_path / "grants.toml"
    file.write_text('[[grants]]\nname = "Roofs"\namount = 5000\nbuildings = ["H2"]\n')
    without = planned(place, "--budget", "300", "--years", "1")
    with_it = planned(place, "--budget", "300", "--years", "1", "--grants", file)
    assert with_it["year"][0]["from_grants"] > 0
    assert with_it["year"][0]["cost"] - with_it["year"][0]["from_grants"] <= 300 + 1e-6
    assert with_it["total"][0]["harm_left"] < without["total"][0]["harm_left"]


def test_a_faulty_grant_is_refused(place, tmp_path):
    file = tmp_path / "grants.toml"
    file.write_text('[[grants]]\nname = "Roofs"\namount = -1\nremedies = ["magic"]\n')
    outcome = run("plan", "repairs", "--workspace", place, "--grants", file)
    assert outcome.code == 2
    assert "amount" in outcome.err
    file.write_text('[[grants]]\nname = "Roofs"\namount = 1\nremedies = ["magic"]\n')
    assert "magic" in run("plan", "repairs", "--workspace", place, "--grants", file).err


@pytest.mark.slow
def test_a_quote_is_the_price(place):
    listed = run("findings", "list", "--workspace", place, "--json").json()
    finding = next(each for each in listed if each["building_id"] == "H2")
    before = planned(place, "--building", "H2", "--budget", "5000", "--years", "1")
    job = before["job"][0]
    assert "placeholder" in job["price_from"]
    assert run(
        "fix", "quote", finding["finding_id"], "--firm", "Pellworth Electric", "--amount", "12.50",
        "--remedy", job["remedy"], "--by", "Ada", "--workspace", place,
    ).code == 0  # fmt: skip
    after = planned(place, "--building", "H2", "--budget", "5000", "--years", "1")
    quoted = [each for each in after["job"] if finding["finding_id"] in each["finding_ids"]]
    assert [each["cost"] for each in quoted] == [12.5]
    assert quoted[0]["price_from"] == "quoted by Pellworth Electric"
    assert "quoted by Pellworth Electric" in after["total"][0]["prices"]


@pytest.mark.slow
def test_only_allowed_remedies(place):
    jobs = planned(place, "--budget", "100000", "--years", "1")["job"]
    live = next(job for job in jobs if "K1" in job["opening_ids"] and job["building_id"] == "H1")
    assert live["remedy"] not in ("receptacle_swapped", "protection_added_only")


@pytest.mark.slow
def test_the_printed_plan_and_the_file(place, tmp_path):
    file = tmp_path / "plan.csv"
    outcome = run(
        "plan", "repairs", "--workspace", place, "--budget", "400", "--years", "2", "--output",
        file, "--frontier", "--assumptions", "--electrician-hours", "20",
    )  # fmt: skip
    assert outcome.code == 0
    for told in ("Year 1", "URGENT", "Beside it", "Harm left for other budgets",
                 "Under other assumptions", "qualified person", "placeholder"):  # fmt: skip
        assert told in outcome.out
    with file.open(encoding="utf-8-sig", newline="") as written:
        assert {each["year"] for each in csv.DictReader(written)} >= {"1"}


@pytest.mark.slow
def test_more_money_never_leaves_more_harm(place):
    rows = planned(place, "--budget", "400", "--years", "2", "--frontier")["frontier"]
    left = [each["harm_left"] for each in rows]
    assert all(after <= before + 1e-6 for before, after in itertools.pairwise(left))


def test_numbers_that_do_not_fit_the_years_are_refused(place):
    outcome = run("plan", "repairs", "--workspace", place, "--budget", "1,2", "--years", "3")
    assert outcome.code == 2
    assert "--budget" in outcome.err


@pytest.mark.slow
def test_the_demo(housing):
    outcome = run("plan", "repairs", "--workspace", housing, "--budget", "20000", "--years", "2",
                  "--json")  # fmt: skip
    assert outcome.code == 0, outcome.err
    rows = outcome.json()
    orders = {each["order"]: each for each in rows if each["kind"] == "order"}
    plan = orders["this plan"]
    for name in ("worst_first", "cheapest_first", "oldest_first"):
        assert standing(orders[name]) <= standing(plan)
    assert all(each["cost"] <= 20000.01 for each in rows if each["kind"] == "year")
    assert {each["year"] for each in rows if each["kind"] == "job" and each["must"] == "first"} == {
        1
    }

"""Plans of repairs: what the ledger does not know yet, and dates that lie within a year."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.cli.running import run
from tests.cli.test_plan_repairs import HEAD, ROWS, planned

pytestmark = pytest.mark.slow


@pytest.fixture
def landed(tmp_path):
    """Looks and papers, built, nothing in the ledger."""
    pd.DataFrame(ROWS, columns=HEAD).to_csv(tmp_path / "looks.csv", index=False)
    papers = [
        {"building_id": b, "unit_id": "1", "report_kind": "citation", "reference": f"C-{b}",
         "reported_on": "2026-02-20", "description": "open ground at receptacle"}
        for b in ("H1", "H2")
    ]  # fmt: skip
    pd.DataFrame(papers).to_csv(tmp_path / "papers.csv", index=False)
    workspace = tmp_path / "workspace"
    files = (tmp_path / "looks.csv", tmp_path / "papers.csv")
    assert run("intake", *files, "--workspace", workspace).code == 0
    assert run("build", "--workspace", workspace).code == 0
    return workspace


def plan(workspace, *more):
    return run("plan", "repairs", "--workspace", workspace, "--day", "2026-03-10", *more)


def test_what_is_not_in_the_ledger_yet_is_said(landed):
    done = plan(landed)
    assert done.code == 0
    told = " ".join(done.out.split())
    assert (
        "6 findings are not in the ledger yet (2 of papers that name no opening, 4 confirmed)"
        in told
    )
    assert "Run `coverplate findings sync`, then plan again" in told
    assert "not in the ledger yet" in plan(landed, "--json").err
    # nothing is written by asking
    assert run("findings", "list", "--workspace", landed, "--json").json() == []
    one = plan(landed, "--building", "H2", "--json").err
    assert "2 findings are not in the ledger yet (1 of a paper that names no opening" in one
    assert run("findings", "sync", "--by", "Ada", "--workspace", landed).code == 0
    after = plan(landed)
    assert "not in the ledger yet" not in after.out
    rows = planned(landed)["unable"]
    assert sum("names no opening" in row["why"] for row in rows) == 2
    # a paper that lands later
    late = landed.parent / "late.csv"
    late.write_text(
        "building_id,report_kind,reference,reported_on,description\n"
        "H2,complaint,C-9,2026-03-01,got a shock from the outlet\n", "utf-8"
    )  # fmt: skip
    assert run("intake", late, "--workspace", landed).code == 0
    assert run("build", "--workspace", landed).code == 0
    assert "1 finding is not in the ledger yet (1 of a paper" in " ".join(plan(landed).out.split())


def test_a_date_within_the_year_is_said_and_in_time_is_not_claimed_without_it(landed):
    assert run("findings", "sync", "--by", "Ada", "--workspace", landed).code == 0
    parts = planned(landed, "--years", 3)
    due = [job for job in parts["job"] if job["must"] == "due"]
    dates = {
        row["finding_id"]: row["present_target_on"]
        for row in run("findings", "list", "--workspace", landed, "--json").json()
    }
    assert due
    for job in due:
        soonest = min(dates[each] for each in job["finding_ids"])
        inside = "2026-03-10" <= soonest < f"{2026 + job['year']}-03-10"
        assert inside and job["done_by"] == job["due_on"] == soonest, job
    (whole,) = parts["total"]
    must = [job for job in parts["job"] if job["must"]]
    assert f"{len(must)} jobs are in time only if done by a day within the year" in whole["in_time"]
    assert min(job["done_by"] for job in must) in whole["in_time"]
    told = " ".join(plan(landed).out.split())
    assert whole["in_time"] in told and "are repaired in time" not in told
    assert "in time if done" in told and f"by {due[0]['done_by']}" in told
    # within a year what must be done stands in order of its days
    for year in {job["year"] for job in parts["job"]}:
        days = [j["done_by"] for j in parts["job"] if j["year"] == year and j["must"] == "due"]
        assert days == sorted(days)
    # a plan that begins when they are past says that they are late
    later = run("plan", "repairs", "--workspace", landed, "--day", "2029-01-01", "--json").json()
    (whole,) = [row for row in later if row["kind"] == "total"]
    assert "late: due before its year begins" in whole["in_time"]
    assert "in time only if" not in whole["in_time"]
    # nor is a job in time that is planned in a year after the one in which it is due
    parts = planned(landed, "--years", 3, "--budget", 250)
    begins = {row["year"]: row["begins"] for row in parts["year"]}
    dated = [job for job in parts["job"] if job["done_by"]]
    late = [job for job in dated if job["done_by"] < begins[job["year"]]]
    assert late and len(late) < len(dated)
    (whole,) = parts["total"]
    assert f"{len(dated) - len(late)} job" in whole["in_time"].split(":")[0]
    assert f"{len(late)} job" in whole["in_time"].split("no days.")[1]

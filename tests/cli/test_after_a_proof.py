"""What is told once a defect has come back, or a look took it off the urgent list unproven."""

from __future__ import annotations

import datetime as dt
import os

import pandas as pd
import pytest

from tests.cli.running import run

pytestmark = pytest.mark.slow

HERE = {"building_id": "H/1", "unit_id": "2/B"}
FALSE_GROUND = {
    "method": "cover_off_inspection", "result": "false_ground", "cover_removed": "yes",
    "neutral_ground_jumper": "yes", "polarity": "correct", "slots": "three_slot",
    "inspector": "Ada Quenth",
}  # fmt: skip
LIVE = FALSE_GROUND | {"result": "reversed_false_ground", "polarity": "reversed"}
SOUND = FALSE_GROUND | {
    "result": "correct", "neutral_ground_jumper": "no", "ground_present": "yes",
    "ground_path_ohms": 0.2, "inspector": "Sally Ambrel", "firm_of_inspector": "Quillmarsh",
}  # fmt: skip
FIX = {
    "family": "false_ground", "remedy": "grounding_conductor_added", "firm": "Pellworth Electric",
    "worker": "Dorothea Orme", "cost": 100,
}  # fmt: skip


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Opening 1 was proven repaired and came back; 2 was found sound by who repaired it; 3 stands;
    4 was proven; of 5 two looks contradict each other about its slots."""
    folder = tmp_path_factory.mktemp("after")
    at = ("--workspace", folder / "w")

    def take(name, rows):
        pd.DataFrame([HERE | row for row in rows]).to_csv(folder / name, index=False)
        return run("intake", folder / name, *at)

    def follow():
        for words in (("build",), ("findings", "sync"), ("build",)):
            assert run(*words, *at).code == 0

    def looks(name, day, rows):
        take(name, [{"opening_id": o, "observed_on": day} | row for o, row in rows.items()])
        follow()

    live = dict.fromkeys("234", LIVE) | {"1": FALSE_GROUND, "5": FALSE_GROUND}
    looks("found.csv", "2024-05-01", live)
    fixes = [FIX | {"opening_id": each, "fixed_on": "2024-06-01"} for each in "124"]
    assert take("fixes.csv", fixes).code == 0
    looks("sound.csv", "2024-07-01", {
        "1": SOUND, "2": SOUND | {"inspector": "D. Orme"}, "4": SOUND,
        "5": FALSE_GROUND | {"slots": "two_slot"},
    })  # fmt: skip
    looks("back.csv", "2024-08-01", {"1": FALSE_GROUND | {"inspector": "Cy Marsh"}})
    return at, take


def listed(at):
    return run("findings", "list", "--all", *at, "--json").json()


def test_a_repair_after_which_the_defect_came_back_is_no_proven_opening(told):
    at, _ = told
    (firm,) = run("findings", "progress", "--view", "firms", *at, "--json").json()
    assert firm["proven_openings"] == 1 and firm["cost_per_proven_opening"] == 300


def test_the_digest_says_how_many_stand_on_the_urgent_list_and_why_there_are_more(told):
    at, _ = told
    assert {row["opening_id"] for row in run("urgent", *at, "--json").json()} == {"3"}
    flagged = {row["opening_id"] for row in listed(at) if row["urgent"]}
    assert flagged == {"2", "3"}
    digest = " ".join(run("findings", "digest", *at).out.split())
    assert "Urgent and not proven repaired (2)" in digest
    assert "1 on the list of urgent openings (`coverplate urgent`); 1 beside it:" in digest


def test_records_in_doubt_are_no_open_findings_in_any_view(told):
    at, _ = told
    (row,) = run("findings", "progress", "--view", "ageing", *at, "--json").json()
    digest = run("findings", "digest", *at).out
    assert row["in_doubt"] >= 1
    assert f"{row['open']} open, {row['in_doubt']} records in doubt beside them" in digest


def test_a_dwelling_of_a_building_with_a_slash_in_its_name_is_visited(told):
    at, _ = told
    day = (dt.date.today() + dt.timedelta(3)).isoformat()
    plan = ("visits", "plan", "--on", day, "--person", "Bo Tarrow", *at, "--unit")
    assert run(*plan, "H/1").code == 2 and run(*plan, "H").code == 2
    done = run(*plan, "H/1/2/B")
    assert done.code == 0, done.err
    (visit,) = run("visits", "list", *at, "--json").json()
    assert (visit["building_id"], visit["unit_id"]) == ("H/1", "2/B")


def test_of_two_findings_of_one_family_a_fix_row_is_asked_which_by_id(told):
    at, take = told
    one, two = sorted(
        (r for r in listed(at) if r["opening_id"] == "1" and r["family"] == "false_ground"),
        key=lambda row: row["occurrence"],
    )
    reopened = run(
        "findings", "reopen", one["finding_id"], "--reason", "looked again", *at,
        "--by", os.environ.get("USER", "office"),
    )  # fmt: skip
    assert reopened.code == 0, reopened.err
    fix = FIX | {"opening_id": "1", "fixed_on": "2024-09-01"}
    done = take("again.csv", [fix])
    said = " ".join((done.out + done.err).split())
    assert done.code == 3 and "finding_id" in said
    assert one["finding_id"] in said and two["finding_id"] in said
    assert take("named.csv", [fix | {"finding_id": two["finding_id"]}]).code == 0
    states = {row["finding_id"]: row["state"] for row in listed(at)}
    assert states[two["finding_id"]] == "fix_reported_unproven"

"""How many looks are enough, grants and assumptions: the screens show what the commands print."""

from __future__ import annotations

import html
import re

import pandas as pd
import pytest
from screens_shown import plate, press, sound

from pipeline.landing import Workspace
from tests.cli.running import run
from tests.cli.test_plan_repairs import HEAD, ROWS

pytestmark = pytest.mark.slow

GRANT = '[[grants]]\nname = "G"\namount = 200\nbuildings = ["H2"]\n'


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("panels")
    pd.DataFrame(ROWS, columns=HEAD).to_csv(folder / "looks.csv", index=False)
    place = folder / "workspace"
    assert run("intake", folder / "looks.csv", "--workspace", place).code == 0
    assert run("build", "--workspace", place).code == 0
    assert run("findings", "sync", "--by", "Ada", "--workspace", place).code == 0
    (folder / "grants.toml").write_text(GRANT, "utf-8")
    return Workspace(place)


def cells(app, key):
    body = plate(app, key).partition("<tbody")[2]
    return [
        [" ".join(html.unescape(re.sub(r"<[^>]+>", " ", cell)).split())
         for cell in re.findall(r"<t[dh] .*?</t[dh]>", row, re.S)]
        for row in re.findall(r"<tr .*?</tr>", body, re.S)
    ]  # fmt: skip


def test_how_many_are_enough_is_asked_on_the_day_of_looks(show, small):
    app = show(small, "day_of_looks")
    sound(app)
    app.text_input(key="enough-building").set_value("H1")
    app.number_input(key="enough-share").set_value(10.0)
    app.number_input(key="enough-looked").set_value(4)
    press(app, "Work it out")
    words = ("plan", "sample", "--building", "H1", "--share", 0.1, "--looked", 4,
             "--workspace", small.root)  # fmt: skip
    printed = " ".join(run(*words).out.split())
    (row,) = run(*words, "--json").json()
    shown = cells(app, "enough")
    assert len(shown) == 8 and all(f"{what} {number}" in printed for what, number in shown)
    told = html.unescape(plate(app, "enough"))
    assert row["why_they_differ"] in told and "picked by lot" in told
    # the plan of the day stands beside it
    press(app, "Plan the day")
    assert plate(app, "answer") and plate(app, "enough")
    app.text_input(key="enough-building").set_value("nowhere")
    press(app, "Work it out")
    assert any("no building answers to that" in each.value for each in app.error)


def test_grants_and_assumptions_are_those_of_the_command(show, small):
    app = show(small, "year_of_repairs")
    app.number_input(key="budget").set_value(300.0)
    app.number_input(key="years").set_value(2)
    app.checkbox(key="assumptions").check()
    app.file_uploader(key="grants").upload("grants.toml", GRANT.encode(), "text/plain")
    press(app, "Plan the repairs")
    assert not app.error, [e.value for e in app.error]
    rows = run("plan", "repairs", "--budget", 300, "--years", 2, "--assumptions",
               "--grants", small.root.parent / "grants.toml",
               "--workspace", small.root, "--json").json()  # fmt: skip
    jobs = [row for row in rows if row["kind"] == "job"]
    tried = [row for row in rows if row["kind"] == "assumption"]
    assert [row[0] for row in cells(app, "under-assumptions")] == [row["told"] for row in tried]
    granted = {row["year"]: row["from_grants"] for row in rows if row["kind"] == "year"}
    assert any(granted.values())
    for year in sorted({job["year"] for job in jobs}):
        app.segmented_control(key="repairs-year").set_value(year).run()
        if granted[year]:
            assert f"{granted[year]:,.2f} of it from grants" in plate(app, "buildings")
        for building in dict.fromkeys(j["building_id"] for j in jobs if j["year"] == year):
            app.selectbox(key="jobs-at").set_value(building).run()
            mine = [j for j in jobs if (j["year"], j["building_id"]) == (year, building)]
            shown = cells(app, "jobs")
            stands = [f"in {j['stands_in']} of {len(tried)}" if not j["stands"] else "always"
                      for j in mine]  # fmt: skip
            assert [row[-1] for row in shown] == stands
            for row, job in zip(shown, mine, strict=True):
                if job["must"] == "due":
                    by = job["done_by"] or job["due_on"]
                    assert f"by {by}" in row[2] or f"due {by}" in row[2]


def test_a_faulty_file_of_grants_is_refused_in_words(show, small):
    app = show(small, "year_of_repairs")
    app.file_uploader(key="grants").upload("g.toml", b"[[grants]]\nname = 3\n", "text/plain")
    press(app, "Plan the repairs")
    (said,) = [each.value.replace("\\", "") for each in app.error]
    assert "g.toml" in said and "grants.0.amount" in said
    app.file_uploader(key="grants").upload(
        "g.toml", GRANT.replace("H2", "Z9").encode(), "text/plain"
    )
    press(app, "Plan the repairs")
    assert any("a grant names buildings that nobody knows" in each.value for each in app.error)

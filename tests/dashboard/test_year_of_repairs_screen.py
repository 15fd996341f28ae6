"""The screen of years of repairs shows the plan that ``coverplate plan repairs`` makes."""

from __future__ import annotations

import html
import re

import pytest
from screens_shown import plate, plates, sound

from tests.cli.running import run

pytestmark = pytest.mark.slow

HOME = "ZQ-02"


def planned(app, building=HOME, frontier=False, **values):
    for key, value in values.items():
        app.number_input(key=key).set_value(value)
    app.text_input(key="only-building").set_value(building)
    app.checkbox(key="frontier").set_value(frontier)
    next(b for b in app.button if b.label == "Plan the repairs").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    return app


def asked_of_the_command(place, *more):
    done = run("plan", "repairs", "--workspace", place.root, *more, "--json")
    assert done.code == 0, done.err
    parts = {}
    for each in done.json():
        parts.setdefault(each["kind"], []).append(each)
    return parts


def rows(app, key):
    """The rows of a table, each as the texts of its cells."""
    body = plate(app, key).partition("<tbody")[2]
    return [
        [
            " ".join(html.unescape(re.sub(r"<[^>]+>", " ", cell)).split())
            for cell in re.findall(r"<t[dh] .*?</t[dh]>", row, re.S)
        ]
        for row in re.findall(r"<tr .*?</tr>", body, re.S)
    ]


def test_the_screen_shows_the_jobs_of_the_command(show, managed):
    app = show(managed, "year_of_repairs")
    sound(app)
    planned(app, budget=4000.0, **{"electrician-hours": 120.0}, years=2)
    parts = asked_of_the_command(
        managed, "--building", HOME, "--budget", 4000, "--electrician-hours", 120, "--years", 2
    )
    jobs = parts["job"]
    assert {job["year"] for job in jobs} == {1, 2}
    assert {job["must"] for job in jobs} >= {"first", ""}
    for year in (1, 2):
        app.segmented_control(key="repairs-year").set_value(year).run()
        mine = [job for job in jobs if job["year"] == year]
        ((building, *_, cost, hours, _, price),) = rows(app, "buildings")
        assert HOME in building and price == "placeholder of the rule book"
        assert cost == f"{sum(job['cost'] for job in mine):,.2f}"
        assert hours == f"{sum(job['hours'] for job in mine):g}"
        shown = rows(app, "jobs")
        assert len(shown) == len(mine)
        for cells, job in zip(shown, mine, strict=True):
            place, defect, what, cost, price, hours, _, _ = cells
            assert all(each in place for each in job["opening_ids"])
            assert defect == (", ".join(job["conditions"]).replace("_", " ") or "likely, not seen")
            assert job["label"] in what and ("Urgent" in what) == (job["must"] == "first")
            assert cost == f"{job['cost']:,.2f}" and hours == f"{job['hours']:g}"
            assert price == job["price_from"] == "placeholder of the rule book"
    told = html.unescape(plate(app, "answer"))
    assert f"{len(jobs)} jobs in 2 years" in told and parts["total"][0]["prices"] in told
    whole = parts["total"][0]
    share = (whole["harm_total"] - whole["harm_left"]) / whole["harm_total"]
    assert f"{int(100 * share)} % of the expected harm is taken away" in told and "gap" in told
    late = rows(app, "unable")
    assert [(cells[2] != "–", cells[3]) for cells in late] == [
        (bool(each["due_on"]), each["why"]) for each in parts["unable"][:12]
    ]
    worth = [each for each in parts.get("look_first", []) if each["worth_it"]]
    assert worth and len(rows(app, "looks-first")) == min(len(worth), 12)
    assert len(rows(app, "orders")) == 5
    assert "CSV" in [b.label for b in app.get("download_button")]


def test_the_frontier_is_drawn_when_asked_for_and_never_rises(show, managed):
    app = show(managed, "year_of_repairs")
    planned(app, budget=1000.0, years=2)
    assert not app.get("vega_lite_chart") and not app.get("arrow_vega_lite_chart")
    planned(app, budget=1000.0, years=2, frontier=True)
    assert any("how much harm would other budgets" in s.value.lower() for s in app.subheader)
    frontier = asked_of_the_command(
        managed, "--building", HOME, "--budget", 1000, "--years", 2, "--frontier"
    )["frontier"]
    left = [each["harm_left"] for each in frontier]
    assert left == sorted(left, reverse=True) and left[0] > left[-1]
    assert any("1,000 a year leaves" in m.value for m in app.markdown)


def test_without_limits_everything_comes_first_and_an_unknown_building_is_told(show, managed):
    app = show(managed, "year_of_repairs")
    planned(app)
    told = plate(app, "buildings")
    assert "budget: no limit" in told and "limit: no limit" in told
    app.segmented_control(key="repairs-year").set_value(2).run()
    sound(app)
    assert any(m.value == "Nothing is planned in this year." for m in app.markdown)
    planned(app, building="nowhere")
    assert "There is no building nowhere" in plates(app)

"""The screen of a day of looks shows the plan that ``coverplate plan looks`` makes."""

from __future__ import annotations

import datetime as dt
import html
import re

import pytest
from screens_shown import plate, sound

from tests.cli.running import run

pytestmark = pytest.mark.slow

DAY = dt.date(2031, 4, 7)


def planned(app, **values):
    for key, value in values.items():
        app.number_input(key=key).set_value(value)
    next(b for b in app.button if b.label == "Plan the day").click().run()
    sound(app)
    assert not app.error, [e.value for e in app.error]
    return app


def rows(app, crew):
    """The cells of a crew's table, as text."""
    body = plate(app, f"stops-{crew}").partition("<tbody")[2]
    for row in re.findall(r"<tr .*?</tr>", body, re.S):
        yield [
            html.unescape(re.sub(r"<[^>]+>", " ", cell)).split()
            for cell in re.findall(r"<t[dh] .*?</t[dh]>", row, re.S)
        ]


def test_the_screen_shows_the_stops_of_the_command(show, housing):
    app = show(housing, "day_of_looks")
    sound(app)
    assert "Plan the day" in [b.label for b in app.button]
    app.date_input(key="looks-on").set_value(DAY)
    planned(app, crews=2, hours=9.0, lot=20.0)
    done = run("plan", "looks", "--crews", 2, "--hours", 9, "--random-share", 0.2, "--day", DAY,
               "--workspace", housing.root, "--json")  # fmt: skip
    stops = done.json()
    assert {s["crew"] for s in stops} == {"1", "2"}
    assert {s["must_visit"] for s in stops} == {s["random_pick"] for s in stops} == {True, False}
    for crew in ("1", "2"):
        mine = [s for s in stops if s["crew"] == crew]
        shown = list(rows(app, crew))
        assert len(shown) == len(mine)
        for cells, stop in zip(shown, mine, strict=True):
            order, after, place, opening, how, minutes, _, notice, why = cells
            assert order == [str(stop["order"])] and minutes == [f"{stop['minutes']:g}"]
            begins = round(stop["begins_after"])
            assert after == [f"{begins // 60}:{begins % 60:02d}"]
            assert stop["building_id"] in place
            assert (stop["unit_id"] or "named") in place
            named = stop["opening_id"] or f"{stop['how_many']} at random"
            assert opening[: len(named.split())] == named.split()
            assert ("Urgent" in how) == stop["must_visit"]
            assert ("lot" in how) == stop["random_pick"]
            assert notice == ["5", "Apr", "2031"] and why == stop["why"].split()
    told = html.unescape(plate(app, "answer"))
    assert f"{len(stops)} stops for 2 crews on Monday, 7 Apr 2031" in told
    for line in done.err.splitlines():
        assert line in told
    labels = [b.label for b in app.get("download_button")]
    assert {"Sheet to fill in and take in (XLSX)", "Sheet to print (HTML)", "CSV"} <= set(labels)


def test_what_the_hours_do_not_suffice_for_is_said(show, housing):
    app = show(housing, "day_of_looks")
    planned(app, hours=2.0)
    told = plate(app, "answer")
    assert "The hours do not suffice" in told and "days of notice allow" in told
    assert 'data-open="where-next"' in told and "past" in plate(app, "stops-1")
    app.checkbox(key="urgent-apart").check()
    planned(app)
    told = plate(app, "answer")
    assert "What is urgent is left out" in told and 'data-open="where-next"' in told
    assert "Urgent" not in plate(app, "stops-1")


def test_where_next_leads_to_it(show, housing):
    assert 'data-open="day-of-looks"' in plate(show(housing, "where_next"), "today")


def test_what_is_asked_for_is_that_of_the_command(show, housing):
    app = show(housing, "day_of_looks")
    app.date_input(key="looks-on").set_value(DAY)
    app.checkbox(key="open-reports").check()
    planned(app, crews=3, **{"unseen-years": 5.0})
    done = run("plan", "looks", "--crews", 3, "--open-reports", "--unseen-for", 5, "--day", DAY,
               "--workspace", housing.root, "--json")  # fmt: skip
    asked = [s for s in done.json() if s["asked_for"]]
    assert {s["picked"] for s in asked} == {"complaint", "targeted", "random"}
    cells = [each for crew in ("1", "2", "3") for each in rows(app, crew)]
    chips = [" ".join(how) for _, _, _, _, how, *_ in cells]
    assert sum("asked for" in each for each in chips) == len(asked)
    whys = {" ".join(each[-1]) for each in cells}
    assert {" ".join(s["why"].split()) for s in asked} <= whys
    told = html.unescape(plate(app, "answer"))
    assert "visits asked for are not in this plan" in told
    assert all(line in told for line in done.err.splitlines())

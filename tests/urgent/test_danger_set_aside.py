"""Rows set aside that speak of danger are told wherever what is urgent is told."""

from __future__ import annotations

import html
import re
import shutil

import pandas as pd
import pytest
from screens_shown import plate, screen_of, sound

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow

LOOK = {
    "building_id": "H", "unit_id": "1", "observed_on": "2024-05-01", "inspector": "Ada Quenth",
    "method": "three_lamp_tester", "result": "correct",
}  # fmt: skip
DANGERS = [
    {"result": "LIVE CASE!!!"},
    {"result": "shock!", "shock_reported": "yes"},
    {"result": "??", "case_earth_volts": "120", "method": "voltmeter_under_load"},
    {"observed_on": "soon", "note": "tenant got a shock from the kettle"},
    {"observed_on": "soon", "result": "reversed_false_ground"},
    {"result": "open_ground", "heat_or_scorch": "yes, brown"},
    {"result": "open_ground", "plate_earth_volts": "118 or so"},
]
TOLD = (
    f"{len(DANGERS)} rows set aside, whole or in a cell, speak of danger (words, volts or answers) "
    "and are in no list of what is urgent:"
)
SAYS = (
    'row 3: result "LIVE CASE!!!"',
    'row 4: result "shock!"; a shock was reported',
    "row 5: 120 V from metal case to earth",
    'row 6: note "tenant got a shock from the kettle"',
    "row 7: reversed false ground",
)
ADVICE = "Treat what they speak of as urgent until somebody has read them"
NOTHING = "Nothing urgent is open."


def written(path, rows):
    sound = [{"opening_id": "0"}]
    looks = [LOOK | {"opening_id": str(n)} | row for n, row in enumerate(sound + rows)]
    pd.DataFrame(looks).to_csv(path, index=False)
    return path


def taken(folder, rows):
    at = ("--workspace", folder / "w")
    result = run("intake", written(folder / "f.csv", rows), *at)
    assert result.code == 3, result
    for words in (("build",), ("findings", "sync")):
        assert run(*words, *at).code == 0
    return at, result


@pytest.fixture(scope="module")
def dangers(tmp_path_factory):
    return taken(tmp_path_factory.mktemp("dangers"), DANGERS)


def tells(text):
    flat = " ".join(text.replace("</p>", " ").split())
    return TOLD in flat and all(f"f.csv {each}" in flat for each in SAYS) and ADVICE in flat


def test_intake_urgent_and_quarantine_tell_them_and_what_they_say(dangers, tmp_path):
    at, result = dangers
    assert tells(result.err)
    trying = run("intake", written(tmp_path / "f.csv", DANGERS), "--try", "--workspace", tmp_path)
    assert trying.code == 3 and tells(trying.err)
    told = run("urgent", *at)
    assert tells(told.out) and "No look reports" not in told.out
    assert tells(run("urgent", "--json", *at).err)
    assert tells(run("quarantine", "list", *at).out)


def test_the_digest_tells_them_first_and_does_not_say_that_nothing_is_urgent(dangers, tmp_path):
    at, _ = dangers
    text = run("findings", "digest", *at).out
    assert tells(text) and NOTHING not in text
    assert text.index(ADVICE) < text.index(" open, ")
    page = tmp_path / "week.html"
    assert run("findings", "digest", page, *at).code == 0
    assert "speak of danger" in page.read_text("utf-8")
    assert NOTHING not in page.read_text("utf-8")
    rows = run("findings", "digest", "--json", *at).json()
    aside = [row for row in rows if row["section"] == "set_aside"]
    assert [row["row"] for row in aside] == [str(n) for n in range(3, 3 + len(DANGERS))]
    assert NOTHING not in run("findings", "digest", "--building", "H", *at).out
    assert NOTHING in run("findings", "digest", "--building", "J", *at).out


def test_a_firm_is_told_of_buildings_at_which_it_has_something_to_do(dangers, tmp_path):
    (_, place), _ = dangers
    at = ("--workspace", shutil.copytree(place, tmp_path / "w"))
    for building, firm in (("H", "Elder Electric"), ("J", "Juniper Wiring")):
        what = ("--condition", "poor_ground", "--seen-on", "2024-05-01", "--json")
        where = ("--building", building, "--opening", "0")
        (raised,) = run("findings", "raise", *where, *what, *at).json()
        assert run("findings", "assign", raised["finding_id"], "--firm", firm, *at).code == 0
    assert tells(run("findings", "digest", "--firm", "Elder Electric", *at).out)
    other = run("findings", "digest", "--firm", "Juniper Wiring", *at).out
    assert NOTHING in other and not tells(other)


def test_where_next_shows_them(dangers, monkeypatch):
    (_, place), _ = dangers
    app = screen_of(monkeypatch, Workspace(place), "where_next")
    sound(app)
    shown = plate(app, "danger-aside")
    assert 'class="panel urgent"' in shown
    assert tells(html.unescape(re.sub("</?(section|h3|ul|li|p)[^>]*>", " ", shown)))


def test_what_speaks_of_none_is_set_aside_without_it(tmp_path):
    harmless = [
        {"observed_on": "soon"},
        {"result": "??"},
        {"shock_reported": "none", "result": "?"},
    ]
    at, result = taken(tmp_path, harmless)
    for text in (result.err, run("urgent", *at).out, run("findings", "digest", *at).out):
        assert "of danger" not in text
    assert NOTHING in run("findings", "digest", *at).out


def test_they_are_told_no_more_once_they_are_corrected(tmp_path):
    at, _ = taken(tmp_path, [{"result": "shock!", "shock_reported": "yes"}])
    rows = tmp_path / "rows.csv"
    assert run("quarantine", "export", rows, *at).code == 0
    rows.write_text(rows.read_text("utf-8-sig").replace("shock!", "open_ground"), "utf-8")
    assert run("intake", rows, *at).code == 0
    assert run("build", *at).code == 0
    told = run("urgent", *at).out
    assert "of danger" not in told and "a shock was reported" in told


def test_a_file_that_comes_again_with_another_row_changed_is_told_once(tmp_path, monkeypatch):
    at, _ = taken(tmp_path, DANGERS)
    for result in ("open_ground", "open_neutral"):
        again = written(tmp_path / "f.csv", [*DANGERS, {"result": result}])
        came = run("intake", again, *at)
        assert came.code == 3 and tells(came.err)
    assert run("build", *at).code == 0
    assert tells(run("urgent", *at).out) and tells(run("findings", "digest", *at).out)
    app = screen_of(monkeypatch, Workspace(tmp_path / "w"), "where_next")
    sound(app)
    assert f"{len(DANGERS)} rows set aside" in plate(app, "danger-aside")
    # what a row says now is told beside what nobody has read yet
    changed = [{"result": "LIVE PLATE!"}, *DANGERS[1:]]
    assert run("intake", written(tmp_path / "f.csv", changed), *at).code == 3
    told = run("findings", "digest", "--json", *at).json()
    aside = [row for row in told if row["section"] == "set_aside"]
    assert len(aside) == len(DANGERS) + 1
    assert sum("LIVE" in row["says"][0] for row in aside) == 2


def test_a_build_of_nothing_that_counts_says_so_in_words(tmp_path):
    at = ("--workspace", tmp_path / "none")
    odd = tmp_path / "x.csv"
    odd.write_text("building_id,year_built,bogus\nH,1950,open ground\n", "utf-8")
    assert run("intake", odd, *at).code == 2
    built = run("build", *at)
    assert (
        built.code == 2 and "nothing has landed" in built.err and "coverplate intake" in built.err
    )
    at = ("--workspace", tmp_path / "aside")
    rows = pd.DataFrame([LOOK | {"opening_id": "1", "observed_on": "soon"}])
    rows.to_csv(tmp_path / "y.csv", index=False)
    assert run("intake", tmp_path / "y.csv", *at).code == 3
    built = run("build", *at)
    assert built.code == 2 and "no row that counts" in built.err
    assert "coverplate quarantine list" in built.err

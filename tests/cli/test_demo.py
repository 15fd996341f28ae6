"""The demo: from messy exports to a ranked, explained list, for each kind of user."""

import json
import re

import pytest

from data_demo.portfolios import FOLDER, PORTFOLIOS
from pipeline.cli.demo import unexpected_rows
from pipeline.landing import IntakeReport
from shared.vocabulary import CAUTIONS, RecordKind
from tests.cli.running import run

pytestmark = pytest.mark.slow


def ranked(text):
    return [int(rank) for rank in re.findall(r"^ *(\d+)  \d+–\d+ ", text, re.MULTILINE)]


def test_the_default_demo_ends_well(demo):
    outcome, place = demo
    assert outcome.code == 0, outcome.err
    ranks = ranked(outcome.out)
    assert ranks == list(range(1, len(ranks) + 1)) and len(ranks) >= 20
    for caution in CAUTIONS:
        assert caution in outcome.out
    assert "invented" in outcome.out.splitlines()[0]
    assert (place / "warehouse" / "CURRENT").is_file()


@pytest.mark.parametrize("name", ["manager", "insurer"])
def test_the_other_portfolios(request, name):
    outcome, _ = request.getfixturevalue(name)
    assert outcome.code == 0, outcome.err
    portfolio = {"manager": "property_manager"}.get(name, name)
    ranks = ranked(outcome.out)
    assert ranks == list(range(1, len(ranks) + 1))
    assert len(ranks) >= PORTFOLIOS[portfolio][1]
    for caution in CAUTIONS:
        assert caution in outcome.out


@pytest.mark.parametrize("name", ["manager"])
def test_live_metal_stands_above_the_list(request, name):
    outcome, place = request.getfixturevalue(name)
    listed = run("urgent", "--workspace", place, "--json").json()
    assert listed
    head = outcome.out.partition("rank, 90 %")[0]
    for row in listed:
        assert row["building_id"] in head.partition("Urgent, whatever the score")[2]


def test_messages_go_to_stderr(demo):
    outcome, _ = demo
    assert "Workspace:" in outcome.err and "weighing the evidence" in outcome.err
    assert "…" not in outcome.out and "Workspace:" not in outcome.out


def report(path, kind, quarantined):
    return IntakeReport(
        path=path,
        sha256="0" * 64,
        record_kind=kind,
        mapping="default layout",
        mapping_confidence=1.0,
        rows_read=quarantined,
        accepted=0,
        duplicate=0,
        superseded=0,
        quarantined=quarantined,
    )


def test_rows_quarantined_beyond_those_spoiled_on_purpose_are_told():
    kind = RecordKind.BUILDING_REGISTER
    expected = {
        "files": [
            {
                "path": "a.csv",
                "sheet": "",
                "record_kind": kind.value,
                "quarantined": 2,
                "blanked": 0,
            },
            {
                "path": "b.csv",
                "sheet": "",
                "record_kind": kind.value,
                "quarantined": 0,
                "blanked": 0,
            },
        ]
    }
    assert unexpected_rows([report("x/a.csv", kind, 2), report("x/b.csv", kind, 0)], expected) == []
    assert unexpected_rows([report("x/a.csv", kind, 3)], expected) == [
        "a.csv: 3 row(s) quarantined, 2 expected; 0 with cells left blank, 0 expected"
    ]
    assert len(unexpected_rows([report("c.csv", kind, 1)], expected)) == 2


def test_unexpected_rows_make_the_demo_end_with_3(tmp_path, monkeypatch):
    for part in ("exports", "mappings"):
        (tmp_path / "insurer" / part).mkdir(parents=True)
        for file in (FOLDER / "insurer" / part).iterdir():
            (tmp_path / "insurer" / part / file.name).write_bytes(file.read_bytes())
    expected = json.loads((FOLDER / "insurer" / "expected.json").read_text(encoding="utf-8"))
    expected["files"][0]["quarantined"] += 1
    (tmp_path / "insurer" / "expected.json").write_text(json.dumps(expected), encoding="utf-8")
    monkeypatch.setattr("pipeline.cli.demo.FOLDER", tmp_path)
    outcome = run(
        "demo", "--no-dashboard", "--portfolio", "insurer", "--workspace", tmp_path / "w", "--json"
    )
    assert outcome.code == 3
    assert "expected" in outcome.err
    assert len(outcome.json()) >= 20


def scenes(portfolio):
    text = (FOLDER / portfolio / "expected.json").read_text(encoding="utf-8")
    return json.loads(text)["scenes"]


def test_where_lamps_pass_alike_place_decides(demo):
    told = scenes("housing_authority")["place_decides"]
    outcome = run("openings", told["building_id"], "--workspace", demo[1], "--json")
    p = {(row["unit_id"], row["opening_id"]): row for row in outcome.json()}

    def false_ground(flat):
        home = told[flat]
        rows = [p[home["unit_id"], opening] for opening in home["passed_lamps"]]
        assert all(row["methods"] == ["three_lamp_tester"] for row in rows)
        # The invented history may have proven repairs of some since.
        there = [row for row in rows if row["standing"] != "proven"]
        assert len(there) >= 3
        return [sum(v for k, v in row["p"].items() if "false_ground" in k) for row in there]

    jumpered, rewired = false_ground("jumpered"), false_ground("rewired")
    assert min(jumpered) > 0.8
    assert max(rewired) < 0.5
    assert min(jumpered) > 2 * max(rewired)


@pytest.mark.parametrize("name", ["demo", "manager", "insurer"])
def test_what_the_scenes_report_is_urgent_and_what_they_clear_is_not(request, name):
    place = request.getfixturevalue(name)[1]
    portfolio = {"demo": "housing_authority", "manager": "property_manager"}.get(name, name)
    key = ("building_id", "unit_id", "opening_id")
    told = scenes(portfolio)
    urgent = {
        tuple(row[column] or None for column in key): row
        for row in run("urgent", "--workspace", place, "--json").json()
    }
    for each in told["urgent"]:
        row = urgent[tuple(each[column] for column in key)]
        assert each["says"] in [ground["says"] for ground in row["grounds"]]
    cleared = {
        tuple(row[column] or None for column in key): row
        for row in run("urgent", "--cleared", "--workspace", place, "--json").json()
    }
    for each in told["cleared"]:
        row = cleared[tuple(each[column] for column in key)]
        assert row["clearing_method"] == each["cleared_by_method"]
        assert row["cleared_on"] == each["cleared_on"]
    assert not cleared.keys() & urgent.keys()


@pytest.mark.parametrize("name", ["demo", "insurer"])
def test_a_jumper_in_the_box_before_and_a_poor_ground_are_believed(request, name):
    place = request.getfixturevalue(name)[1]
    told = scenes({"demo": "housing_authority"}.get(name, name))
    believed = 0
    for (each,) in (told["upstream"], told["poor_ground"]):
        rows = run("openings", each["building_id"], "--workspace", place, "--json").json()
        (row,) = (
            row
            for row in rows
            if (row["unit_id"] or None, row["opening_id"]) == (each["unit_id"], each["opening_id"])
        )
        # The invented history may have proven a repair since.
        if row["standing"] != "proven":
            assert max(row["p"], key=row["p"].get) == each["condition"]
            believed += 1
    assert believed

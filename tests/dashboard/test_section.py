"""A section through a building: what is known of each opening, where it lies, and its drawing."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from screens_shown import plate, plates, sound
from test_hostile_text import Tags

from pipeline.landing import Workspace, intake
from pipeline.pages.section_drawing import section_drawing
from pipeline.screens.opening_known import KNOWN_WORDS, Known
from pipeline.screens.section import section, storeys_told
from pipeline.warehouse import queries, store
from tests.cli.running import run
from tests.once import once

MEAN = "</svg><img src=x onerror=alert(1)>"
SOUND = {
    "inspector": "S. Ambrel", "method": "cover_off_inspection", "result": "correct",
    "cover_removed": "yes", "ground_present": "yes", "neutral_ground_jumper": "no",
    "polarity": "correct", "ground_path_ohms": 0.2,
}  # fmt: skip
FALSE = {
    "method": "cover_off_inspection", "result": "false_ground", "cover_removed": "yes",
    "ground_present": "no", "neutral_ground_jumper": "yes", "polarity": "correct",
}  # fmt: skip
LIVE = {**FALSE, "result": "reversed_false_ground", "polarity": "reversed"}
LAMPS = {"method": "three_lamp_tester", "result": "correct"}
OPEN = {"method": "three_lamp_tester", "result": "open_ground"}
NOT = {"method": "three_lamp_tester", "result": "not_tested"}


def _look(building: str, unit: str, opening: str, on: str = "2024-05-01", **cells: object):
    return {
        "building_id": building, "unit_id": unit, "opening_id": opening, "observed_on": on,
        "inspector": "Ada", "slots": "three_slot", "room": "kitchen", **cells,
    }  # fmt: skip


OPENINGS = {
    ("3B", "K1"): (LIVE, Known.URGENT),
    ("3B", "K2"): (FALSE, Known.MEASURED),
    ("3B", "K10"): (OPEN, Known.REPORTED),
    ("2A", "R1"): (SOUND, Known.CAPABLE),
    ("2A", "R2"): (LAMPS, Known.BLIND),
    ("1A", "R1"): (NOT, Known.NEVER),
    ("1A", "F1"): (FALSE, Known.PROVEN),
    ("COM", "U1"): (LAMPS, Known.BLIND),
}


def _made(root) -> Workspace:
    place, folder = Workspace(root / "workspace"), root / "in"
    folder.mkdir()
    register = [
        {"building_id": "S", "name": "Sorrel Court", "storeys": 4, "dwelling_units": 6,
         "receptacle_count": 48, "year_built": 1938},
        {"building_id": "N", "name": "No storeys", "dwelling_units": 2, "receptacle_count": 8},
        {"building_id": "L", "name": "Long", "storeys": 10, "dwelling_units": 210,
         "receptacle_count": 2100},
        {"building_id": "H", "name": MEAN, "storeys": 2, "dwelling_units": 2},
        {"building_id": "E", "name": "Empty", "storeys": 2, "dwelling_units": 2},
    ]  # fmt: skip
    looks = [_look("S", *where, circuit_id="C1", **said) for where, (said, _) in OPENINGS.items()]
    looks += [_look("N", "3B", "1", **LAMPS), _look("N", "1A", "1", circuit_id="C2", **LAMPS)]
    looks += [_look("H", MEAN, MEAN, circuit_id=MEAN, **{**LAMPS, "room": MEAN})]
    looks += [
        _look("L", f"{storey}{door:02}", "1", **(LIVE if (storey, door) == (7, 3) else LAMPS))
        for storey in range(1, 11)
        for door in range(1, 22)
    ]
    papers = [
        {"building_id": "S", "unit_id": "2B", "report_kind": "complaint", "reference": "C-7",
         "reported_on": "2024-06-01", "status": "open", "description": "got a shock from outlet"},
    ]  # fmt: skip
    files = {"register": register, "looks": looks, "complaints": papers}
    for name, rows in files.items():
        pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False)
        (report,) = intake(place, [folder / f"{name}.csv"])
        assert report.quarantined == 0, report
    at = ("--workspace", place.root)
    run("build", *at)
    run("findings", "sync", *at)
    (finding,) = [
        row
        for row in run("findings", "list", "--all", *at, "--json").json()
        if (row["building_id"], row["opening_id"]) == ("S", "F1")
    ]
    told = run(
        "fix", "report", finding["finding_id"], "--remedy", "circuit_rewired", "--firm",
        "Pellworth", "--worker", "D. Orme", "--on", "2024-06-01", *at,
    )  # fmt: skip
    assert told.code == 0, told.err
    proof = pd.DataFrame([_look("S", "1A", "F1", "2024-07-10", circuit_id="C1", **SOUND)])
    proof.to_csv(folder / "proof.csv", index=False)
    intake(place, [folder / "proof.csv"])
    for command in (("build",), ("findings", "sync"), ("build",)):
        run(*command, *at)
    return place


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Workspace:
    return Workspace(once(tmp_path_factory, "sections", lambda at: _made(at).root))


def _cut(place: Workspace, building_id: str):
    with store.reading(place) as con:
        return section(con, building_id)


@pytest.mark.parametrize(
    ("units", "registered", "storeys", "why"),
    [
        (["1A", "3B", "COM", ""], 3, {"1A": 1, "3B": 3}, ""),
        (["101", "1204"], 12, {"101": 1, "1204": 12}, ""),
        (["1A", "4B"], 3, {}, "unit 4B would lie above the 3 that the register counts"),
        (["1A", "301"], 3, {}, "names of units do not tell them"),
        (["1", "2", "12"], 3, {}, "names of units do not tell them"),
        (["98", "99", "100", "101"], 3, {}, "names of units do not tell them"),
        (["100", "101"], 3, {}, "names of units do not tell them"),
        (["0A", "1A"], 3, {}, "names of units do not tell them"),
        (["A3", "A4"], 4, {}, "names of units do not tell them"),
        (["1A", "3B"], None, {}, "no register says how many storeys there are"),
        (["COM"], 3, {}, "no unit is named by a number"),
    ],
)
def test_a_storey_is_told_only_where_all_names_say_it(units, registered, storeys, why):
    assert storeys_told(units, registered) == (storeys, why)


@pytest.mark.slow
def test_what_is_known_of_each_opening_comes_from_the_files(place):
    cut = _cut(place, "S")
    known = {(each.unit_id, each.opening_id): each.known for each in cut.openings}
    assert known == {where: what for where, (_, what) in OPENINGS.items()}
    assert sum(cut.counts.values()) == len(OPENINGS)
    told = {(each.unit_id, each.opening_id): each.told for each in cut.openings}
    assert "reversed false ground" in told["3B", "K1"]
    assert "defect measured: false ground" in told["3B", "K2"]
    assert "repair proven 10 Jul 2024" in told["1A", "F1"]
    assert "defect reported: open ground" in told["3B", "K10"]
    assert "three lamp tester only: inferred" in told["2A", "R2"]
    assert "never looked at: inferred; dangerous with" in told["1A", "R1"]
    assert "40 openings that nobody recorded" in cut.unseen_told


@pytest.mark.slow
def test_units_lie_on_storeys_and_nothing_is_placed_that_nobody_recorded(place):
    cut = _cut(place, "S")
    assert [(s.label, [d.unit_id for d in s.dwellings]) for s in cut.storeys] == [
        ("Storey 4", []), ("Storey 3", ["3B"]), ("Storey 2", ["2A", "2B"]), ("Storey 1", ["1A"]),
        ("On no storey by name", ["COM"]),
    ]  # fmt: skip
    (paper,) = [d.papers for s in cut.storeys for d in s.dwellings if d.unit_id == "2B"]
    assert paper and "shock" in paper[0]
    (circuit,) = cut.storeys[1].dwellings[0].circuits
    assert [each.opening_id for each in circuit.openings] == ["K1", "K2", "K10"]
    other = _cut(place, "N")
    assert not other.storeys_known and "Storeys not known" in " ".join(other.told)
    assert [d.unit_id for s in other.storeys for d in s.dwellings] == ["1A", "3B"]
    drawing = section_drawing(other, lambda _: "#o-1")
    assert "Storeys not known: no register says" in drawing and ">Storey 1<" not in drawing
    assert drawing.count('class="wire"') == 1 + 1, "the one known circuit, and the legend"


@pytest.mark.slow
def test_next_looks_are_those_that_the_building_is_told_to_have(place):
    for building_id in ("S", "N", "L"):
        cut = _cut(place, building_id)
        with store.reading(place) as con:
            next_look = queries.building(con, building_id)["next_look"].iloc[0]
        first = [each for each in cut.openings if each.next_place == 1]
        if "nobody has recorded" in next_look:
            assert cut.unseen_next and not first
        elif first:
            (only,) = first
            assert f"unit {only.unit_id}, kitchen, opening {only.opening_id}" in next_look
    assert _cut(place, "S").unseen_next


@pytest.mark.slow
def test_more_than_two_hundred_dwellings_are_counted_by_storey_and_what_is_urgent_is_drawn(place):
    cut = _cut(place, "L")
    assert not cut.drawn and len(cut.storeys) == 10
    drawing = section_drawing(cut, lambda each: f"#o-{each.number}")
    assert "counted, and only those urgent" in drawing
    assert drawing.count("21 units") == 10
    urgent = [each for each in cut.openings if each.known is Known.URGENT]
    assert [each.unit_id for each in urgent] == ["703"]
    assert f'href="#o-{urgent[0].number}"' in drawing
    assert len(re.findall('class="sign"', drawing)) < 10
    seventh = next(each for each in drawing.split('class="storey"') if "Storey 7" in each)
    assert re.search(r"</svg> 20</span>", seventh), "the others of its storey are a number"
    assert ">703</h5>" in seventh


@pytest.mark.slow
@pytest.mark.parametrize("building_id", ["H", "S", "L", "E"])
def test_texts_out_of_data_stay_text(place, building_id):
    parser = Tags()
    drawing = section_drawing(_cut(place, building_id), lambda each: f"#o-{each.number}")
    parser.feed(drawing)
    assert "<img" not in drawing
    if building_id == "H":
        assert "&lt;img src=x" in drawing


@pytest.mark.slow
def test_the_command_line_writes_the_drawing_as_a_page(place, tmp_path):
    path = tmp_path / "S.html"
    done = run("building", "S", "--section", path, "--workspace", place.root)
    assert done.code == 0, done.err
    page = path.read_text(encoding="utf-8")
    for words in KNOWN_WORDS.values():
        assert words in page
    for leads in re.findall(r'class="sign" href="#(o-\d+)"', page):
        assert f'id="{leads}"' in page
    assert "<script" not in page and "http" not in page and "Only a qualified person" in page
    refused = run("building", "S", "--section", tmp_path / "S.svg", "--workspace", place.root)
    assert refused.code != 0 and "does not end in .html" in refused.err


@pytest.mark.slow
def test_the_screen_shows_the_section_and_a_sign_leads_to_reasons_and_circuit(place, show):
    app = show(place, "building", id="S")
    sound(app)
    drawing = plate(app, "section")
    leads = re.findall(r'data-open="(building[^"]*)"', drawing)
    assert len(leads) == len(OPENINGS)
    assert any("within=3B&amp;opening=K1" in each for each in leads)
    assert "-opening" not in [e.proto.id[-8:] for e in app.get("bidi_component")]
    app = show(place, "building", id="S", within="3B", opening="K2")
    sound(app)
    panel = plate(app, "opening")
    assert "defect measured: false ground" in panel and 'class="circuit"' in panel
    assert "what was seen on its circuit" in panel
    app = show(place, "building", id="S", opening="nowhere")
    sound(app)
    assert any("No opening nowhere" in each.value for each in app.caption)


@pytest.mark.slow
def test_a_long_list_waits_to_be_opened(place, show):
    app = show(place, "building", id="L")
    sound(app)
    (listed,) = [each for each in app.expander if "210 recorded openings" in each.label]
    assert not listed.proto.expanded
    app = show(place, "building", id="L", kind="found")
    (listed,) = [each for each in app.expander if "210 recorded openings" in each.label]
    assert listed.proto.expanded
    app = show(place, "building", id="S")
    assert [each.proto.expanded for each in app.expander] == [True]
    assert "K10" in plates(app)

"""A jumper in one look and a swap or an open neutral in another; and danger that only a note tells.

From files through intake and build to the list, as somebody would send them.
"""

from __future__ import annotations

import pytest
from urgent_rows import BOX_SEEN, COVER, LAMPS, LIVE, look, take_in

from pipeline.landing import Workspace
from tests.cli.running import run

VOLTMETER = "voltmeter_under_load"
JUMPER = {
    "method": COVER,
    "result": "false_ground",
    "cover_removed": "yes",
    "neutral_ground_jumper": "yes",
    "inspector": "Ada",
}
SWAP = {"method": VOLTMETER, "result": "hot_neutral_reversed", "inspector": "S. Ambrel"}
OPEN_NEUTRAL = SWAP | {"result": "open_neutral"}
NO_JUMPER = BOX_SEEN | {"inspector": "R. Quill"}

STAND = {
    "the two alone": [(0, JUMPER), (60, SWAP)],
    "the other way round": [(0, SWAP), (60, JUMPER)],
    "the jumper seen again between": [
        (0, JUMPER),
        (30, JUMPER | {"polarity": "correct"}),
        (60, SWAP),
    ],
    "a ground contact at 0.5 V between, as with any jumper": [
        (0, JUMPER),
        (30, {"ground_contact_earth_volts": 0.5, "hot_neutral_volts": 120}),
        (60, SWAP),
    ],
    "polarity correct at first, reversed later": [
        (0, JUMPER | {"polarity": "correct"}),
        (60, SWAP),
    ],
    "no jumper by somebody who opened nothing": [
        (0, JUMPER),
        (60, SWAP | {"neutral_ground_jumper": "no", "cover_removed": "no"}),
    ],
    "the neutral open": [(0, JUMPER), (60, OPEN_NEUTRAL)],
    "the swap by lamps, the jumper later": [(0, SWAP | {"method": LAMPS}), (60, JUMPER)],
    "the swap by lamps, the jumper on that day": [(0, JUMPER), (0, SWAP | {"method": LAMPS})],
    "the neutral open by lamps, the jumper later": [
        (0, OPEN_NEUTRAL | {"method": LAMPS}),
        (60, JUMPER),
    ],
    "the neutral open and polarity reversed": [
        (0, JUMPER),
        (60, OPEN_NEUTRAL | {"polarity": "reversed"}),
    ],
}
DO_NOT = {
    "a box without jumper between": [(0, JUMPER), (30, NO_JUMPER), (60, SWAP)],
    "polarity seen to be correct between": [
        (0, SWAP),
        (30, NO_JUMPER),
        (60, JUMPER | {"polarity": "correct"}),
    ],
    "no jumper by the look that saw the swap, box open": [
        (0, JUMPER),
        (60, SWAP | {"method": COVER, "neutral_ground_jumper": "no", "cover_removed": "yes"}),
    ],
    "the swap by lamps after the jumper, which they would not show": [
        (0, JUMPER),
        (60, SWAP | {"method": LAMPS}),
    ],
    "the swap by lamps, polarity correct beside the jumper": [
        (0, SWAP | {"method": LAMPS}),
        (60, JUMPER | {"polarity": "correct"}),
    ],
    "supply voltage between open neutral and jumper": [
        (0, OPEN_NEUTRAL),
        (30, {"method": VOLTMETER, "hot_neutral_volts": 119}),
        (60, JUMPER),
    ],
}


@pytest.fixture(scope="module")
def listed(tmp_path_factory):
    """Openings that are urgent, and that were, of one opening for each case above."""
    folder = tmp_path_factory.mktemp("halves")
    place = Workspace(folder / "w")
    rows = [
        look(days, case, slots="three_slot", **cells)
        for case, looks in (STAND | DO_NOT).items()
        for days, cells in looks
    ]
    take_in(place, folder, "a.csv", rows)
    assert run("build", "--workspace", place.root).code == 0
    at = ["--workspace", place.root, "--json"]
    return tuple(
        {row["opening_id"]: row for row in run("urgent", *more, *at).json()}
        for more in ((), ("--cleared",))
    )


@pytest.mark.parametrize("case", STAND)
def test_halves_that_stand_are_urgent(listed, case):
    urgent, cleared = listed
    assert case in urgent
    assert case not in cleared


@pytest.mark.parametrize("case", DO_NOT)
def test_halves_of_which_one_was_gone_before_the_other_came_are_not(listed, case):
    assert case not in listed[0]


def test_what_took_the_earlier_half_away_has_a_line(listed):
    assert "no jumper" in listed[1]["a box without jumper between"]["cleared_how"]


UNABLE = [
    SWAP | {"result": "not_tested", "day": 60},
    SWAP | {"result": "no_power", "day": 60},
    JUMPER
    | {"result": "not_accessible", "neutral_ground_jumper": "", "cover_removed": "", "day": 0},
    {"method": COVER, "result": "correct", "inspector": "Ada", "day": 0},
]
ABLE = [JUMPER | BOX_SEEN | {"day": 0}, SWAP | BOX_SEEN | {"method": VOLTMETER, "day": 60}]


INSTEAD = {
    f"R{n}": (cells, stands)
    for n, (cells, stands) in enumerate([*((u, True) for u in UNABLE), *((a, False) for a in ABLE)])
}
"""Buildings: what a later export says in place of the row of that day, and whether both stand."""


NOTES = {
    "Tenant got a shock from the toaster here": "shock_reported",
    "metal case is live, 110 V to water pipe": "live_metal",
    "scorch marks on the outlet": "heat_or_scorch",
}


RESULTS = ["correct", "open_ground", "not_tested"]


CALM, LIVE_BOX = {"slots": "three_slot", **BOX_SEEN}, {"slots": "three_slot", **LIVE}


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Buildings that are urgent, and that were, after a second export."""
    pairs = [
        look(days, building=name, slots="three_slot", **half)
        for name in INSTEAD
        for days, half in ((0, JUMPER), (60, SWAP))
    ]
    later = [
        look(cells["day"], building=name, slots="three_slot",
             **{key: value for key, value in cells.items() if key != "day"})
        for name, (cells, _) in INSTEAD.items()
    ]  # fmt: skip
    # a copy of a row that stood beside the danger, and one that did not
    both = [look(building="beside", **CALM), look(building="beside", **LIVE_BOX)]
    alone = [look(building="alone", **LIVE_BOX)]
    calm = [look(building=name, **CALM) for name in ("beside", "alone")]
    # danger in a note, with a quiet note beside
    quiet = "no voltage on the case, nobody got a shock"
    noted = []
    for note, defect in NOTES.items():
        for result in RESULTS:
            building = f"{defect} {result}"
            noted += [look(building=building, result=result, note=note),
                      look(building=building, opening="2", note=quiet)]  # fmt: skip
    exports = (pairs, both + alone, noted, later, calm)
    return buildings_of(tmp_path_factory.mktemp("told"), *exports)


def buildings_of(folder, *exports):
    """Take exports in and build: buildings on the urgent list, and on that of what was."""
    place = Workspace(folder / "w")
    for number, rows in enumerate(exports):
        take_in(place, folder, f"{number}.csv", rows)
    assert run("build", "--workspace", place.root).code == 0
    told = []
    for more in ((), ("--cleared",)):
        rows = run("urgent", *more, "--workspace", place.root, "--json").json()
        told.append({row["building_id"]: row for row in rows})
        openings = {(row["building_id"], row["opening_id"]) for row in rows}
        assert len(told[-1]) == len(openings)  # one opening a building: none hides another
    return told


@pytest.mark.parametrize("name", INSTEAD)
def test_half_that_a_later_export_replaces_stands_unless_that_row_can_tell(told, name):
    urgent, cleared = told
    stands = INSTEAD[name][1]
    assert (name in urgent) == stands
    assert (name in cleared) != stands


@pytest.mark.parametrize("result", RESULTS)
@pytest.mark.parametrize("note", NOTES)
def test_danger_in_a_note_is_urgent_whatever_the_result(told, note, result):
    row = told[0][f"{NOTES[note]} {result}"]
    assert (row["opening_id"], row["defect"]) == ("1", NOTES[note])
    assert note in row["grounds"][0]["says"]


def test_a_copy_of_a_row_that_stood_beside_the_danger_takes_nothing_back(told):
    urgent, cleared = told
    assert "beside" in urgent and "alone" not in urgent
    assert "beside" not in cleared and "alone" in cleared


@pytest.mark.slow
def test_lists_say_that_more_landed_since_the_build(tmp_path):
    place = Workspace(tmp_path / "w")
    take_in(place, tmp_path, "one.csv", [look()])
    assert run("build", "--workspace", place.root).code == 0
    take_in(place, tmp_path, "two.csv", [look(3, **LIVE)])
    for words in (("urgent",), ("openings", "H"), ("building", "H")):
        assert "run `coverplate build`" in run(*words, "--workspace", place.root).err

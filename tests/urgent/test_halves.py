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
    "the swap by lamps": [(0, JUMPER), (60, SWAP | {"method": LAMPS})],
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


@pytest.mark.parametrize(
    ("instead", "stands"), [*((u, True) for u in UNABLE), *((a, False) for a in ABLE)]
)
def test_half_that_a_later_export_replaces_stands_unless_that_row_can_tell(
    tmp_path, instead, stands
):
    place = Workspace(tmp_path / "w")
    at = ["--workspace", place.root, "--json"]
    pair = [look(0, slots="three_slot", **JUMPER), look(60, slots="three_slot", **SWAP)]
    take_in(place, tmp_path, "one.csv", pair)
    cells = {name: value for name, value in instead.items() if name != "day"}
    take_in(place, tmp_path, "two.csv", [look(instead["day"], slots="three_slot", **cells)])
    assert run("build", "--workspace", place.root).code == 0
    assert bool(run("urgent", *at).json()) == stands
    assert bool(run("urgent", "--cleared", *at).json()) != stands


NOTES = {
    "Tenant got a shock from the toaster here": "shock_reported",
    "metal case is live, 110 V to water pipe": "live_metal",
    "scorch marks on the outlet": "heat_or_scorch",
}


@pytest.mark.parametrize("result", ["correct", "open_ground", "not_tested"])
@pytest.mark.parametrize("note", NOTES)
def test_danger_in_a_note_is_urgent_whatever_the_result(tmp_path, note, result):
    place = Workspace(tmp_path / "w")
    quiet = look(opening="2", note="no voltage on the case, nobody got a shock")
    take_in(place, tmp_path, "a.csv", [look(result=result, note=note), quiet])
    assert run("build", "--workspace", place.root).code == 0
    (row,) = run("urgent", "--workspace", place.root, "--json").json()
    assert (row["opening_id"], row["defect"]) == ("1", NOTES[note])
    assert note in row["grounds"][0]["says"]


@pytest.mark.parametrize("beside", [True, False])
def test_a_copy_of_a_row_that_stood_beside_the_danger_takes_nothing_back(tmp_path, beside):
    place = Workspace(tmp_path / "w")
    at = ["--workspace", place.root, "--json"]
    calm, live = look(slots="three_slot", **BOX_SEEN), look(slots="three_slot", **LIVE)
    take_in(place, tmp_path, "one.csv", [calm, live] if beside else [live])
    take_in(place, tmp_path, "two.csv", [calm])
    assert run("build", "--workspace", place.root).code == 0
    assert bool(run("urgent", *at).json()) == beside
    assert bool(run("urgent", "--cleared", *at).json()) != beside


def test_lists_say_that_more_landed_since_the_build(tmp_path):
    place = Workspace(tmp_path / "w")
    take_in(place, tmp_path, "one.csv", [look()])
    assert run("build", "--workspace", place.root).code == 0
    take_in(place, tmp_path, "two.csv", [look(3, **LIVE)])
    for words in (("urgent",), ("openings", "H"), ("building", "H")):
        assert "run `coverplate build`" in run(*words, "--workspace", place.root).err

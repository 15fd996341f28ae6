"""Danger that is written or measured plainly stays, whatever a careless later row says."""

from __future__ import annotations

import pytest
from urgent_rows import BOX_SEEN, COVER, LAMPS, LIVE, look, take_in, urgent_among

from pipeline.landing import Workspace
from tests.cli.running import run

VOLTMETER = "voltmeter_under_load"
SOUND = BOX_SEEN | {"ground_present": "yes", "hot_neutral_volts": 120.0}
LIFTED = SOUND | {"method": "neutral_lifted_test"}
UPSTREAM = {"method": "upstream_box_seen", "result": "false_ground_upstream"}
SWAPPED = {"method": VOLTMETER, "result": "hot_neutral_reversed", "inspector": "S. Ambrel"}

STANDS = {
    "118 V from neutral to ground contact, called correct": [
        LIVE,
        SOUND | {"neutral_ground_volts": 118.0, "load_amps": 0.0},
    ],
    "ground contact at 3 V beside 117 V from neutral to ground": [
        LIVE,
        SOUND
        | {"ground_contact_earth_volts": 3.0, "neutral_ground_volts": 117.0, "load_amps": 5.0},
    ],
    "correct without a ground": [LIVE, SOUND | {"ground_present": "no"}],
    "a shock, then a poor ground traced": [
        {"shock_reported": "yes"},
        LIFTED | {"result": "poor_ground", "ground_path_ohms": 900.0},
    ],
    "a jumper further up and a swap, in two rows": [UPSTREAM, SWAPPED],
    "the same, then the box here seen": [UPSTREAM, SWAPPED, SOUND],
}
CLEARED = {
    "a sound look": [LIVE, SOUND],
    "half a volt from neutral to ground": [LIVE, SOUND | {"neutral_ground_volts": 0.5}],
    "a shock, then the ground traced": [{"shock_reported": "yes"}, LIFTED],
    "a jumper further up and a swap, then traced": [UPSTREAM, SWAPPED, LIFTED],
}


def test_a_row_that_contradicts_itself_clears_nothing():
    cases = {
        case: [look(30 * n, **row) for n, row in enumerate(rows)]
        for case, rows in (STANDS | CLEARED).items()
    }
    assert urgent_among(cases) == set(STANDS)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    place = Workspace(folder / "w")
    (folder / "register.csv").write_text(
        "building_id,year_built,dwelling_units,receptacle_count\nH,1950,2,40\n"
    )
    assert run("intake", folder / "register.csv", "--workspace", place.root).code == 0
    rows = [
        look(opening="note", slots="three_slot", note="118.4 V case to earth"),
        look(opening="range", slots="other", plate_earth_volts=119.0, **LIVE),
        look(
            opening="locking", method=COVER, slots="other", result="false_ground",
            cover_removed="yes", neutral_ground_jumper="yes", polarity="correct",
        ),
        *(
            look(opening=f"volts{volts}", method=VOLTMETER, slots="three_slot",
                 result="reversed_false_ground", ground_contact_earth_volts=volts)
            for volts in (None, 45.0, 75.0, 109.0, 118.0)
        ),
        look(opening="shock", slots="three_slot", shock_reported="yes"),
        *(look(opening=f"two{n}", method="visual", slots="two_slot") for n in range(3)),
        *(look(opening=f"lamp{n}", slots="three_slot") for n in range(3)),
    ]  # fmt: skip
    take_in(place, folder, "looks.csv", rows)
    (folder / "papers.csv").write_text(
        "building_id,unit_id,report_kind,reference,reported_on,status,description\n"
        "H,9,complaint,C-1,2024-01-01,open,touching fridge gives 118V to sink\n"
    )
    assert run("intake", folder / "papers.csv", "--workspace", place.root).code == 0
    dead = look(
        opening="K", slots="three_slot", **(SOUND | {"hot_neutral_volts": 0.0, "unit_id": "9"})
    )
    take_in(place, folder, "dead.csv", [dead])
    assert run("build", "--workspace", place.root).code == 0
    return place


@pytest.mark.slow
def test_from_file_to_list(place):
    urgent = run("urgent", "--workspace", place.root, "--json").json()
    volts = {f"volts{each}" for each in (None, 45.0, 75.0, 109.0, 118.0)}
    assert {row["opening_id"] for row in urgent} == {"note", "range", "shock", *volts}
    # A look at a dead circuit answers no complaint.
    papers = run("reports", "--workspace", place.root, "--json").json()
    assert [(row["subject"], row["opened"]) for row in papers] == [("live_metal", 0)]
    assert "touching fridge gives 118V" in run("urgent", "--workspace", place.root).out


@pytest.mark.slow
def test_a_face_that_is_neither_two_nor_three_slots_has_a_ground_contact(place):
    rows = run("openings", "H", "--workspace", place.root, "--json").json()
    danger = {row["opening_id"]: row["p_dangerous"] for row in rows}
    assert min(danger["range"], danger["locking"]) > 0.9


@pytest.mark.slow
def test_nothing_is_plugged_into_two_slots(place):
    rows = run("openings", "H", "--workspace", place.root, "--json").json()
    named = {row["opening_id"]: (row["next_look"] or {}).get("method") for row in rows}
    plugged = {LAMPS, VOLTMETER, "ground_impedance_meter"}
    assert not plugged & {named[f"two{n}"] for n in range(3)}
    assert {named[f"lamp{n}"] for n in range(3)} <= {
        *plugged,
        COVER,
        "upstream_box_seen",
        "neutral_lifted_test",
        "ground_wire_clamp",
    }


@pytest.mark.slow
def test_volts_on_a_contact_never_speak_against_the_live_metal_that_they_measure(place):
    rows = run("openings", "H", "--workspace", place.root, "--json").json()
    by_name = {row["opening_id"]: row for row in rows}
    live = {name: row["p"]["reversed_false_ground"] for name, row in by_name.items()}
    without = live["voltsNone"]
    assert min(live[f"volts{each}"] for each in (75.0, 109.0, 118.0)) > without
    assert live["volts109.0"] > 0.8 * live["volts118.0"]
    assert live["volts45.0"] > 0.8 * without


@pytest.mark.slow
def test_a_shock_is_no_confirmed_defect_and_a_pass_no_report(place):
    assert run("findings", "sync", "--workspace", place.root).code == 0
    found = run("findings", "list", "--workspace", place.root, "--json").json()
    shock = [row for row in found if row["opening_id"] == "shock"]
    assert {row["state"] for row in shock} == {"suspected_defect"}
    passed = [row for row in found if str(row["opening_id"]).startswith("lamp")]
    assert passed and {(row["standing"], row["urgent"]) for row in passed} == {("inferred", False)}

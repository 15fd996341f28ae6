"""What proves a repair, from the export to the list, the ledger and the screen."""

from __future__ import annotations

import html

import pytest
from screens_shown import plate, screen_of, sound
from stages import Stages
from urgent_rows import COVER, LIVE, PROOF, export, look

pytestmark = pytest.mark.slow


FIXED_ON, LOOKED = "2024-06-01", 40
GFCI = {
    **PROOF, "result": "open_ground", "ground_present": "no", "ground_path_ohms": None,
    "gfci_protected": "yes", "marking": "no_equipment_ground", "gfci_button_tripped": "yes",
}  # fmt: skip
LAMPS_GFCI = {
    "inspector": "S. Ambrel", "method": "three_lamp_tester", "result": "open_ground",
    "gfci_protected": "yes", "marking": "no_equipment_ground",
}  # fmt: skip


UNPROVEN, PROVEN, DISPROVED = "fix_reported_unproven", "repair_proven", "fix_disproved"
REWIRED = {"remedy": "circuit_rewired"}
GFCI_TYPE = {"remedy": "gfci_type_marked", "marking": "no_equipment_ground"}

LANDED = [
    (REWIRED, PROOF, PROVEN, 0),
    # An open box that answers jumper and polarity takes the live metal off the urgent list,
    # whatever it leaves open of the repair.
    (REWIRED, {**PROOF, "ground_path_ohms": None}, UNPROVEN, 0),
    (REWIRED, {**PROOF, "ground_path_ohms": 60}, DISPROVED, 0),
    (REWIRED, {**PROOF, "inspector": "Orme"}, UNPROVEN, 0),
    (REWIRED, {**PROOF, "polarity": None}, UNPROVEN, 1),
    (REWIRED, {"inspector": "S. Ambrel", "method": COVER, "result": "correct"}, UNPROVEN, 1),
    (REWIRED, {"inspector": "S. Ambrel", "method": "voltmeter_under_load",
               "result": "correct"}, UNPROVEN, 1),
    (REWIRED, {"inspector": "S. Ambrel"}, UNPROVEN, 1),
    (GFCI_TYPE, GFCI, PROVEN, 0),
    (GFCI_TYPE, LAMPS_GFCI, UNPROVEN, 1),
    (GFCI_TYPE, {**GFCI, "gfci_button_tripped": None}, UNPROVEN, 0),
    (GFCI_TYPE, {**GFCI, "gfci_button_tripped": "no"}, DISPROVED, 0),
    (GFCI_TYPE, {**GFCI, "polarity": "reversed"}, DISPROVED, 1),
]  # fmt: skip
"""A repair, the look after it, the state of the finding then, and how many are urgent."""

NAMELESS = [
    ("Pellworth", {}, UNPROVEN),
    ("Pellworth", {"firm_of_inspector": "Pellworth Ltd"}, UNPROVEN),
    ("various", {"firm_of_inspector": "Quillmarsh"}, UNPROVEN),
    ("Pellworth", {"firm_of_inspector": "Quillmarsh", "inspector": "unknown"}, UNPROVEN),
    ("Pellworth", {"firm_of_inspector": "Quillmarsh"}, PROVEN),
]
"""The firm of a report that names no worker, who looked, and the state of the finding then."""

OF_LANDED = {f"L{n}": told for n, told in enumerate(LANDED)}
OF_NAMELESS = {f"N{n}": told for n, told in enumerate(NAMELESS)}
AGAIN, LATER, ASKED, NO_WORKER = "again", "later", "asked", "no worker"


@pytest.fixture(scope="module")
def stories(tmp_path_factory) -> Stages:
    """Reversed false grounds in boxes seen open, their repairs, and the looks after them."""
    told = Stages(tmp_path_factory.mktemp("proof"))
    names = [*OF_LANDED, *OF_NAMELESS, AGAIN, LATER, ASKED, NO_WORKER]
    told.land("found.csv", [look(building=name, slots="three_slot", **LIVE) for name in names])
    told.up("build", "sync")
    told.keep("found")
    # repairs reported, without the worker's name as well
    named = {name: fix for name, (fix, *_) in OF_LANDED.items()} | {LATER: REWIRED}
    fixes = [
        {"finding_id": _id(told, name), "fixed_on": FIXED_ON, "firm": "Pellworth",
         "worker": "D. Orme", **fix}
        for name, fix in named.items()
    ]  # fmt: skip
    assert told("intake", export(told.folder, "fixes.csv", fixes)).code == 0
    nameless = [
        {"finding_id": _id(told, name), "fixed_on": FIXED_ON, "firm": firm, **REWIRED}
        for name, (firm, *_) in OF_NAMELESS.items()
    ]
    told.taken = told("intake", export(told.folder, "nameless.csv", nameless)).out
    report = ("--remedy", "circuit_rewired", "--firm", "Pellworth", "--on", FIXED_ON)
    told.without = told("fix", "report", _id(told, NO_WORKER), *report)
    told.named = told("fix", "report", _id(told, ASKED), *report, "--worker", "D. Orme")
    told.keep("reported")
    # looks after them
    looks = {name: said for name, (_, said, *_) in OF_LANDED.items()}
    looks |= {name: PROOF | by for name, (_, by, _) in OF_NAMELESS.items()}
    rows = [
        look(LOOKED, building=name, **{"slots": "three_slot", **said})
        for name, said in looks.items()
    ]
    told.land("after.csv", [
        *rows,
        look(60, building=LATER, slots="three_slot", **PROOF),
        look(80, building=LATER, slots="three_slot", inspector="Bo", **LIVE),
        look(60, building=AGAIN, slots="three_slot", inspector="Bo", **LIVE),
    ])  # fmt: skip
    told.up("build", "sync")
    told.keep("after")
    told.up("build")
    told.keep("built")
    # the same reports again with the name
    told.again = [
        told("fix", "report", _id(told, name), "--remedy", "circuit_rewired", "--firm", firm,
             "--worker", "D. Orme", "--on", FIXED_ON)
        for name, (firm, *_) in OF_NAMELESS.items() if _state(told, "after", name) == UNPROVEN
    ]  # fmt: skip
    told.up("build", "sync")
    told.keep("named")
    return told


def _finding(stories: Stages, name: str, stage: str = "found") -> dict[str, object]:
    rows = stories.of(stage, name, "findings", "list", "--all")
    (found,) = [row for row in rows if row["family"] == "false_ground" and row["occurrence"] == 1]
    return found


def _id(stories: Stages, name: str) -> str:
    return str(_finding(stories, name)["finding_id"])


def _state(stories: Stages, stage: str, name: str) -> object:
    return _finding(stories, name, stage)["state"]


def test_all_were_urgent(stories):
    names = {*OF_LANDED, *OF_NAMELESS, AGAIN, LATER, ASKED, NO_WORKER}
    assert sorted(row["building_id"] for row in stories.rows("found", "urgent")) == sorted(names)


@pytest.mark.parametrize("name", OF_LANDED)
def test_what_a_landed_look_proves(stories, name):
    *_, state, urgent = OF_LANDED[name]
    assert _state(stories, "after", name) == state
    assert len(stories.of("built", name, "urgent")) == urgent


def test_the_screen_and_the_command_say_what_would_prove_it(stories, monkeypatch):
    assert stories.named.code == 0, stories.named.err
    finding = _id(stories, ASKED)
    rows = stories.rows("reported", "fix", "methods", finding)
    told = {row["method"]: row for row in rows}
    assert not told["three_lamp_tester"]["proves"] and told["three_lamp_tester"]["reason"]
    assert told[COVER]["proves"]
    assert {"polarity", "ground_path_ohms", "inspector"} <= set(told[COVER]["columns"])
    assert told[COVER]["after"] == FIXED_ON
    app = screen_of(monkeypatch, stories.at("reported"), "finding", id=finding)
    sound(app)
    shown = html.unescape(plate(app, "proof"))
    for words in ("somebody else than who did the work", "less than 1 Ω", "would not prove it"):
        assert words in shown


def test_a_fix_from_before_the_last_look_that_saw_it_is_refused(stories):
    report = ("--remedy", "circuit_rewired", "--firm", "Pellworth", "--worker", "D. Orme")
    early, late = (
        stories("fix", "report", _id(stories, AGAIN), *report, "--on", on, stage="after")
        for on in (FIXED_ON, "2024-07-02")
    )
    assert early.code == 2 and "last seen on 2024-06-30" in early.err
    assert late.code == 0, late.err


def test_a_look_that_saw_it_after_the_proof_in_the_same_delivery_disproves(stories):
    assert _state(stories, "after", LATER) == DISPROVED
    assert len(stories.of("built", LATER, "urgent")) == 1


def test_a_landed_look_that_proves_nothing_is_told_with_the_reason(stories, monkeypatch):
    (name,) = (n for n, (fix, said, *_) in OF_LANDED.items()
               if fix is REWIRED and said == {**PROOF, "ground_path_ohms": None})  # fmt: skip
    finding = _id(stories, name)
    unproven = stories.rows("after", "fix", "unproven")
    (row,) = [row for row in unproven if row["finding_id"] == finding]
    (since,) = row["looks_since"]
    assert since["says"] == "nothing"
    assert "impedance of the ground path" in since["reason"]
    assert "impedance of the ground path" in stories("fix", "unproven", stage="after").out
    app = screen_of(monkeypatch, stories.at("after"), "finding", id=finding)
    sound(app)
    assert "impedance of the ground path" in html.unescape(plate(app, "since"))


WITHOUT = "Without the worker's name only another firm can prove this"


def test_intake_counts_the_reports_that_name_no_worker(stories):
    every = len(NAMELESS)
    assert f"{every} of {every} reports name no worker. {WITHOUT}" in stories.taken


def test_a_report_that_names_him_is_taken_as_it_is(stories):
    again = stories.again
    assert again and all(each.code == 0 and WITHOUT not in each.err for each in again)


@pytest.mark.parametrize("name", OF_NAMELESS)
def test_a_report_without_its_worker_is_asked_about_and_proven_by_another_firm_only(stories, name):
    _, look_by, state = OF_NAMELESS[name]
    assert WITHOUT in stories("fix", "methods", _id(stories, name), stage="reported").out
    assert _state(stories, "after", name) == state
    # the same report again with the name puts it right where the look names its inspector
    named = look_by.get("inspector") is None
    assert _state(stories, "named", name) == (PROVEN if named else UNPROVEN)


@pytest.mark.parametrize("name", ["N0", "N2"])  # each of the firms
def test_the_screen_asks_for_the_worker(stories, monkeypatch, name):
    app = screen_of(monkeypatch, stories.at("reported"), "finding", id=_id(stories, name))
    sound(app)
    assert WITHOUT in html.unescape(plate(app, "proof"))


def test_the_command_asks_for_the_worker(stories):
    assert stories.without.code == 0 and WITHOUT in stories.without.err
    assert WITHOUT not in stories.named.err

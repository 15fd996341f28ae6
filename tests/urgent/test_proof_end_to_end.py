"""What proves a repair, from the export to the list, the ledger and the screen."""

from __future__ import annotations

import html

import pytest
from screens_shown import plate, screen_of, sound
from urgent_rows import COVER, LIVE, PROOF, look, take_in

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow


FIXED_ON, LOOKED = "2024-06-01", 40
GFCI = {
    **PROOF, "result": "open_ground", "ground_present": "no", "ground_path_ohms": None,
    "gfci_protected": "yes", "marking": "no_equipment_ground", "gfci_button_tripped": "yes",
}  # fmt: skip
MARKED = ("--marking", "no_equipment_ground")
LAMPS_GFCI = {
    "inspector": "S. Ambrel", "method": "three_lamp_tester", "result": "open_ground",
    "gfci_protected": "yes", "marking": "no_equipment_ground",
}  # fmt: skip


@pytest.fixture
def place(tmp_path) -> Workspace:
    """A reversed false ground in a box seen open, taken in, built, raised."""
    made = Workspace(tmp_path / "workspace")
    take_in(made, tmp_path, "found.csv", [look(slots="three_slot", **LIVE)])
    _up_to_date(made)
    return made


def _up_to_date(place: Workspace) -> None:
    run("build", "--workspace", place.root)
    run("findings", "sync", "--workspace", place.root)


def _finding(place: Workspace) -> dict[str, object]:
    rows = run("findings", "list", "--all", "--workspace", place.root, "--json").json()
    (found,) = [row for row in rows if row["family"] == "false_ground" and row["occurrence"] == 1]
    return found


def _report(place: Workspace, remedy: str, *more: str, on: str = FIXED_ON, ok: int = 0) -> str:
    told = run(
        "fix", "report", _finding(place)["finding_id"], "--remedy", remedy, "--firm", "Pellworth",
        "--worker", "D. Orme", "--on", on, *more, "--workspace", place.root,
    )  # fmt: skip
    assert told.code == ok, told.err
    return told.err


def _after(place: Workspace, folder, days: int = LOOKED, **said: object) -> str:
    """The state once a look landed after the fix has gone through intake, build and ledger."""
    cells = {name: value for name, value in said.items() if value is not None}
    take_in(place, folder, f"after-{days}.csv", [look(days, **{"slots": "three_slot", **cells})])
    _up_to_date(place)
    return str(_finding(place)["state"])


def _urgent(place: Workspace) -> list[object]:
    return run("urgent", "--workspace", place.root, "--json").json()


UNPROVEN, PROVEN, DISPROVED = "fix_reported_unproven", "repair_proven", "fix_disproved"
REWIRED, GFCI_TYPE = ("circuit_rewired",), ("gfci_type_marked", *MARKED)


@pytest.mark.parametrize(
    ("fix", "said", "state", "urgent"),
    [
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
    ],
)  # fmt: skip
def test_what_a_landed_look_proves(place, tmp_path, fix, said, state, urgent):
    assert len(_urgent(place)) == 1
    _report(place, *fix)
    assert _after(place, tmp_path, **said) == state
    run("build", "--workspace", place.root)
    assert len(_urgent(place)) == urgent


def test_the_screen_and_the_command_say_what_would_prove_it(place, monkeypatch):
    _report(place, *REWIRED)
    finding = _finding(place)["finding_id"]
    rows = run("fix", "methods", finding, "--workspace", place.root, "--json").json()
    told = {row["method"]: row for row in rows}
    assert not told["three_lamp_tester"]["proves"] and told["three_lamp_tester"]["reason"]
    assert told[COVER]["proves"]
    assert {"polarity", "ground_path_ohms", "inspector"} <= set(told[COVER]["columns"])
    assert told[COVER]["after"] == FIXED_ON
    app = screen_of(monkeypatch, place, "finding", id=str(finding))
    sound(app)
    shown = html.unescape(plate(app, "proof"))
    for words in ("somebody else than who did the work", "less than 1 Ω", "would not prove it"):
        assert words in shown


def test_a_fix_from_before_the_last_look_that_saw_it_is_refused(place, tmp_path):
    take_in(place, tmp_path, "again.csv", [look(60, slots="three_slot", inspector="Bo", **LIVE)])
    _up_to_date(place)
    assert "last seen on 2024-06-30" in _report(place, *REWIRED, ok=2)
    _report(place, *REWIRED, on="2024-07-02")


def test_a_look_that_saw_it_after_the_proof_in_the_same_delivery_disproves(place, tmp_path):
    _report(place, *REWIRED)
    take_in(place, tmp_path, "later.csv", [
        look(60, slots="three_slot", **PROOF),
        look(80, slots="three_slot", inspector="Bo", **LIVE),
    ])  # fmt: skip
    _up_to_date(place)
    assert _finding(place)["state"] == DISPROVED
    run("build", "--workspace", place.root)
    assert len(_urgent(place)) == 1


def test_a_landed_look_that_proves_nothing_is_told_with_the_reason(place, tmp_path, monkeypatch):
    _report(place, *REWIRED)
    assert _after(place, tmp_path, **{**PROOF, "ground_path_ohms": None}) == UNPROVEN
    (row,) = run("fix", "unproven", "--workspace", place.root, "--json").json()
    (since,) = row["looks_since"]
    assert since["says"] == "nothing"
    assert "impedance of the ground path" in since["reason"]
    assert "impedance of the ground path" in run("fix", "unproven", "--workspace", place.root).out
    app = screen_of(monkeypatch, place, "finding", id=str(row["finding_id"]))
    sound(app)
    assert "impedance of the ground path" in html.unescape(plate(app, "since"))


WITHOUT = "Without the worker's name only another firm can prove this"


@pytest.mark.parametrize(
    ("fixed_by", "look_by", "state"),
    [
        ("Pellworth", {}, UNPROVEN),
        ("Pellworth", {"firm_of_inspector": "Pellworth Ltd"}, UNPROVEN),
        ("various", {"firm_of_inspector": "Quillmarsh"}, UNPROVEN),
        ("Pellworth", {"firm_of_inspector": "Quillmarsh", "inspector": "unknown"}, UNPROVEN),
        ("Pellworth", {"firm_of_inspector": "Quillmarsh"}, PROVEN),
    ],
)
def test_a_report_without_its_worker_is_asked_about_and_proven_by_another_firm_only(
    place, tmp_path, monkeypatch, fixed_by, look_by, state
):
    identity = str(_finding(place)["finding_id"])
    path = tmp_path / "fixes.csv"
    row = f"{identity},circuit_rewired,{FIXED_ON},{fixed_by}"
    path.write_text(f"finding_id,remedy,fixed_on,firm\n{row}\n")
    taken = run("intake", path, "--workspace", place.root)
    assert f"1 of 1 reports name no worker. {WITHOUT}" in taken.out, taken.err
    assert WITHOUT in run("fix", "methods", identity, "--workspace", place.root).out
    app = screen_of(monkeypatch, place, "finding", id=identity)
    sound(app)
    assert WITHOUT in html.unescape(plate(app, "proof"))
    assert _after(place, tmp_path, **PROOF | look_by) == state
    if state == UNPROVEN:
        # the same report again with the name puts it right where the look names its inspector
        again = run(
            "fix", "report", identity, "--remedy", "circuit_rewired", "--firm", fixed_by,
            "--worker", "D. Orme", "--on", FIXED_ON, "--workspace", place.root,
        )  # fmt: skip
        assert again.code == 0 and WITHOUT not in again.err
        _up_to_date(place)
        named = look_by.get("inspector") is None
        assert _finding(place)["state"] == (PROVEN if named else UNPROVEN)


def test_the_command_asks_for_the_worker(place):
    told = run(
        "fix", "report", _finding(place)["finding_id"], "--remedy", "circuit_rewired",
        "--firm", "Pellworth", "--on", FIXED_ON, "--workspace", place.root,
    )  # fmt: skip
    assert told.code == 0 and WITHOUT in told.err

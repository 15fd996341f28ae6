"""A defect that returns after a proven repair: from the export to lists, screen and ledger."""

from __future__ import annotations

import pytest
from screens_shown import plate, screen_of, sound
from urgent_rows import COVER, LIVE, MENDER, PROOF, look, take_in

from pipeline.landing import Workspace
from pipeline.ledger import current, open_ledger
from pipeline.ledger import events as ev
from pipeline.ledger.sync import sync_findings
from pipeline.warehouse import store
from pipeline.warehouse.build import build
from tests.cli.running import run

pytestmark = pytest.mark.slow


FALSE_GROUND = {
    "method": COVER,
    "result": "false_ground",
    "cover_removed": "yes",
    "neutral_ground_jumper": "yes",
    "polarity": "correct",
}
SOUND = FALSE_GROUND | {"result": "correct", "neutral_ground_jumper": "no", "ground_present": "yes"}
LAMPS = {"method": "three_lamp_tester", "result": "correct"}


def _proven(tmp_path) -> Workspace:
    """A false ground found, rewired, and proven sound by a box seen open."""
    place = Workspace(tmp_path / "workspace")
    others = [look(opening=f"S{n}", slots="three_slot", **SOUND) for n in range(8)]
    take_in(place, tmp_path, "a.csv", [look(slots="three_slot", **FALSE_GROUND), *others])
    build(place)
    ledger = open_ledger(workspace=place.root)
    with store.reading(place) as con:
        sync_findings(con, ledger)
    finding = str(current(ledger).set_index("family").loc["false_ground", "finding_id"])
    who = {"who": "R. Ostrander", "origin": "cli"}
    fix = ev.FixReported(remedy="circuit_rewired", fixed_on="2024-06-01", **MENDER)
    ledger.append(finding, fix, **who)
    proof = ev.Look(observed_on="2024-06-03", **PROOF)
    ledger.record_look(finding, proof, **who)
    ledger.close()
    build(place)
    assert _opening(place)["standing"] == "proven"
    assert _opening(place)["p_dangerous"] < 0.1
    return place


def _opening(place: Workspace) -> dict[str, object]:
    rows = run("openings", "H", "--workspace", place.root, "--json").json()
    return next(row for row in rows if not str(row["opening_id"]).startswith("S"))


def _contradicted(place: Workspace) -> list[str]:
    rows = run("quality", "--workspace", place.root, "--json").json()
    return [row["message"] for row in rows if row["kind"] == "repair_contradicted"]


def test_a_false_ground_seen_again_after_a_proven_repair_counts_and_recurs(tmp_path):
    place = _proven(tmp_path)
    take_in(
        place, tmp_path, "b.csv", [look(120, slots="three_slot", inspector="Bo", **FALSE_GROUND)]
    )
    build(place)
    found = _opening(place)
    assert found["p_dangerous"] > 0.9
    assert found["standing"] == "measured"
    assert found["confirmed"]
    (told,) = _contradicted(place)
    assert "speaks against it" in told
    ledger = open_ledger(workspace=place.root)
    with store.reading(place) as con:
        assert sync_findings(con, ledger).recurrences == 1
    ledger.close()


def test_a_pass_by_lamps_says_nothing_against_a_proven_repair(tmp_path):
    place = _proven(tmp_path)
    take_in(place, tmp_path, "b.csv", [look(120, slots="three_slot", inspector="Bo", **LAMPS)])
    build(place)
    assert _opening(place)["standing"] == "proven"
    assert _contradicted(place) == []


def test_a_second_sound_look_keeps_the_repair(tmp_path):
    place = _proven(tmp_path)
    take_in(place, tmp_path, "b.csv", [look(120, slots="three_slot", inspector="Bo", **SOUND)])
    build(place)
    assert _opening(place)["standing"] == "proven"
    assert _opening(place)["p_dangerous"] < 0.1


def _told(place: Workspace) -> set[str]:
    """What every list says of where the word on the opening comes from."""
    at = ("--workspace", place.root, "--json")
    found = run("findings", "list", "--all", *at).json()
    found = [row for row in found if row["opening_id"] == "1" and row["grade"] != "record_in_doubt"]
    open_ = [row["standing"] for row in found if row["open"]]
    lists = [*run("urgent", *at).json(), *run("urgent", "--inferred", *at).json()]
    return {*open_, _opening(place)["standing"]} | {
        row["standing"] for row in lists if row["opening_id"] == "1"
    }


@pytest.mark.parametrize(
    ("first", "again", "landed"),
    [
        (LIVE, "hot_neutral_reversed", False),
        (LIVE, "hot_ground_reversed", False),
        (LIVE, "hot_ground_reversed", True),
        (FALSE_GROUND, "hot_neutral_reversed", True),
    ],
)
def test_lists_agree_where_a_look_by_lamps_raises_a_proven_repair_again(
    tmp_path, first, again, landed
):
    place = Workspace(tmp_path / "workspace")
    at = ("--workspace", place.root)

    def up_to_date() -> None:
        assert run("build", *at).code == 0
        assert run("findings", "sync", *at).code == 0

    take_in(place, tmp_path, "a.csv", [look(slots="three_slot", **first)])
    up_to_date()
    rows = run("findings", "list", *at, "--json").json()
    finding = next(row["finding_id"] for row in rows if row["family"] == "false_ground")
    report = ("--remedy", "circuit_rewired", "--firm", "Pellworth", "--worker", "D. Orme")
    assert run("fix", "report", finding, *report, "--on", "2024-06-01", *at).code == 0
    if landed:
        take_in(place, tmp_path, "b.csv", [look(40, slots="three_slot", **PROOF)])
    else:
        said = [x for k, v in PROOF.items() for x in (f"--{k.replace('_', '-')}", str(v))]
        assert run("fix", "verify", finding, "--on", "2024-06-10", *said, *at).code == 0
    up_to_date()
    assert run("build", *at).code == 0
    assert _told(place) <= {"proven"}
    lamps = {"method": "three_lamp_tester", "result": again, "inspector": "Bo"}
    take_in(place, tmp_path, "c.csv", [look(80, slots="three_slot", **lamps)])
    up_to_date()
    assert run("build", *at).code == 0
    told = _told(place)
    assert len(told) == 1 and told <= {"reported", "measured"}
    up_to_date()
    assert _told(place) == told


@pytest.mark.parametrize(
    ("first", "was", "shown"),
    [
        ({"method": "three_lamp_tester", "result": "open_ground"}, "ungrounded", "reversed"),
        # what was reported is less grave, and lamps would not show the jumper
        (LIVE, "reversed_false_ground", "reversed_false_ground"),
    ],
)
def test_a_recurrence_is_shown_as_what_was_reported_unless_it_was_graver(
    tmp_path, monkeypatch, first, was, shown
):
    place = Workspace(tmp_path / "workspace")
    at = ("--workspace", place.root)

    def up_to_date() -> list[dict[str, object]]:
        assert run("build", *at).code == 0
        assert run("findings", "sync", *at).code == 0
        rows = run("findings", "list", "--all", *at, "--json").json()
        return [r for r in rows if r["opening_id"] == "1" and r["grade"] != "record_in_doubt"]

    take_in(place, tmp_path, "a.csv", [look(slots="three_slot", **first)])
    (found,) = up_to_date()
    assert found["condition"] == was
    report = ("--remedy", "circuit_rewired", "--firm", "Pellworth", "--worker", "D. Orme")
    assert run("fix", "report", found["finding_id"], *report, "--on", "2024-06-01", *at).code == 0
    take_in(place, tmp_path, "b.csv", [look(40, slots="three_slot", **PROOF)])
    up_to_date()
    lamps = LAMPS | {"result": "hot_neutral_reversed", "inspector": "Bo"}
    take_in(place, tmp_path, "c.csv", [look(80, slots="three_slot", **lamps)])
    for _ in range(2):  # also once the earlier looks weigh again
        (back,) = [row for row in up_to_date() if row["open"]]
        assert (back["recurs_of"], back["condition"]) == (found["finding_id"], shown)
    app = screen_of(monkeypatch, place, "finding", id=str(back["finding_id"]))
    sound(app)
    named = {"reversed": "Hot and neutral reversed"}.get(shown, "Reversed false ground")
    assert f">{named} " in plate(app, "heading")
    # whatever is said to be repaired then, a proof rules out what it was before as well
    fix = ("--remedy", "circuit_rewired", "--firm", "Quill", "--worker", "Z. Abel")
    assert run("fix", "report", back["finding_id"], *fix, "--on", "2024-08-01", *at).code == 0
    ledger = open_ledger(workspace=place.root)
    ruled_out = ledger.judge.must_exclude(ledger.finding(str(back["finding_id"])))
    assert {was, shown} <= {each.value for each in ruled_out}
    ledger.close()
    # a later look that points at it as it was says so again
    again = {**first, "inspector": "Cy"}
    take_in(place, tmp_path, "d.csv", [look(120, slots="three_slot", **again)])
    shows = {row["condition"] for row in up_to_date() if row["occurrence"] == 2}
    assert was in shows
    assert run("ledger", "verify", *at).code == 0


def test_volts_on_the_ground_contact_after_the_proof_undo_it_at_once(tmp_path):
    place = _proven(tmp_path)
    volts = LAMPS | {"ground_contact_earth_volts": 119.0, "hot_neutral_volts": 120.0}
    take_in(place, tmp_path, "volts.csv", [look(60, slots="three_slot", **volts)])
    build(place)
    opening = _opening(place)
    assert opening["urgent"] and opening["p_dangerous"] > 0.5
    assert len(_contradicted(place)) == 1

"""A defect that returns after a proven repair: from the export to lists, screen and ledger."""

from __future__ import annotations

import pytest
from screens_shown import plate, screen_of, sound
from stages import Stages
from urgent_rows import COVER, LIVE, MENDER, PROOF, export, look

from pipeline.ledger import events as ev
from pipeline.ledger import open_ledger

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
SWAPPED = LAMPS | {"result": "hot_neutral_reversed"}
HOT_GROUND = LAMPS | {"result": "hot_ground_reversed"}
OPEN_GROUND = LAMPS | {"result": "open_ground"}
VOLTS = LAMPS | {"ground_contact_earth_volts": 119.0, "hot_neutral_volts": 120.0}

API, CLI, LANDED = "in the ledger", "by the command line", "from an export"
STORIES = {
    "Seen": (FALSE_GROUND, API, 120, FALSE_GROUND),
    "Passed": (FALSE_GROUND, API, 120, LAMPS),
    "Sound": (FALSE_GROUND, API, 120, SOUND),
    "Volts": (FALSE_GROUND, API, 60, VOLTS),
    "Toldswap": (LIVE, CLI, 80, SWAPPED),
    "Toldhot": (LIVE, CLI, 80, HOT_GROUND),
    "Landedhot": (LIVE, LANDED, 80, HOT_GROUND),
    "Landedswap": (FALSE_GROUND, LANDED, 80, SWAPPED),
    "Lesser": (OPEN_GROUND, LANDED, 80, SWAPPED),
    # what was reported is less grave, and lamps would not show the jumper
    "Graver": (LIVE, LANDED, 80, SWAPPED),
}
"""What was found, how the look that proves the repair came in, and what is seen on a day since."""

SHOWN = {"Lesser": ("ungrounded", "reversed"), "Graver": ("reversed_false_ground",) * 2}
"""What it was, and as what the recurrence is shown."""


def _row(days: int, name: str, who: str, cells: dict[str, object]) -> dict[str, object]:
    """Of a reader of that building alone."""
    return look(days, building=name, slots="three_slot", inspector=f"{who} {name}", **cells)


def _findings(stories: Stages, stage: str, name: str) -> list[dict[str, object]]:
    rows = stories.of(stage, name, "findings", "list", "--all")
    return [r for r in rows if r["opening_id"] == "1" and r["grade"] != "record_in_doubt"]


def _back(stories: Stages, stage: str, name: str) -> dict[str, object]:
    (back,) = [row for row in _findings(stories, stage, name) if row["open"]]
    return back


@pytest.fixture(scope="module")
def stories(tmp_path_factory) -> Stages:
    """A defect found, the circuit rewired, proven by a box seen open, and a look since, of each."""
    told = Stages(tmp_path_factory.mktemp("recurrence"))
    others = [
        _row(0, name, "Ada", SOUND) | {"opening_id": f"S{n}"}
        for name, (_, how, *_) in STORIES.items()
        if how == API
        for n in range(8)
    ]
    found = [_row(0, name, "Ada", first) for name, (first, *_) in STORIES.items()]
    told.land("found.csv", found + others)
    told.up("build", "sync")
    told.keep("found")
    ids = {name: str(_back(told, "found", name)["finding_id"]) for name in STORIES}
    # the repair of each
    fixes = [
        {"finding_id": each, "remedy": "circuit_rewired", "fixed_on": "2024-06-01", **MENDER}
        for each in ids.values()
    ]
    assert told("intake", export(told.folder, "fixes.csv", fixes)).code == 0
    # and its proof
    ledger = open_ledger(workspace=told.place.root)
    by = {"who": "R. Ostrander", "origin": "cli"}
    for name in (name for name, (_, how, *_) in STORIES.items() if how == API):
        ledger.record_look(ids[name], ev.Look(observed_on="2024-06-03", **PROOF), **by)
    ledger.close()
    said = [x for k, v in PROOF.items() for x in (f"--{k.replace('_', '-')}", str(v))]
    for name in (name for name, (_, how, *_) in STORIES.items() if how == CLI):
        assert told("fix", "verify", ids[name], "--on", "2024-06-10", *said).code == 0
    told.land("proofs.csv", [
        look(40, building=name, slots="three_slot", **PROOF)
        for name, (_, how, *_) in STORIES.items() if how == LANDED
    ])  # fmt: skip
    told.up("build", "sync", "build")
    told.keep("proven")
    # what is seen since
    told.land("since.csv", [_row(day, name, "Bo", cells)
                            for name, (_, _, day, cells) in STORIES.items()])  # fmt: skip
    told.up("build")
    told.keep("seen")
    (synced,) = told("findings", "sync", "--json").json()
    told.keep("raised")
    told.recurrences = synced["recurrences"]
    told.up("build")
    told.keep("weighed")  # the earlier looks weigh again
    told.up("sync")
    told.keep("again")
    # whatever is said to be repaired then, a proof rules out what it was before as well
    fix = ("--remedy", "circuit_rewired", "--firm", "Quill", "--worker", "Z. Abel")
    for name in SHOWN:
        back = _back(told, "again", name)["finding_id"]
        assert told("fix", "report", back, *fix, "--on", "2024-08-01").code == 0
    told.keep("reported")
    # a later look that points at it as it was
    told.land("later.csv", [_row(120, name, "Cy", STORIES[name][0]) for name in SHOWN])
    told.up("build", "sync")
    told.keep("later")
    return told


def _opening(stories: Stages, stage: str, name: str) -> dict[str, object]:
    rows = stories.rows(stage, "openings", name)
    return next(row for row in rows if not str(row["opening_id"]).startswith("S"))


def _contradicted(stories: Stages, name: str) -> list[str]:
    rows = stories.of("seen", name, "quality")
    return [row["message"] for row in rows if row["kind"] == "repair_contradicted"]


@pytest.mark.parametrize("name", [name for name, (_, how, *_) in STORIES.items() if how == API])
def test_a_repair_proven_by_a_box_seen_open_counts(stories, name):
    assert _opening(stories, "proven", name)["standing"] == "proven"
    assert _opening(stories, "proven", name)["p_dangerous"] < 0.1


def test_a_false_ground_seen_again_after_a_proven_repair_counts_and_recurs(stories):
    found = _opening(stories, "seen", "Seen")
    assert found["p_dangerous"] > 0.9
    assert found["standing"] == "measured"
    assert found["confirmed"]
    (told,) = _contradicted(stories, "Seen")
    assert "speaks against it" in told
    again = {name: [r for r in _findings(stories, "raised", name) if r["recurs_of"]]
             for name in STORIES}  # fmt: skip
    assert len(again["Seen"]) == 1
    assert sum(map(len, again.values())) == stories.recurrences
    assert not again["Passed"] and not again["Sound"]


def test_a_pass_by_lamps_says_nothing_against_a_proven_repair(stories):
    assert _opening(stories, "seen", "Passed")["standing"] == "proven"
    assert _contradicted(stories, "Passed") == []


def test_a_second_sound_look_keeps_the_repair(stories):
    assert _opening(stories, "seen", "Sound")["standing"] == "proven"
    assert _opening(stories, "seen", "Sound")["p_dangerous"] < 0.1


def _told(stories: Stages, stage: str, name: str) -> set[object]:
    """What every list says of where the word on the opening comes from."""
    lists = [
        row for more in ((), ("--inferred",)) for row in stories.of(stage, name, "urgent", *more)
    ]
    return {
        *(row["standing"] for row in _findings(stories, stage, name) if row["open"]),
        *(row["standing"] for row in lists if row["opening_id"] == "1"),
        _opening(stories, stage, name)["standing"],
    }


@pytest.mark.parametrize("name", ["Toldswap", "Toldhot", "Landedhot", "Landedswap"])
def test_lists_agree_where_a_look_by_lamps_raises_a_proven_repair_again(stories, name):
    assert _told(stories, "proven", name) <= {"proven"}
    told = _told(stories, "weighed", name)
    assert len(told) == 1 and told <= {"reported", "measured"}
    assert _told(stories, "again", name) == told


@pytest.mark.parametrize("name", SHOWN)
def test_a_recurrence_is_shown_as_what_was_reported_unless_it_was_graver(
    stories, monkeypatch, name
):
    was, shown = SHOWN[name]
    (found,) = _findings(stories, "found", name)
    assert found["condition"] == was
    for stage in ("raised", "again"):  # also once the earlier looks weigh again
        back = _back(stories, stage, name)
        assert (back["recurs_of"], back["condition"]) == (found["finding_id"], shown)
    app = screen_of(monkeypatch, stories.at("again"), "finding", id=str(back["finding_id"]))
    sound(app)
    named = {"reversed": "Hot and neutral reversed"}.get(shown, "Reversed false ground")
    assert f">{named} " in plate(app, "heading")
    ledger = open_ledger(workspace=stories.at("reported").root)
    ruled_out = ledger.judge.must_exclude(ledger.finding(str(back["finding_id"])))
    assert {was, shown} <= {each.value for each in ruled_out}
    ledger.close()
    # a later look that points at it as it was says so again
    rows = _findings(stories, "later", name)
    assert was in {row["condition"] for row in rows if row["occurrence"] == 2}


def test_the_ledger_of_all_of_them_verifies(stories):
    assert stories("ledger", "verify", stage="later").code == 0


def test_volts_on_the_ground_contact_after_the_proof_undo_it_at_once(stories):
    opening = _opening(stories, "seen", "Volts")
    assert opening["urgent"] and opening["p_dangerous"] > 0.5
    assert len(_contradicted(stories, "Volts")) == 1

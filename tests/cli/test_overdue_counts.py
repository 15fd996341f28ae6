"""Overdue is one number wherever it is told, and no pause hides it. Words that could be misread."""

import datetime as dt
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest

from dashboard.components.figures import STATE_WORDS
from pipeline.ledger import STATE_MEANING, State, open_ledger
from pipeline.ledger.due import MOVE_WORDS, overdue_counts
from pipeline.ledger.events import KIND_WORDS, KINDS
from pipeline.screens import findings
from tests.cli.running import run

COUNTS = ("overdue", "overdue_first", "overdue_present", "paused", "proof_overdue", "window_passed")


@pytest.fixture(params=["manager", "housing"])
def demo_of(request: pytest.FixtureRequest) -> Path:
    """A demo's workspace with its two years of history; tests leave it as it is."""
    found = request.getfixturevalue(request.param)
    return found if request.param == "housing" else found[1]


@pytest.fixture
def place(manager: tuple[object, Path], tmp_path: Path) -> Path:
    """A copy of the manager's, to write on."""
    shutil.copytree(manager[1], tmp_path / "own")
    return tmp_path / "own"


def listed(place: Path, *more: object) -> list[dict]:
    return run("findings", "list", "--workspace", place, *more, "--json").json()


def in_words(digest: str) -> dict[str, int]:
    """The counts in the first sentence of a digest."""
    told = " ".join(digest.split())
    words = ("overdue:", "past the first target", "past the present one", "paused;",
             "reported repaired and too long", "past a regulatory window")  # fmt: skip
    found = [re.search(rf"([\d,]+) {each}", told) for each in words]
    counts = [int(each[1].replace(",", "")) if each else -1 for each in found]
    return dict(zip(COUNTS, counts, strict=True))


def frame_of(place: Path) -> pd.DataFrame:
    """Every finding as screens list them."""
    ledger = open_ledger(workspace=place)
    try:
        return findings.dated(ledger, ledger.rule_book)
    finally:
        ledger.close()


def headline(place: Path) -> dict[str, int]:
    """The counts at the head of the screen, which are the counts everywhere."""
    counted = overdue_counts(frame_of(place))
    return {name: int(counted[name] or 0) for name in COUNTS}


def everywhere(place: Path) -> dict[str, dict[str, int]]:
    """The counts of overdue findings by where they are told."""
    frame = frame_of(place)
    rows = listed(place, "--overdue")
    every = listed(place, "--all")
    (ageing,) = run(
        "findings", "progress", "--view", "ageing", "--workspace", place, "--json"
    ).json()
    by_firm = run(
        "findings", "progress", "--view", "ageing", "--by", "firm", "--workspace", place, "--json"
    ).json()
    buildings = findings.by_building(frame)
    narrowed = findings.narrowed(frame, findings.Wanted(standing="overdue"))
    told = {
        "command, list of overdue": rows,
        "command, whole list": every,
        "screen, standing overdue": narrowed.to_dict("records"),
    }
    counted = {
        where: {name: sum(bool(row[name]) for row in found) for name in COUNTS}
        for where, found in told.items()
    }
    counted["command, list of overdue"]["paused"] = sum(bool(row["paused"]) for row in every)
    counted["screen, standing overdue"]["paused"] = int(frame["paused"].sum())
    return counted | {
        "command, progress": {name: ageing[name] for name in COUNTS},
        "command, progress by firm": {n: sum(row[n] for row in by_firm) for n in COUNTS},
        "screen, headline": headline(place),
        "digest": in_words(run("findings", "digest", "--workspace", place).out),
        "screen, buildings": {name: int(buildings[name].sum()) for name in COUNTS},
    }


@pytest.mark.slow
def test_overdue_is_the_same_number_everywhere(demo_of: Path) -> None:
    told = everywhere(demo_of)
    first = told["screen, headline"]
    assert first["overdue_first"] > 20
    for where, counts in told.items():
        assert counts == first, where
    assert len(listed(demo_of, "--overdue")) == first["overdue"]


@pytest.mark.slow
def test_a_bulk_pause_changes_the_second_number_only(place: Path) -> None:
    before = headline(place)
    late = [row for row in listed(place, "--overdue") if row["overdue_present"]]
    ids = "\n".join(f"{row['finding_id']}@{row['version']}" for row in late)
    wanted = place / "late.txt"
    wanted.write_text(ids)
    pause = ("findings", "pause", "--from", wanted, "--workspace", place, "--reason", "other")
    without = run(*pause)
    assert without.code == 2 and "--note" in without.err
    assert headline(place) == before
    long_ago = run(*pause, "--note", "no crew this month", "--since", "2020-01-01")
    assert long_ago.code == 2 and "the finding was raised on" in long_ago.err
    assert headline(place) == before
    assert run(*pause, "--note", "no crew this month").code == 0
    told = everywhere(place)
    after = told["screen, headline"]
    assert all(counts == after for counts in told.values())
    assert after["overdue_present"] == 0
    assert after["paused"] == before["paused"] + len(late)
    kept = ("overdue_first", "proof_overdue", "window_passed")
    assert {name: after[name] for name in kept} == {name: before[name] for name in kept}
    # What was late against a day sooner than its first target only is late no longer.
    sooner = [row for row in late if not any(row[name] for name in kept)]
    assert after["overdue"] == before["overdue"] - len(sooner)
    head = run("findings", "list", "--overdue", "--workspace", place).out
    assert f"Past the first target: {before['overdue_first']:,}." in head
    assert f"Past the present target: 0; {after['paused']:,} stand paused." in head


@pytest.mark.slow
def test_the_moves_of_a_target_stand_in_list_and_history(manager: tuple[object, Path]) -> None:
    demo = manager[1]
    row = next(r for r in listed(demo, "--all") if r["times_moved"] and r["target_moves"])
    for move in row["target_moves"]:
        assert set(move) == {
            "sequence", "written_at", "who", "kind", "from_day", "to_day", "reason",
        }  # fmt: skip
    last = row["target_moves"][-1]
    assert last["to_day"] == row["present_target_on"]
    events = run("findings", "show", row["finding_id"], "--workspace", demo, "--json").json()
    assert events[0]["target"]["first_target_on"] == row["first_target_on"]
    assert events[0]["target"]["present_target_on"] == row["present_target_on"]
    told = [move for event in events for move in event["target_moves"]]
    assert told == row["target_moves"]
    shown = run("findings", "show", row["finding_id"], "--workspace", demo).out
    assert "First target" in shown and "present target" in shown
    assert (last["reason"] or "") in shown


@pytest.mark.slow
def test_firms_are_judged_by_their_own_clocks(manager: tuple[object, Path]) -> None:
    demo = manager[1]
    told = run("findings", "progress", "--by", "firm", "--workspace", demo)
    assert told.code == 2 and "before they were asked" in told.err
    shown = run("findings", "progress", "--view", "clocks", "--workspace", demo).out
    for words in ("seen to known", "assigned to reported", "reported to proven"):
        assert f"{words}: from " in shown
    rows = run("findings", "progress", "--view", "firms", "--workspace", demo, "--json").json()
    assert {row["group"] for row in rows} >= {"Pellworth Electric", "House crew"}
    for row in rows:
        low, high = row["share_proven_low"], row["share_proven_high"]
        assert low <= row["share_proven_first_look"] <= high


def test_no_state_says_live() -> None:
    texts = [state.value for state in State] + list(STATE_MEANING.values())
    texts += list(STATE_WORDS) + list(STATE_WORDS.values())
    assert set(KIND_WORDS) == set(KINDS)
    texts += [*KIND_WORDS.values(), *MOVE_WORDS.values()]
    assert set(STATE_WORDS) == {state.value for state in State}
    assert not [text for text in texts if "live" in text.replace("_", " ").split()]


@pytest.mark.slow
def test_a_due_day_later_than_the_first_target_needs_a_reason(place: Path) -> None:
    row = next(r for r in listed(place) if r["opening_id"] and r["open"] and not r["paused"])
    late = (dt.date.today() + dt.timedelta(400)).isoformat()
    assign = ("findings", "assign", row["finding_id"], "--firm", "Oddy", "--workspace", place)
    refused = run(*assign, "--due", late)
    assert refused.code == 2 and "later than" in refused.err
    assert run(*assign, "--due", late, "--note", "the riser comes first").code == 0
    (now,) = [r for r in listed(place) if r["finding_id"] == row["finding_id"]]
    assert (now["first_target_on"], now["present_target_on"]) == (row["first_target_on"], late)
    assert now["times_moved"] == row["times_moved"] + 1
    assert now["target_moves"][-1]["reason"] == "the riser comes first"

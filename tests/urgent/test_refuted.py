"""Ways in which danger was once taken off a list, or a repair proven, without cause."""

from __future__ import annotations

from pathlib import Path

import pytest
from stages import Stages
from urgent_rows import COVER, LIVE, look

from tests.cli.running import run

pytestmark = pytest.mark.slow

HEAD = "building_id,unit_id,opening_id,remedy,fixed_on,firm,worker\n"
LOOKS = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,slots,result,cover_removed,"
    "ground_present,neutral_ground_jumper,polarity,ground_path_ohms,hot_neutral_volts,note\n"
)
PAPER = "building_id,report_kind,reference,reported_on,status,status_on,description\n"
SHOCK = "B1,complaint,C-1,2025-02-01,{},{},tenant got a shock from the stove\n"

PELLWORTH = "2024-08-01,Pellworth Ltd,Dorothea Orme"
ZED = "Quill & Sons,Zed Abel"

SPELLINGS = (
    *("Pellworth Electric", "Dor. Orme", "Dorothea Orne", "D Orme", "Dorothe Orme"),
    *("0rme, D.", "Dora Orme", "Thea Orme", "D0rothea Orme"),
)
"""The repairer by other words, or with a figure for a letter, or by a short form."""
DANGER = ("plate screw live 118 V to pipe", "scorched and hot", "tenant got a shock")
CALM = ("no scorch marks, nobody got a shock, all in order", "new circuit, box seen")

SOUND = {"fixes": [PELLWORTH], "who": "S. Ambrel", "volts": "118", "note": ""}
PROVES = {
    "a sound look": SOUND,
    "another of the surname": SOUND | {"who": "Walter Orme"},
    **{note: SOUND | {"note": note} for note in CALM},
}
PROVES_NOTHING = {
    "a dead circuit": SOUND | {"volts": "0"},
    "before the last work": SOUND
    | {"fixes": [f"2024-08-10,{PELLWORTH.partition(',')[2]}", f"2024-08-01,{ZED}"]},
    "who worked there too": SOUND
    | {"fixes": [PELLWORTH, f"2024-08-02,{ZED}"], "who": "Dorothea Orme"},
    **{who: SOUND | {"who": who} for who in SPELLINGS},
    **{note: SOUND | {"note": note} for note in DANGER},
}
CASES = PROVES | PROVES_NOTHING
"""Fix reports and a look at the same opening, in one file; each at a building of its own."""


@pytest.fixture(scope="module")
def stories(tmp_path_factory: pytest.TempPathFactory) -> Stages:
    """Live metal at each building, then the files, then what a build and a sync make of it."""
    folder = tmp_path_factory.mktemp("refuted")
    stories = Stages(folder)
    sound = LIVE | {"result": "correct", "neutral_ground_jumper": "no", "polarity": "correct"}
    rows = [look(slots="three_slot", opening="K1", building=n, **LIVE) for n in (*CASES, "apart")]
    rows += [look(slots="three_slot", opening=f"S{n}", building="apart", **sound) for n in range(4)]
    stories.land("a.csv", rows)
    stories.up("build", "sync")
    stories.keep("found")
    text = HEAD + "".join(
        f'"{name}",1,K1,circuit_rewired,{fix}\n'
        for name, of in CASES.items()
        for fix in of["fixes"]
    )
    text += f"\n{LOOKS}" + "".join(
        f'"{name}",1,K1,2024-08-05,"{of["who"]}",{COVER},three_slot,correct,yes,yes,no,correct,0.2,'
        f'{of["volts"]},"{of["note"]}"\n'
        for name, of in CASES.items()
    )
    _take(stories, "fixes.csv", text)
    stories.keep("fixed")
    _take(stories, "register.csv", "building_id,year_built\nB1,1948\n")
    _take(stories, "one.csv", PAPER + SHOCK.format("open", ""))
    _take(stories, "two.csv", PAPER + SHOCK.format("dismissed", "2025-03-01"))
    stories.up("build", "sync")
    stories.keep("built")
    return stories


def _take(stories: Stages, name: str, text: str) -> None:
    path = stories.folder / name
    path.write_text(text, encoding="utf-8")
    done = stories("intake", path, "--by", "Clerk")
    assert done.code in (0, 3), done


def _states(stories: Stages, stage: str, building: str) -> set[str]:
    rows = stories.of(stage, building, "findings", "list", "--all")
    return {row["state"] for row in rows if row["opening_id"] == "K1"}


def _urgent(stories: Stages, stage: str, building: str) -> list[str]:
    return [row["opening_id"] for row in stories.of(stage, building, "urgent")]


@pytest.mark.parametrize("name", CASES)
def test_it_is_urgent_before(stories: Stages, name: str) -> None:
    assert _urgent(stories, "found", name) == ["K1"]
    assert _states(stories, "found", name) == {"confirmed_defect"}


@pytest.mark.parametrize("name", PROVES)
def test_a_sound_look_in_the_same_file_proves(stories: Stages, name: str) -> None:
    for stage in ("fixed", "built"):
        assert _states(stories, stage, name) == {"repair_proven"}
    assert not _urgent(stories, "built", name)


@pytest.mark.parametrize("name", PROVES_NOTHING)
def test_what_proves_nothing_does_not_in_the_same_file_either(stories: Stages, name: str) -> None:
    for stage in ("fixed", "built"):
        assert _states(stories, stage, name) - {"suspected_defect"} == {"fix_reported_unproven"}


@pytest.mark.parametrize("note", DANGER)
def test_a_look_whose_own_note_tells_of_danger_clears_nothing(stories: Stages, note: str) -> None:
    assert _urgent(stories, "built", note) == ["K1"]


def test_a_row_of_a_wide_sheet_that_reports_danger_is_not_gone_without_a_look(
    tmp_path: Path,
) -> None:
    root = tmp_path / "w"
    (tmp_path / "wide.csv").write_text(
        "building_id,unit_id,observed_on,inspector,method,shock_reported,note,Outlet 1,Outlet 2\n"
        "B1,1A,2025-03-02,I. Vance,three_lamp_tester,no,,correct,open ground\n"
        "B1,1B,2025-03-02,I. Vance,three_lamp_tester,yes,live case at the cooker,-,-\n"
        "B1,1C,2025-03-02,I. Vance,three_lamp_tester,no,,-,n/a\n"
    )
    (done,) = run("intake", tmp_path / "wide.csv", "--workspace", root, "--json").json()
    assert (done["accepted"], done["quarantined"]) == (2, 1)
    (row,) = run("quarantine", "list", "--workspace", root, "--json").json()
    assert "live case at the cooker" in str(row["cells"])


def test_a_paper_that_is_urgent_no_longer_leaves_a_line(stories: Stages) -> None:
    (row,) = stories.of("built", "B1", "urgent", "--cleared")
    assert (row["cleared_by"], row["cleared_on"], row["defect"]) == (
        "dismissed", "2025-03-01", "shock",
    )  # fmt: skip
    assert "the paper was dismissed" in stories("urgent", "--cleared", stage="built").out


def test_a_row_whose_cells_name_another_place_than_its_finding_is_refused(
    stories: Stages, tmp_path: Path
) -> None:
    finding = next(
        row for row in stories.of("found", "apart", "findings", "list") if row["opening_id"] == "K1"
    )
    path = tmp_path / "fixes.csv"
    head = "finding_id,building_id,unit_id,opening_id,remedy,fixed_on,firm,worker\n"
    path.write_text(
        f"{head}{finding['finding_id']},apart,{finding['unit_id']},S1,circuit_rewired,{PELLWORTH}\n"
    )
    done = stories("intake", path, "--by", "Clerk")
    assert "K1" in done.out + done.err
    now = stories("findings", "list", "--all", "--json").json()
    states = {row["state"] for row in now if row["building_id"] == "apart"}
    assert finding["state"] == "confirmed_defect" and "fix_reported_unproven" not in states


@pytest.mark.parametrize(
    "words",
    [("pause", "--reason", "other", "--note", " "), ("dismiss", "--reason", " "), ("comment", " ")],
)
def test_a_blank_text_is_refused_in_words(stories: Stages, words: tuple[str, ...]) -> None:
    found = stories.rows("found", "findings", "list")
    name, *rest = words
    done = stories("findings", name, found[0]["finding_id"], *rest, stage="found")
    assert done.code == 2 and "Coverplate itself" not in done.err

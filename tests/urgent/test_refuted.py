"""Ways in which danger was once taken off a list, or a repair proven, without cause."""

from __future__ import annotations

import shutil

import pytest
from urgent_rows import COVER, look, take_in

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow


LIVE = {
    "method": COVER,
    "result": "reversed_false_ground",
    "cover_removed": "yes",
    "neutral_ground_jumper": "yes",
    "polarity": "reversed",
}
HEAD = "building_id,unit_id,opening_id,remedy,fixed_on,firm,worker\n"
LOOKS = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,slots,result,cover_removed,"
    "ground_present,neutral_ground_jumper,polarity,ground_path_ohms,hot_neutral_volts\n"
)


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("refuted")
    place = Workspace(folder / "w")
    sound = LIVE | {"result": "correct", "neutral_ground_jumper": "no", "polarity": "correct"}
    rows = [look(opening=f"S{n}", slots="three_slot", **sound) for n in range(4)]
    take_in(place, folder, "a.csv", [look(slots="three_slot", opening="K1", **LIVE), *rows])
    for words in (("build",), ("findings", "sync")):
        assert run(*words, "--workspace", place.root).code == 0
    assert len(run("urgent", "--workspace", place.root, "--json").json()) == 1
    return place


@pytest.fixture
def place(built, tmp_path):
    """A copy of its own for each test."""
    shutil.copytree(built.root, tmp_path / "own")
    return Workspace(tmp_path / "own")


def state(place):
    rows = run("findings", "list", "--all", "--workspace", place.root, "--json").json()
    return next(row["state"] for row in rows if row["opening_id"] == "K1")


def fixed(place, tmp_path, fixes, *, on="2024-08-05", who="S. Ambrel", volts="118"):
    """Land fix reports and a look at the same opening in one file; return the state."""
    found = run("findings", "list", "--workspace", place.root, "--json").json()
    unit = next(row["unit_id"] for row in found if row["opening_id"] == "K1")
    text = HEAD + "".join(f"H,{unit},K1,circuit_rewired,{each}\n" for each in fixes)
    text += f"\n{LOOKS}H,{unit},K1,{on},{who},{COVER},three_slot,correct,yes,yes,no,correct,0.2,"
    (tmp_path / "fixes.csv").write_text(f"{text}{volts}\n")
    done = run("intake", tmp_path / "fixes.csv", "--by", "Clerk", "--workspace", place.root)
    assert done.code in (0, 3), done
    return state(place)


PELLWORTH = "2024-08-01,Pellworth Ltd,Dorothea Orme"


def test_a_sound_look_in_the_same_file_proves(place, tmp_path):
    assert fixed(place, tmp_path, [PELLWORTH]) == "repair_proven"


def test_a_look_at_a_dead_circuit_proves_nothing_in_the_same_file_either(place, tmp_path):
    assert fixed(place, tmp_path, [PELLWORTH], volts="0") == "fix_reported_unproven"
    assert run("build", "--workspace", place.root).code == 0
    assert run("findings", "sync", "--workspace", place.root).code == 0
    assert state(place) == "fix_reported_unproven"


@pytest.mark.parametrize(
    "who", ["Pellworth Electric", "Dor. Orme", "Dorothea Orne", "D Orme", "Dorothe Orme"]
)
def test_the_repairer_under_another_spelling_proves_nothing(place, tmp_path, who):
    assert fixed(place, tmp_path, [PELLWORTH], who=who) == "fix_reported_unproven"


def test_a_look_before_the_last_work_proves_nothing_whatever_was_reported_last(place, tmp_path):
    fixes = ["2024-08-10,Pellworth Ltd,Dorothea Orme", "2024-08-01,Quill & Sons,Zed Abel"]
    assert fixed(place, tmp_path, fixes) == "fix_reported_unproven"


def test_whoever_worked_there_too_proves_nothing(place, tmp_path):
    fixes = [PELLWORTH, "2024-08-02,Quill & Sons,Zed Abel"]
    assert fixed(place, tmp_path, fixes, who="Dorothea Orme") == "fix_reported_unproven"


def test_a_row_of_a_wide_sheet_that_reports_danger_is_not_gone_without_a_look(tmp_path):
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


def test_a_paper_that_is_urgent_no_longer_leaves_a_line(tmp_path):
    root = tmp_path / "w"
    head = "building_id,report_kind,reference,reported_on,status,status_on,description\n"
    said = "B1,complaint,C-1,2025-02-01,{},{},tenant got a shock from the stove\n"
    (tmp_path / "register.csv").write_text("building_id,year_built\nB1,1948\n")
    (tmp_path / "one.csv").write_text(head + said.format("open", ""))
    (tmp_path / "two.csv").write_text(head + said.format("dismissed", "2025-03-01"))
    at = ["--workspace", root]
    for name in ("register", "one", "two"):
        assert run("intake", tmp_path / f"{name}.csv", *at).code == 0
    assert run("build", *at).code == 0
    (row,) = run("urgent", "--cleared", *at, "--json").json()
    assert (row["cleared_by"], row["cleared_on"], row["defect"]) == (
        "dismissed", "2025-03-01", "shock",
    )  # fmt: skip
    assert "the paper was dismissed" in run("urgent", "--cleared", *at).out


@pytest.mark.parametrize(
    ("note", "proven"),
    [
        ("plate screw live 118 V to pipe", False),
        ("scorched and hot", False),
        ("tenant got a shock", False),
        ("no scorch marks, nobody got a shock, all in order", True),
        ("new circuit, box seen", True),
    ],
)
def test_a_look_whose_own_note_tells_of_danger_proves_and_clears_nothing(
    place, tmp_path, note, proven
):
    found = run("findings", "list", "--workspace", place.root, "--json").json()
    unit = next(row["unit_id"] for row in found if row["opening_id"] == "K1")
    text = HEAD + f"H,{unit},K1,circuit_rewired,{PELLWORTH}\n"
    text += f"\n{LOOKS.strip()},note\nH,{unit},K1,2024-08-05,S. Ambrel,{COVER},three_slot,correct,"
    (tmp_path / "fixes.csv").write_text(f'{text}yes,yes,no,correct,0.2,118,"{note}"\n')
    done = run("intake", tmp_path / "fixes.csv", "--by", "Clerk", "--workspace", place.root)
    assert done.code in (0, 3), done
    assert state(place) == ("repair_proven" if proven else "fix_reported_unproven")
    assert run("build", "--workspace", place.root).code == 0
    urgent = run("urgent", "--workspace", place.root, "--json").json()
    assert [row["opening_id"] for row in urgent] == ([] if proven else ["K1"])


@pytest.mark.parametrize("who", ["0rme, D.", "Dora Orme", "Thea Orme", "D0rothea Orme"])
def test_a_figure_for_a_letter_and_a_short_form_are_one_person(place, tmp_path, who):
    assert fixed(place, tmp_path, [PELLWORTH], who=who) == "fix_reported_unproven"


def test_another_person_of_the_same_surname_proves(place, tmp_path):
    assert fixed(place, tmp_path, [PELLWORTH], who="Walter Orme") == "repair_proven"


def test_a_row_whose_cells_name_another_place_than_its_finding_is_refused(place, tmp_path):
    found = run("findings", "list", "--workspace", place.root, "--json").json()
    finding = next(row for row in found if row["opening_id"] == "K1")
    path = tmp_path / "fixes.csv"
    head = "finding_id,building_id,unit_id,opening_id,remedy,fixed_on,firm,worker\n"
    path.write_text(
        f"{head}{finding['finding_id']},H,{finding['unit_id']},S1,circuit_rewired,{PELLWORTH}\n"
    )
    done = run("intake", path, "--by", "Clerk", "--workspace", place.root)
    assert state(place) != "fix_reported_unproven"
    assert "K1" in done.out + done.err


@pytest.mark.parametrize(
    "words",
    [("pause", "--reason", "other", "--note", " "), ("dismiss", "--reason", " "), ("comment", " ")],
)
def test_a_blank_text_is_refused_in_words(place, words):
    found = run("findings", "list", "--workspace", place.root, "--json").json()
    name, *rest = words
    done = run("findings", name, found[0]["finding_id"], *rest, "--workspace", place.root)
    assert done.code == 2 and "Coverplate itself" not in done.err

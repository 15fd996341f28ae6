"""Small files that are typed together come out as if they had been taken in one after the other."""

from __future__ import annotations

import datetime as dt
import random
import time
from pathlib import Path

import pytest

from pipeline.landing import IntakeReport, Workspace, intake
from shared.faults import CoverplateError
from tests.landing.landed import HEADER, TODAY, query

pytestmark = pytest.mark.slow


MOST_GROWTH = 6.0
"""Four times the files may cost so many times the processor time; a cost that grows with the square
of their number gives sixteen."""

VIEWS = {
    "looks": "SELECT * EXCLUDE (_part) FROM opening_observations_current",
    "history": "SELECT * EXCLUDE (_part, superseded_by_part) FROM observations_history",
    "register": "SELECT * EXCLUDE (_part) FROM building_register_current",
    "aside": "SELECT * EXCLUDE (_part, sha256, root_sha256) FROM quarantine",
    "quality": "SELECT * EXCLUDE (_part) FROM data_quality",
}


def delivery(folder: Path, seed: int, files: int) -> list[Path]:
    """Invented files of a few layouts: rows that repeat, replace, contradict and fail; dates whose
    order only the file itself tells; two sources that name the same buildings."""
    rng = random.Random(seed)
    folder.mkdir()
    made = []
    for number in range(files):
        lines = []
        sort = rng.choice(["looks", "looks", "dmy", "register"])
        for _ in range(rng.randrange(1, 14)):
            building = f"B{rng.randrange(4)}"
            if sort == "register":
                year = rng.choice(["1950", "1951", "c. 1928", ""])
                lines.append(f"{building},{rng.choice('MN')},{year},{rng.randrange(1, 3)}")
                continue
            day = dt.date(2024, 3, 13 + rng.randrange(3))
            said = day.isoformat() if sort == "looks" else day.strftime("%d/%m/%Y")
            result = rng.choice(["correct", "correct", "open_ground", "open_ground", "gremlins"])
            method = rng.choice(["three_lamp_tester", "cover_off_inspection"])
            slots = rng.choice(["three_slot", "two_slot", "✓"])
            lines.append(
                f"{building},1A,hall,{rng.randrange(3)},{said},Ada,{method},random,{slots},{result}"
            )
        head = HEADER if sort != "register" else "building_id,name,year_built,dwelling_units"
        stem = rng.choice(["north", "south"]) + rng.choice(["_2024-05", "_2024-06", ""])
        path = folder / f"{number:03}" / f"{stem}.csv"
        path.parent.mkdir()
        path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
        made.append(path)
    return made


def plain(report: IntakeReport) -> dict[str, object]:
    """A report as it must be either way.

    That one file of a call takes the place of rows of another is told of files of one call only:
    later it may be a correction.
    """
    findings = [each for each in report.findings if each.kind != "contradicting_rows"]
    return report.model_dump(exclude={"path", "findings"}) | {"findings": findings}


@pytest.mark.parametrize("seed", range(2))
def test_together_is_the_same_as_one_after_the_other(tmp_path: Path, seed: int) -> None:
    paths = delivery(tmp_path / "in", seed, 16)
    together, apart = Workspace(tmp_path / "together"), Workspace(tmp_path / "apart")
    at_once = intake(together, paths, today=TODAY)
    one_by_one = [report for path in paths for report in intake(apart, [path], today=TODAY)]
    assert [plain(report) for report in at_once] == [plain(report) for report in one_by_one]
    assert any(report.quarantined for report in at_once)
    assert any(report.superseded for report in at_once)
    assert any(report.duplicate for report in at_once)
    for name, sql in VIEWS.items():
        rows = [query(place, f"{sql} ORDER BY ALL") for place in (together, apart)]
        assert rows[0] == rows[1], name
        assert rows[0] or name == "quality"


def test_one_refused_file_of_many_leaves_nothing_and_every_fault_is_told(tmp_path: Path) -> None:
    paths = delivery(tmp_path / "in", 9, 12)
    row = "B1,1A,hall,1,{},Ada,three_lamp_tester,random,three_slot,correct\n"
    for number in (3, 7):
        paths[number].write_text(f"{HEADER}\n{row.format('03/04/2024')}")  # either order
    workspace = Workspace(tmp_path / "w")
    with pytest.raises(CoverplateError) as refused:
        intake(workspace, paths, today=TODAY)
    assert str(refused.value).count("every date fits") == 2
    assert not workspace.manifests()
    assert not list(workspace.scratch.iterdir())


@pytest.mark.timed
def test_the_cost_of_a_small_file_does_not_grow_with_their_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spent: dict[int, float] = {}
    row = "B{0},1A,hall,{1},2024-03-05,Ada,three_lamp_tester,random,three_slot,correct"
    for files in (20, 100, 400):  # the first warms up
        folder = tmp_path / str(files)
        folder.mkdir()
        for number in range(files):
            lines = [row.format(number, opening) for opening in range(100)]
            (folder / f"{number}.csv").write_text("\n".join([HEADER, *lines]) + "\n")
        began = time.process_time()
        intake(Workspace(tmp_path / f"w{files}"), [folder], today=TODAY)
        spent[files] = time.process_time() - began
    ratio = spent[400] / spent[100]
    with capsys.disabled():
        print(f"\nfiles of 100 rows, processor seconds: {spent}, growth {ratio:.2f}")  # noqa: T201 - the figure is the point
    assert ratio <= MOST_GROWTH

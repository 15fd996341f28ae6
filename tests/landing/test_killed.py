"""An intake, a re-reading or a repair that is killed at any step leaves all of it or none.

The kills run in a process of their own (``python -m tests.landing.test_killed SCENE FOLDER SEED
COUNT``), which forks before it has opened a database: threads and forks do not go together.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.landing import Workspace, intake, logbook, save_mapping
from pipeline.landing.integrity import check
from pipeline.landing.propose import propose_mapping
from pipeline.landing.recovery import half_done
from pipeline.warehouse.soundness import prepare
from tests.landing.killed import steps_of
from tests.landing.landed import CSV, HEADER, ROWS, TODAY, query

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this platform")

FORCE = (
    "SELECT * EXCLUDE (_part, _row) FROM opening_observations_current ORDER BY ALL",
    "SELECT * FROM landed_outcomes ORDER BY ALL",
    "SELECT path, accepted, duplicate, superseded, quarantined FROM landed_files ORDER BY ALL",
)
CREW_HEADER = "Bldg,Apt,Location,Outlet No,Inspection Date,Tested By,Test Method,Slots,Finding"
CREW = (
    "B007,1A,kitchen,001,05.03.2024,Ada,three lamp tester,three slot,open ground",
    "B007,1A,hall,002,06.03.2024,Ada,three lamp tester,two slot,open ground",
)


def in_force(workspace):
    return [query(workspace, sql) for sql in FORCE]


def csv(*rows):
    return "\n".join([HEADER, *rows]) + "\n"


def land(workspace, inbox, *names):
    intake(workspace, [inbox / name for name in names], today=TODAY)


class NewFiles:
    """Three files in one call, the second of which supersedes rows of what was there."""

    @staticmethod
    def prepare(workspace, inbox):
        (inbox / "first.csv").write_text(CSV, encoding="utf-8")
        later = ROWS[1].replace("open_ground", "no_power")
        (inbox / "a.csv").write_text(csv(ROWS[0], later), encoding="utf-8")
        (inbox / "b.csv").write_text(csv(later, ROWS[0].replace("001", "003")), encoding="utf-8")
        (inbox / "c.csv").write_text(csv(ROWS[0].replace("001", "004")), encoding="utf-8")
        land(workspace, inbox, "first.csv")

    @staticmethod
    def work(workspace, inbox):
        land(workspace, inbox, "a.csv", "b.csv", "c.csv")


class ReadAgain:
    """A file is read anew with an edited mapping, and files after it hang on it."""

    @staticmethod
    def prepare(workspace, inbox):
        table = [CREW_HEADER.split(","), *(row.split(",") for row in CREW)]
        mapping = propose_mapping(table[0], table[1:], name="crew").mapping
        mapping = mapping.model_copy(update={"date_order": "mdy"})
        path = save_mapping(workspace, mapping)
        (inbox / "crew.csv").write_text("\n".join([CREW_HEADER, *CREW]) + "\n", encoding="utf-8")
        clear = [row.replace("05.03.2024", "2024-05-03") for row in CREW]
        (inbox / "d.csv").write_text("\n".join([CREW_HEADER, *clear]) + "\n", encoding="utf-8")
        (inbox / "e.csv").write_text("\n".join([CREW_HEADER, clear[0]]) + "\n", encoding="utf-8")
        for name in ("crew.csv", "d.csv", "e.csv"):
            land(workspace, inbox, name)
        text = path.read_text(encoding="utf-8")
        assert '"mdy"' in text
        path.write_text(text.replace('"mdy"', '"dmy"'), encoding="utf-8")

    @staticmethod
    def work(workspace, inbox):
        land(workspace, inbox, "crew.csv")


class Repair:
    """Two damaged files are derived anew."""

    @staticmethod
    def prepare(workspace, inbox):
        NewFiles.prepare(workspace, inbox)
        NewFiles.work(workspace, inbox)
        for manifest in workspace.manifests()[:2]:
            file = workspace.folder(manifest.sha256) / manifest.parts[0].file
            file.write_bytes(file.read_bytes()[:-9])

    @staticmethod
    def work(workspace, inbox):
        check(workspace, repair=True)


SCENES = {scene.__name__: scene for scene in (NewFiles, ReadAgain, Repair)}


def kills(scene, folder, seed, count):
    """Kill the scene's work before ``count`` of its steps (0: all), each on a copy of its own.

    The copies stay as the kills left them; what is printed is how many steps there are, and which
    were taken.
    """
    template, inbox = folder / "template", folder / "inbox"

    def copied(name):
        shutil.copytree(template, folder / name)
        return Workspace(folder / name)

    whole = copied("whole")
    steps = steps_of(lambda: scene.work(whole, inbox), whole.root)
    assert steps is not None and steps > 10
    chosen = range(1, steps + 1)
    if count:
        chosen = sorted(random.Random(seed).sample(chosen, min(count, steps)))
    for step in chosen:
        hurt = copied(f"step-{step}")
        assert steps_of(lambda: scene.work(hurt, inbox), hurt.root, step) is None  # noqa: B023
    sys.stdout.write(json.dumps([steps, *chosen]))


def killed(name, folder, count, seed=8):
    """Prepare a scene, run its kills apart, and return what was in force before and after and every
    workspace that a kill left, by its step."""
    scene = SCENES[name]
    (folder / "inbox").mkdir()
    template = Workspace(folder / "template")
    scene.prepare(template, folder / "inbox")
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-m", "tests.landing.test_killed", name, folder, str(seed), str(count)],
        cwd=root, env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    steps, *chosen = json.loads(done.stdout)
    assert len(chosen) == (min(count, steps) if count else steps)
    return template, Workspace(folder / "whole"), {n: folder / f"step-{n}" for n in chosen}


def check_all_or_none(name, folder, count):
    template, whole, left = killed(name, folder, count)
    # A damaged part cannot be asked; what the repair is to give is what stood before the damage.
    after = in_force(whole)
    before = after if name == "Repair" else in_force(template)
    assert (before == after) == (name == "Repair")
    ended = set()
    for step, root in left.items():
        workspace = Workspace(root)
        if step % 2:
            prepare(workspace)  # what a build does first
        else:
            check(workspace, repair=True)
        found = in_force(workspace)
        assert found in (before, after), f"step {step}"
        ended.add(found == after)
        assert {each.verdict for each in check(workspace)} == {"whole"}, f"step {step}"
        book = logbook.read(workspace)
        assert not book.breaks and not book.torn and not half_done(workspace)
        SCENES[name].work(workspace, folder / "inbox")
        assert in_force(workspace) == after, f"step {step}"
        assert {each.verdict for each in check(workspace)} == {"whole"}
        assert list(workspace.scratch.iterdir()) == []
        shutil.rmtree(root)
    return ended


@pytest.mark.slow
@pytest.mark.parametrize("name", SCENES)
def test_killed_at_seeded_steps_all_or_none_is_left(name, tmp_path):
    check_all_or_none(name, tmp_path, 2)


@pytest.mark.long
@pytest.mark.parametrize("name", SCENES)
def test_killed_at_every_step_all_or_none_is_left(name, tmp_path):
    ended = check_all_or_none(name, tmp_path, 0)
    assert ended == ({True} if name == "Repair" else {True, False})


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this platform")
def test_parts_of_two_readings_are_told_and_derived_anew(tmp_path):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    workspace = Workspace(tmp_path / "workspace")
    NewFiles.prepare(workspace, inbox)
    before = in_force(workspace)
    (manifest,) = workspace.manifests()
    folder = workspace.folder(manifest.sha256)
    part = manifest.parts[0].part
    # What another reading would have left: its typed rows, and a list of rows set aside.
    shutil.copy(folder / "outcomes.parquet", folder / f"{part}.parquet")
    shutil.copy(folder / "outcomes.parquet", folder / f"{part}.quarantine.parquet")
    (found,) = check(workspace)
    assert found.verdict == "damaged"
    assert "not of this reading" in found.found and "was changed" in found.found
    assert [each.verdict for each in check(workspace, repair=True)] == ["rebuilt"]
    assert in_force(workspace) == before
    assert [each.verdict for each in check(workspace)] == ["whole"]


if __name__ == "__main__":
    kills(SCENES[sys.argv[1]], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))

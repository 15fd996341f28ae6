"""A proof holds while what it rests on does: its look, the report of its repair, its ledger."""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from tests.cli.running import Outcome, run

pytestmark = pytest.mark.slow

LIVE = {
    "observed_on": "2026-03-02", "inspector": "Ada Quill", "method": "cover_off_inspection",
    "result": "reversed_false_ground", "cover_removed": "yes", "neutral_ground_jumper": "yes",
    "polarity": "reversed", "slots": "three_slot",
}  # fmt: skip
PROOF = {
    "observed_on": "2026-03-12", "inspector": "Sally Ambrel", "firm_of_inspector": "Quillmarsh",
    "method": "cover_off_inspection", "result": "correct", "cover_removed": "yes",
    "ground_present": "yes", "neutral_ground_jumper": "no", "polarity": "correct",
    "ground_path_ohms": "0.2", "slots": "three_slot",
}  # fmt: skip
FIX = {
    "family": "false_ground", "remedy": "grounding_conductor_added", "fixed_on": "2026-03-07",
    "firm": "Pellworth Electric", "worker": "Dorothea Orme", "cost": "100",
}  # fmt: skip


class Story:
    """A workspace and what is handed in to it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.root = folder, folder / "own"
        folder.mkdir(exist_ok=True)

    def __call__(self, *words: str) -> Outcome:
        return run(*words, "--workspace", self.root)

    def write(self, name: str, of: dict[str, dict[str, Any]]) -> Path:
        """Write a file, a row a building."""
        rows = [{"building_id": b, "unit_id": "1", "opening_id": "1", **row}
                for b, row in of.items()]  # fmt: skip
        path = self.folder / name
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(dict.fromkeys(key for row in rows for key in row)))
            writer.writeheader()
            writer.writerows(rows)
        return path

    def take(self, name: str, of: dict[str, dict[str, Any]]) -> None:
        """Take a file in, a row a building, and bring warehouse and findings up to it."""
        path = self.write(name, of)
        self.taken = self("intake", str(path))
        assert self.taken.code in (0, 3), self.taken.err
        self.built = self("build")
        assert self.built.code == 0, self.built.err
        assert self("findings", "sync").code == 0

    @property
    def states(self) -> dict[str, str]:
        """State of the finding of each building."""
        rows = self("findings", "list", "--all", "--json").json()
        return {r["building_id"]: r["state"] for r in rows if r["family"] == "false_ground"}

    @property
    def urgent(self) -> set[str]:
        return {row["building_id"] for row in self("urgent", "--json").json()}

    def build(self) -> None:
        assert self("build").code == 0

    def copy(self, folder: Path) -> Story:
        """As it is now, with what its last commands said."""
        shutil.copytree(self.root, folder / "own")
        other = Story(folder)
        vars(other).update({k: v for k, v in vars(self).items() if k not in vars(other)})
        return other

    def proven(self, buildings: Iterable[str]) -> Story:
        """The same after live metal, its repair and its proof at each building."""
        self.take("found.csv", dict.fromkeys(buildings, LIVE))
        assert self.urgent == {*buildings}
        self.take("fixes_2026-03-10.csv", dict.fromkeys(buildings, FIX))
        self.take("proofs_2026-03-20.csv", dict.fromkeys(buildings, PROOF))
        assert self.states == dict.fromkeys(buildings, "repair_proven")
        self.build()
        assert not self.urgent
        return self


WHO = {name: PROOF[name] for name in ("observed_on", "inspector", "firm_of_inspector")}
BLIND = {name: PROOF[name] for name in ("method", "result", "slots")}
BACK = {**WHO, "method": "cover_off_inspection", "result": "not_accessible"}
LAMPS = {"observed_on": "2026-03-21", "inspector": "Bo Quay", "method": "three_lamp_tester",
         "result": "correct", "slots": "three_slot"}  # fmt: skip

LOOKS = {
    "proofs_2026-03-25.csv": {
        "taken back": BACK,
        "not tested": BACK | {"result": "not_tested"},
        "not opened": {**WHO, **BLIND, "cover_removed": "no"},
        "lamps twice": LAMPS,
        "new": LIVE,
    },
    "proofs_2026-03-30.csv": {
        "taken back": LAMPS,  # the proof is in doubt already
        "not opened": PROOF,  # the look as it was, once more: the proof stands again
        "taken back late": BACK,
        "lamps twice": LAMPS | {"inspector": "Cy Fenn"},
    },
}
REPORTS = [
    {
        "after": FIX | {"fixed_on": "2026-03-14"},  # after the look
        "looker": FIX | {"worker": "Sally Ambrel"},  # by the very person who looked
        "firm": FIX | {"firm": "Quillmarsh", "worker": ""},  # by the firm of who looked
        "earlier": FIX | {"fixed_on": "2026-03-06"},  # perhaps an earlier repair
    },
    # a correction after which the same look still proves; who worked by any report has worked
    {"after": FIX | {"fixed_on": "2026-03-08"}, "looker": FIX | {"worker": "Peter Lund"}},
]
"""What comes in again after the proofs: looks, then reports of repairs; twice."""

OF_LOOKS = ("taken back", "not tested", "not opened", "taken back late", "lamps twice", "untouched")
OF_REPORTS = ("after", "looker", "firm", "earlier", "as it was")


@pytest.fixture(scope="module")
def stages(tmp_path_factory: pytest.TempPathFactory) -> list[Story]:
    """Proven repairs, and the same after each delivery: copies, which nothing takes in any more."""
    folder = tmp_path_factory.mktemp("proofs")
    story = Story(folder / "own").proven((*OF_LOOKS, *OF_REPORTS))
    found = [story.copy(folder / "0")]
    for number, (name, of) in enumerate(LOOKS.items(), 1):
        fixes = story.write("fixes_2026-03-25.csv", REPORTS[number - 1])
        tried = story("intake", str(story.write(name, of)), "--try", "--json").json()
        reported = story("intake", str(fixes))
        assert reported.code in (0, 3), reported.err
        story.take(name, of)
        found.append(story.copy(folder / str(number)))
        found[-1].tried, found[-1].reported = tried, reported
    return found


def _of(story: Story, buildings: Iterable[str]) -> dict[str, str]:
    return {name: state for name, state in story.states.items() if name in buildings}


def test_a_look_that_was_taken_back_proves_no_more(stages: list[Story], tmp_path: Path) -> None:
    _, story, later = stages
    gone = {"taken back", "not tested", "not opened"}
    assert story.urgent & {*OF_LOOKS} == gone
    assert "3 proofs in doubt" in story.built.out + story.built.err
    rows = story("findings", "list", "--all", "--json").json()
    doubted = {r["building_id"]: (bool(r["proof_in_doubt"]), r["urgent"]) for r in rows
               if r["family"] == "false_ground" and r["building_id"] in OF_LOOKS}  # fmt: skip
    assert doubted == {name: (name in gone, name in gone) for name in OF_LOOKS}
    here = [r for r in rows if r["building_id"] == "not opened"]
    (finding,) = (r["finding_id"] for r in here if r["family"] == "false_ground")
    assert "Proof in doubt" in story("findings", "show", finding).err
    key = tmp_path / "key.pem"
    assert run("certificate", "key", key).code == 0
    made = story("certificate", "make", "not opened", "1", "--unit", "1", "--key", str(key),
                 "-o", str(tmp_path / "c.json"))  # fmt: skip
    assert made.code != 0 and "stands in no export as it was judged" in made.err
    assert later.urgent & {*OF_LOOKS} == gone - {"not opened"} | {"taken back late"}


def test_what_an_intake_foretells_is_urgent_after_the_build(stages: list[Story]) -> None:
    news = []
    for story, of in zip(stages[1:], LOOKS.values(), strict=True):
        urgent = story.urgent
        counts = {row["building_id"]: row["urgent_openings"] for row in story.tried}
        assert counts == {each: int(each in urgent) for each in of}
        news.append({row["building_id"] for row in story.tried if row["newly_urgent"]})
    assert news == [{"taken back", "not tested", "not opened", "new"}, {"taken back late"}]
    assert "new" in stages[-1].urgent


def test_a_corrected_report_of_a_repair_opens_it_again(stages: list[Story]) -> None:
    _, story, later = stages
    open_again = dict.fromkeys(("after", "looker", "firm"), "fix_reported_unproven")
    proven = dict.fromkeys(("earlier", "as it was"), "repair_proven")
    assert _of(story, OF_REPORTS) == open_again | proven
    assert story.reported.out.count("this report of it says otherwise") == 3
    (aside,) = story("quarantine", "list", "--json").json()
    (reason,) = aside["reasons"]
    assert reason["column"] == "fixed_on" and "2026-03-07" in reason["expected"]
    assert _of(later, OF_REPORTS) == open_again | {"after": "repair_proven"} | proven
    assert later("ledger", "verify").code == 0


def test_the_ledger_of_another_workspace_is_not_built_with(
    stages: list[Story], tmp_path: Path
) -> None:
    mine, other = Story(tmp_path / "mine"), stages[0]
    mine.take("found.csv", {"A": LIVE})
    mine.build()
    kept = tmp_path / "kept"
    shutil.copytree(mine.root / "ledger", kept)
    shutil.rmtree(mine.root / "ledger")
    shutil.copytree(other.root / "ledger", mine.root / "ledger")
    assert mine("ledger", "verify").code != 0
    for _ in range(2):
        refused = mine("build")
        assert refused.code == 2 and "is not the one that this workspace had" in refused.err
    assert mine.urgent == {"A"}
    assert mine("ledger", "verify").code != 0 and mine("check").code != 0
    # following the advice: its own from a copy, or the other on purpose
    backup = tmp_path / "backup"
    assert mine("ledger", "backup", str(backup)).code == 0
    shutil.rmtree(mine.root / "ledger")
    shutil.copytree(kept, mine.root / "ledger")
    assert mine("build").code == 0 and mine.urgent == {"A"}
    shutil.rmtree(mine.root / "ledger")
    restored = mine("ledger", "restore", str(backup))
    assert restored.code in (0, 3), restored.err
    again = mine("build")
    assert again.code == 0, again.err


SENT_AGAIN = {
    "looker": PROOF | {"inspector": "Dorothea Orme", "firm_of_inspector": "Pellworth Electric"},
    "method": {**WHO, **BLIND, "method": "three_lamp_tester"},
    "day": PROOF | {"observed_on": "2026-03-06"},  # before the repair
    "day and ohms": PROOF
    | {"observed_on": "2026-03-06", "inspector": "S. Ambrel", "ground_path_ohms": "0.3"},
    "volts": {
        **WHO,
        **BLIND,
        "method": "voltmeter_under_load",
        "hot_neutral_volts": "120",
        "neutral_ground_volts": "1",
        "load_amps": "10",
    },
    "later": PROOF | {"observed_on": "2026-03-19", "ground_path_ohms": "0.3"},  # another look
    "somebody else": PROOF | {"inspector": "Bo Quay"},  # who proves it as well
    "untouched": PROOF,
}
"""What the very file of the proofs says when it comes again."""


def test_who_looked_and_when_and_how_is_taken_back_too(tmp_path: Path) -> None:
    story = Story(tmp_path / "own").proven((*SENT_AGAIN, "left out"))
    key, paper = tmp_path / "key.pem", tmp_path / "looker.json"
    assert run("certificate", "key", key).code == 0
    make = ("certificate", "make", "looker", "1", "--unit", "1", "--key", str(key), "-o")
    check = ("certificate", "check", str(paper), "--key", f"{key}.pub")
    assert story(*make, str(paper)).code == 0
    story.take("proofs_2026-03-20.csv", SENT_AGAIN)
    gone = {"looker", "method", "day", "day and ohms", "volts"}
    # a look that is able to tell clears what was reported
    assert story.urgent == {"method", "volts"}
    assert "5 proofs in doubt" in story.built.out + story.built.err
    rows = story("findings", "list", "--all", "--json").json()
    assert {r["building_id"] for r in rows if r["proof_in_doubt"]} == gone
    digest = story("findings", "digest", "--json").json()
    assert {r["building_id"] for r in digest if r["section"] == "doubted"} == gone
    assert "another row has taken the place of a look since" in story(*check).err
    refused = story(*make, str(tmp_path / "new.json"))
    assert refused.code == 2 and "stands in no export as it was judged" in refused.err
    # taken back by a person, no look that its file holds no more proves it again
    (finding,) = (r["finding_id"] for r in rows
                  if r["building_id"] == "looker" and r["proof_in_doubt"])  # fmt: skip
    assert story("findings", "reopen", finding, "--reason", "the repairer looked").code == 0
    story.take("fixes_2026-03-30.csv", {"looker": FIX | {"fixed_on": "2026-03-08"}})
    assert story.states["looker"] == "fix_reported_unproven"
    assert "another look in its place" in story("fix", "unproven").out
    # its rows as they were, once more
    story.take("proofs_2026-03-20.csv", dict.fromkeys(("left out", *SENT_AGAIN), PROOF))
    assert story.states["looker"] == "repair_proven"
    story.build()
    assert not story.urgent and story("ledger", "verify").code == 0

"""A certificate names open papers of danger that may mean its opening, and papers since."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.ledger.opening_certificate import read_private, write_certificate
from tests.cli.running import Outcome, run

pytestmark = pytest.mark.slow

LOOKS = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,slots,result,cover_removed,"
    "ground_present,neutral_ground_jumper,polarity,hot_neutral_volts,case_earth_volts,"
    "ground_contact_earth_volts\n"
)
SOUND = "cover_off_inspection,three_slot,correct,yes,yes,no,correct"
PAPERS = "building_id,unit_id,report_kind,reference,reported_on,status,description\n"


class Case:
    """A workspace, a key, and certificates of openings."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.at = folder, ("--workspace", folder / "w")
        self.key = folder / "h.pem"
        assert run("certificate", "key", self.key).code == 0

    def take(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text)
        for step in (("intake", self.folder / name), ("build",), ("findings", "sync"), ("build",)):
            done = run(*step, *self.at)
            assert done.code in (0, 3), done.err

    def make(self, building: str, *unit: str) -> str:
        words = ("--unit", unit[0]) if unit else ()
        self.paper = self.folder / f"{building}.json"
        done = run("certificate", "make", building, "1", *words, "--key", self.key,
                   "-o", self.paper, *self.at)  # fmt: skip
        assert done.code == 0, done.err
        return " ".join(done.out.split())

    def check(self, *more: object) -> Outcome:
        return run("certificate", "check", self.paper, "--key", f"{self.key}.pub", *more)


def test_a_paper_that_may_mean_the_opening_is_named_until_it_is_answered(tmp_path: Path) -> None:
    case = Case(tmp_path)
    places = ("own,1", "house,1", "other,1", "closed,1", "quiet,1")
    case.take("looks.csv", LOOKS + "".join(f"{p},1,2024-05-01,Ada Orme,{SOUND},,,\n"
                                           for p in places))  # fmt: skip
    shock = "Tenant got a shock from the refrigerator"
    case.take(
        "papers.csv",
        f"{PAPERS}own,1,complaint,C-1,2024-05-03,open,{shock}\n"
        f"house,,work_order,W-2,2024-05-03,closed,{shock}\n"
        f"other,2,complaint,C-3,2024-05-03,open,{shock}\n"
        f"closed,1,complaint,C-4,2024-05-03,dismissed,{shock}\n"
        "quiet,1,complaint,C-5,2024-05-03,open,Outlet cover is missing\n",
    )
    nothing = "No finding stands on record there"
    said = (
        "A complaint of 2024-05-03, C-1, speaks of a shock and names no opening; it may mean this "
        "one and is not answered."
    )
    made = case.make("own", "1")
    assert said in made and nothing not in made
    for more in ((), case.at):
        told = case.check(*more)
        assert told.code == 0 and said in " ".join(told.out.split()) and nothing not in told.out
    made = case.make("house", "1")
    assert "A work order of 2024-05-03, W-2, speaks of a shock and names neither dwelling" in made
    for building in ("other", "closed", "quiet"):
        assert nothing in case.make(building, "1")
    # a signer who leaves it out is told by who holds the exports
    case.make("own", "1")
    content = json.loads(case.paper.read_text())
    content["may_mean_it"].clear()
    write_certificate(
        {k: v for k, v in content.items() if k not in ("signed_by", "signature")},
        read_private(case.key), case.paper,
    )  # fmt: skip
    told = case.check(*case.at)
    assert told.code == 2 and "an open paper is not in it that had landed" in told.out
    # answered by a look at every opening that it can mean
    case.take("later.csv", f"{LOOKS}own,1,1,2024-05-09,Ada Orme,{SOUND},120,0.2,0.2\n")
    assert nothing in case.make("own", "1")
    assert case.check(*case.at).code == 0
    # one that comes afterwards is told as such
    case.take("more.csv", f"{PAPERS}own,1,complaint,C-9,2024-06-01,open,{shock}\n")
    told = case.check(*case.at)
    assert told.code == 0 and "had not landed by its word: A complaint of 2024-06-01" in told.err

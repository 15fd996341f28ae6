"""Work reported at what only a paper reported, and the looks that end it, from file to screen."""

from __future__ import annotations

import pytest
from urgent_rows import BOX_SEEN, look, take_in

from pipeline.landing import Workspace
from tests.cli.running import run

pytestmark = pytest.mark.slow


PAPERS = "building_id,unit_id,report_kind,reference,reported_on,status,description\n"
CITED = "H,1,citation,V-1,2024-05-20,open,three-slot outlets without a ground\n"
AFTER_WORK = 120


@pytest.fixture
def place(tmp_path):
    """Two openings passed by the lamps; a citation of their dwelling; work reported there."""
    place = Workspace(tmp_path / "w")
    take_in(place, tmp_path, "lamps.csv", [look(opening="1"), look(opening="2")])
    (tmp_path / "papers.csv").write_text(PAPERS + CITED)
    assert run("intake", tmp_path / "papers.csv", "--workspace", place.root).code == 0
    follow(place)
    (finding,) = listed(place)
    assert finding["opening_id"] == "" and finding["unit_id"] == "1"
    done = run(
        *("fix", "report", finding["finding_id"], "--remedy", "circuit_rewired"),
        *("--on", "2024-08-01", "--firm", "Pellworth Ltd", "--worker", "Dorothea Orme"),
        *("--by", "Clerk", "--workspace", place.root),
    )
    assert done.code == 0, done
    return place


def follow(place):
    for words in (("build",), ("findings", "sync")):
        done = run(*words, "--workspace", place.root)
        assert done.code == 0, done


def listed(place):
    rows = run("findings", "list", "--all", "--workspace", place.root, "--json").json()
    return [row for row in rows if row["family"] == "no_ground" and not row["opening_id"]]


def looked(place, tmp_path, name, *rows):
    seen = BOX_SEEN | {"ground_present": "yes", "inspector": "S. Ambrel"}
    take_in(
        place, tmp_path, name, [look(opening=o, **(seen | more)) | day for o, day, more in rows]
    )
    follow(place)
    (finding,) = listed(place)
    return finding["state"]


def on(day):
    return {"observed_on": day}


def test_looks_at_all_openings_after_the_work_end_it(place, tmp_path):
    assert listed(place)[0]["state"] == "fix_reported_unproven"
    assert looked(place, tmp_path, "a.csv", ("1", on("2024-08-20"), {})) == "fix_reported_unproven"
    assert looked(place, tmp_path, "b.csv", ("2", on("2024-08-21"), {})) == "no_longer_indicated"
    (finding,) = listed(place)
    told = run("findings", "show", finding["finding_id"], "--workspace", place.root).out
    assert "opened after the reported work" in told
    assert run("ledger", "verify", "--workspace", place.root).code == 0


@pytest.mark.parametrize(
    ("day", "who"),
    [
        ("2024-07-20", {}),
        ("2024-08-01", {}),
        ("2024-08-20", {"inspector": "D. Orme"}),
        ("2024-08-20", {"inspector": "Pellworth Ltd"}),
    ],
    ids=["before the work", "on its day", "by the worker", "by the firm"],
)
def test_no_other_look_ends_it(place, tmp_path, day, who):
    rows = (("1", on("2024-08-20"), {}), ("2", on(day), who))
    assert looked(place, tmp_path, "a.csv", *rows) == "fix_reported_unproven"


def test_a_second_paper_that_nobody_answered_keeps_it(place, tmp_path):
    (tmp_path / "more.csv").write_text(
        PAPERS + "H,1,complaint,C-7,2024-09-01,open,outlet in hall has no ground\n"
    )
    assert run("intake", tmp_path / "more.csv", "--workspace", place.root).code == 0
    rows = (("1", on("2024-08-20"), {}), ("2", on("2024-08-20"), {}))
    assert looked(place, tmp_path, "a.csv", *rows) == "fix_reported_unproven"

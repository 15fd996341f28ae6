"""Work reported at what only a paper reported, and the looks that end it, from file to screen."""

from __future__ import annotations

import pytest
from stages import Stages
from urgent_rows import BOX_SEEN, look

pytestmark = pytest.mark.slow


PAPERS = "building_id,unit_id,report_kind,reference,reported_on,status,description\n"
CITED = "{0},1,citation,V-{0},2024-05-20,open,three-slot outlets without a ground\n"
SEEN = BOX_SEEN | {"ground_present": "yes", "inspector": "S. Ambrel"}
AFTER = "2024-08-20"

OTHER_LOOKS = {
    "before the work": ("2024-07-20", {}),
    "on its day": ("2024-08-01", {}),
    "by the worker": (AFTER, {"inspector": "D. Orme"}),
    "by the firm": (AFTER, {"inspector": "Pellworth Ltd"}),
}
"""Day and reader of the look at the second of two openings."""

NAMES = ("one by one", *OTHER_LOOKS, "second paper")


def _looks(building: str, **of: tuple[str, dict[str, object]]) -> list[dict[str, object]]:
    """Looks at openings of one building."""
    return [
        look(opening=opening.strip("o"), building=building, **(SEEN | more)) | {"observed_on": day}
        for opening, (day, more) in of.items()
    ]


@pytest.fixture(scope="module")
def stories(tmp_path_factory) -> Stages:
    """Two openings passed by the lamps; a citation of their dwelling; work reported there."""
    told = Stages(tmp_path_factory.mktemp("paper-fix"))
    told.land("lamps.csv", [look(opening=o, building=name) for name in NAMES for o in "12"])
    papers = told.folder / "papers.csv"
    papers.write_text(PAPERS + "".join(CITED.format(name) for name in NAMES))
    assert told("intake", papers).code == 0
    told.up("build", "sync")
    told.keep("cited")
    for name in NAMES:
        finding = _finding(told, "cited", name)
        assert finding["opening_id"] == "" and finding["unit_id"] == "1"
        done = told(
            *("fix", "report", finding["finding_id"], "--remedy", "circuit_rewired"),
            *("--on", "2024-08-01", "--firm", "Pellworth Ltd", "--worker", "Dorothea Orme"),
            *("--by", "Clerk"),
        )
        assert done.code == 0, done
    told.keep("reported")
    more = told.folder / "more.csv"
    more.write_text(
        PAPERS + "second paper,1,complaint,C-7,2024-09-01,open,outlet in hall has no ground\n"
    )
    assert told("intake", more).code == 0
    sound = (AFTER, {})
    rows = [
        row for name, second in OTHER_LOOKS.items() for row in _looks(name, o1=sound, o2=second)
    ]
    rows += _looks("second paper", o1=sound, o2=sound) + _looks("one by one", o1=sound)
    told.land("a.csv", rows)
    told.up("build", "sync")
    told.keep("looked")
    told.land("b.csv", _looks("one by one", o2=("2024-08-21", {})))
    told.up("build", "sync")
    told.keep("later")
    return told


def _finding(stories: Stages, stage: str, name: str) -> dict[str, object]:
    rows = stories.of(stage, name, "findings", "list", "--all")
    (found,) = [r for r in rows if r["family"] == "no_ground" and not r["opening_id"]]
    return found


def _state(stories: Stages, stage: str, name: str) -> object:
    return _finding(stories, stage, name)["state"]


def test_looks_at_all_openings_after_the_work_end_it(stories):
    for stage in ("reported", "looked"):
        assert _state(stories, stage, "one by one") == "fix_reported_unproven"
    assert _state(stories, "later", "one by one") == "no_longer_indicated"
    finding = _finding(stories, "later", "one by one")
    told = stories("findings", "show", finding["finding_id"], stage="later").out
    assert "opened after the reported work" in told
    assert stories("ledger", "verify", stage="later").code == 0


@pytest.mark.parametrize("name", OTHER_LOOKS)
def test_no_other_look_ends_it(stories, name):
    assert _state(stories, "looked", name) == "fix_reported_unproven"


def test_a_second_paper_that_nobody_answered_keeps_it(stories):
    assert _state(stories, "looked", "second paper") == "fix_reported_unproven"

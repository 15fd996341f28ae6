"""Facts that bear on fire: from the register's file to reasons and counts, and into no number."""

import pytest

from pipeline.landing import Workspace
from shared.fire_facts import FIRE_FACTS
from shared.records import BUILDING_REGISTER
from tests.cli.running import run

FACTS = "wiring_metal,panel_type,panel_condition,fuses_oversized"
REGISTER = f"""building_id,year_built,dwelling_units,occupants,{FACTS}
B1,1968,4,9,Al,breakers,overheated,
B2,1948,6,12,copper,fuse box,sound,yes
B3,1948,2,3,,,,
"""


@pytest.fixture
def built(tmp_path):
    place = Workspace(tmp_path / "w")
    (tmp_path / "register.csv").write_text(REGISTER)
    assert run("intake", tmp_path / "register.csv", "--workspace", place.root).code == 0
    assert run("build", "--workspace", place.root).code == 0
    return place.root


@pytest.mark.slow
def test_reported_facts_are_told_and_counted(built):
    rows = {row["building_id"]: row for row in run("rank", "--workspace", built, "--json").json()}

    def told(building):
        return [r for r in rows[building]["reasons"] if "Bears on fire" in r]

    assert "aluminum branch wiring; a panel that shows overheating" in told("B1")[0]
    assert "larger than the wire allows" in told("B2")[0]
    assert told("B3") == []
    facts = run("building", "B2", "--workspace", built, "--json").json()[0]["facts"]
    assert facts["panel_type"] == "fuses" and facts["fuses_oversized"] == "yes"
    counts = run("portfolio", "--view", "fire", "--workspace", built, "--json").json()
    assert len(counts) == len(FIRE_FACTS) and all(each["source"] for each in counts)
    by_fact = {row["fact"]: row for row in counts}
    aluminum = by_fact["aluminum branch wiring"]
    assert (aluminum["buildings"], aluminum["not_known"], aluminum["people"]) == (1, 1, 9)
    assert by_fact["fuses or breakers larger than the wire allows"]["dwellings"] == 6


@pytest.mark.slow
def test_they_change_no_number(built, tmp_path):
    plain = tmp_path / "plain"
    bare = [",".join(line.split(",")[:4]) for line in REGISTER.splitlines()]
    (tmp_path / "bare.csv").write_text("\n".join(bare) + "\n")
    assert run("intake", tmp_path / "bare.csv", "--workspace", plain).code == 0
    assert run("build", "--workspace", plain).code == 0

    def numbers(root):
        return [
            (row["building_id"], row["rank"], row["score"], row["burden"], row["contributions"])
            for row in run("rank", "--workspace", root, "--json").json()
        ]

    assert numbers(plain) == numbers(built)


def test_every_fact_names_a_column_and_words_of_the_register():
    for fact in FIRE_FACTS:
        assert set(fact.words) <= set(BUILDING_REGISTER.field(fact.column).choices)

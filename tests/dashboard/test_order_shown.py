"""Files in, build, then the command line and the screens: one order everywhere."""

import re

import pytest
from screens_shown import plate, plates, sound

from pipeline.landing import Workspace
from tests.cli.running import run

REGISTER = """\
building_id,name,year_built,dwelling_units,receptacle_count,occupants,vulnerable_occupants
LIVE,One on live metal,1950,2,24,10,0
CROWD,Many people,1950,6,72,40,20
EMPTY,As many openings and hardly anybody,1950,6,72,3,0
SOUND,Nothing found,2012,6,72,12,0
"""

HEADER = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,slots,result,cover_removed,"
    "neutral_ground_jumper,polarity"
)


def looks():
    """One opening on live metal in LIVE; the same false grounds in CROWD and EMPTY."""
    rows = [HEADER]

    def look(building, opening, result, jumper, polarity="correct"):
        rows.append(
            f"{building},{1 + opening // 12},{opening},2024-05-01,Ada,cover_off_inspection,"
            f"three_slot,{result},yes,{jumper},{polarity}"
        )

    look("LIVE", 0, "reversed_false_ground", "yes", "reversed")
    for opening in range(1, 24):
        look("LIVE", opening, "correct", "no")
    for opening in range(24):
        for building in ("CROWD", "EMPTY"):
            look(
                building, opening, *(("false_ground", "yes") if opening % 2 else ("correct", "no"))
            )
        look("SOUND", opening, "correct", "no")
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("order")
    place = Workspace(folder / "workspace")
    files = {"register.csv": REGISTER, "looks.csv": looks()}
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    for command in (["intake", *(str(folder / name) for name in files)], ["build"]):
        outcome = run(*command, "--workspace", place.root)
        assert outcome.code == 0, outcome.err
    return place


@pytest.mark.slow
def test_command_line_and_screens_agree_on_the_order(built, show):
    rows = run("rank", "--workspace", built.root, "--json").json()
    order = [row["building_id"] for row in rows]
    # As many false grounds, and twenty times the people.
    assert order[0] == "CROWD" and order.index("EMPTY") > 0
    # One opening on live metal outweighs them by score; by burden it counts as one.
    assert order.index("EMPTY") < order.index("LIVE")
    assert [row["building_id"] for row in rows if row["urgent"]] == ["LIVE"]
    by_score = run("rank", "--by", "score", "--workspace", built.root, "--json").json()
    score_order = [row["building_id"] for row in by_score]
    assert score_order.index("LIVE") < score_order.index("EMPTY")
    printed = run("rank", "--workspace", built.root).out.partition("what weighs most")[2]
    places = [printed.index(f" {name} ") for name in order]
    assert places == sorted(places)

    app = show(built, "where_next")
    sound(app)
    table = plate(app, "ranking")
    assert re.findall(r'href="building\?id=(\w+)"', table) == order
    rank = r'(\d+)</span><br><span class="num soft small" title="90 % interval of the rank">'
    told = re.findall(rank + r"(\d+)–(\d+)</span>", table)
    wanted = [(row["rank"], row["rank_low"], row["rank_high"]) for row in rows]
    assert [tuple(map(int, each)) for each in told] == wanted
    app.selectbox(key="order").set_value("score").run()
    sound(app)
    shown = re.findall(r'href="building\?id=(\w+)"', plate(app, "ranking"))
    assert shown == score_order
    for row in rows:
        page = plates(show(built, "building", id=row["building_id"]))
        assert f"{row['rank_low']} to {row['rank_high']} with 90 %" in page
        assert "Buildings stand in order of their burden" in page

"""Old exports that land late and registers that retire buildings, end to end."""

import pytest

from tests.cli.running import run

REGISTER = "building_id,year_built,dwelling_units,receptacle_count\n"
HEADER = (
    "building_id,unit_id,opening_id,observed_on,inspector,method,selection,slots,result,"
    "neutral_ground_jumper,polarity,cover_removed\n"
)
COVER_OFF = ",1,1,2025-02-01,Ada,cover_off_inspection,random,three_slot,"
LIVE = COVER_OFF + "reversed_false_ground,yes,reversed,yes\n"
SOUND = COVER_OFF + "correct,no,correct,yes\n"
PASSED = ",1,1,2025-02-01,Ada,three_lamp_tester,random,three_slot,correct,,,\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("newer")
    workspace = folder / "workspace"

    def take(name, text, *options):
        (folder / name).write_text(text, encoding="utf-8")
        result = run("intake", folder / name, *options, "--workspace", workspace)
        assert result.code in (0, 3), result.err
        return result

    named = "".join(f"B{n},1952,2,8\n" for n in range(1, 7))
    take("reg_2025-01.csv", REGISTER + named)
    take("looks_2025-05.csv", HEADER + "B1" + LIVE + "B2" + SOUND + "B3" + PASSED)
    # an export of before the correction: what it says of B1 is older, of B2 it is worse
    take("looks_2025-03.csv", HEADER + "B1" + SOUND + "B2" + LIVE)
    complaint = "B6,complaint,C-1,2025-04-02,open,tenant shocked by the stove\n"
    take(
        "complaints_2025-05.csv",
        "building_id,report_kind,reference,reported_on,status,description\n" + complaint,
    )
    take("reg_2025-06.csv", REGISTER + "B4,1952,2,8\nB5,1952,2,8\n", "--full-register")
    assert run("build", "--workspace", workspace).code == 0
    return workspace


@pytest.mark.slow
def test_an_older_export_takes_nothing_off_the_urgent_list(place):
    urgent = run("urgent", "--workspace", place, "--json").json()
    assert "B1" in {row["building_id"] for row in urgent}


def test_what_an_older_export_says_in_words_of_danger_is_shown_until_cleared(place):
    """The newer row landed first: no later look cleared what the older one says."""
    urgent = run("urgent", "--workspace", place, "--json").json()
    assert "B2" in {row["building_id"] for row in urgent}


def test_a_full_register_retires_buildings_but_none_with_a_defect(place):
    ranked = {row["building_id"] for row in run("rank", "--workspace", place, "--json").json()}
    assert ranked == {"B1", "B2", "B4", "B5", "B6"}
    retired = run("retired", "--workspace", place, "--json").json()
    assert [(r["building_id"], r["defect_reported"]) for r in retired] == [
        ("B1", True),
        ("B2", True),
        ("B3", False),
        ("B6", True),
    ]
    assert "see `coverplate retired`" in run("rank", "--workspace", place).err
    assert "B3" in run("retired", "--workspace", place).out
    told = run("quality", "--workspace", place, "--json").json()
    assert {r["building_id"] for r in told if r["kind"] == "no_longer_in_register"} == {
        "B1",
        "B2",
        "B6",
    }

"""Where two and three slots mix, end to end: among an invented portfolio's other buildings."""

import shutil

import pytest

from tests.cli.running import run

pytestmark = pytest.mark.slow


HOUSES = ("NO-MIX", "NEXT-CIRCUIT", "SAME-CIRCUIT")
DWELLINGS, CIRCUITS, OPENINGS = 4, 2, 4


def _two_slot(house: str, circuit: int, opening: int) -> bool:
    return {
        "NO-MIX": False,
        "NEXT-CIRCUIT": circuit == 0,
        "SAME-CIRCUIT": opening < 2,
    }[house]


@pytest.fixture(scope="module")
def passed(housing, tmp_path_factory):
    """By house of 1952, mean chance of danger where three lamps said "correct"."""
    folder = tmp_path_factory.mktemp("mixed")
    workspace = folder / "workspace"
    shutil.copytree(housing, workspace)
    register = ["building_id,year_built,dwelling_units,receptacle_count"]
    looks = [
        "building_id,unit_id,circuit_id,opening_id,observed_on,inspector,method,selection,slots,result"
    ]
    for house in HOUSES:
        register.append(f"{house},1952,{DWELLINGS},{DWELLINGS * CIRCUITS * OPENINGS}")
        for dwelling in range(DWELLINGS):
            for circuit in range(CIRCUITS):
                for opening in range(OPENINGS):
                    two = _two_slot(house, circuit, opening)
                    looks.append(
                        f"{house},{dwelling},{dwelling}-{circuit},{dwelling}{circuit}{opening},"
                        "2024-03-01,Ada Fairweather,three_lamp_tester,random,"
                        + ("two_slot,open_ground" if two else "three_slot,correct")
                    )
    for name, lines in (("register", register), ("looks", looks)):
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    files = [folder / "register.csv", folder / "looks.csv"]
    assert run("intake", *files, "--workspace", workspace).code == 0
    assert run("build", "--workspace", workspace).code == 0
    found = {}
    for house in HOUSES:
        rows = run("openings", house, "--workspace", workspace, "--json").json()
        chances = [row["p_dangerous"] for row in rows if row["slots"] == "three_slot"]
        assert len(chances) == DWELLINGS * CIRCUITS * OPENINGS // (1 if house == "NO-MIX" else 2)
        found[house] = sum(chances) / len(chances)
    return found


def test_two_slots_on_the_next_circuit_make_a_pass_suspect(passed):
    """The cable was pulled at one time: no ground there, hardly one here."""
    assert passed["NEXT-CIRCUIT"] > 0.4
    assert passed["NEXT-CIRCUIT"] > passed["NO-MIX"] + 0.1


def test_two_slots_on_the_same_circuit_say_most(passed):
    assert passed["SAME-CIRCUIT"] > 0.9
    assert passed["SAME-CIRCUIT"] > passed["NEXT-CIRCUIT"]

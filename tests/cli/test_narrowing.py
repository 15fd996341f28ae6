"""A list of buildings narrowed on the command line and on screen is the same list."""

import pytest

from pipeline.landing import Workspace
from pipeline.screens import selection, where_next
from pipeline.screens.reader import ScreenReader
from pipeline.screens.selection import Selection
from pipeline.warehouse import store
from pipeline.warehouse.narrowing import EVIDENCE, FINDINGS, SIZES
from tests.cli.running import run

pytestmark = pytest.mark.slow

CASES = [
    (["--search", "court"], {"search": "court"}),
    (["--search", "row tallowgate"], {"search": "row tallowgate"}),
    (["--search", "TALLOWGATE"], {"search": "TALLOWGATE"}),
    (["--era", "unknown"], {"eras": ("unknown",)}),
    (["--era", "before_1940", "--era", "unknown"], {"eras": ("before_1940", "unknown")}),
    *[(["--size", each], {"sizes": (each,)}) for each in SIZES],
    *[(["--evidence", each], {"evidence": (each,)}) for each in EVIDENCE],
    *[(["--found", each], {"findings": (each,)}) for each in FINDINGS],
    (["--found", "urgent", "--found", "confirmed"], {"findings": ("urgent", "confirmed")}),
    (["--dwellings-from", "5", "--dwellings-to", "9"], {"dwellings_from": 5, "dwellings_to": 9}),
    (["--search", "nothing like it"], {"search": "nothing like it"}),
]


@pytest.fixture(scope="module")
def reader(housing):
    place = Workspace(housing)
    return ScreenReader(place, store.current_version(place))


def listed(reader, **narrowed):
    frame = where_next.listed(reader.cursor(), Selection(**narrowed), limit=None)
    return frame["building_id"].tolist()


@pytest.mark.parametrize(("words", "narrowed"), CASES, ids=[" ".join(words) for words, _ in CASES])
def test_command_and_screen_list_the_same_buildings(housing, reader, words, narrowed):
    rows = run("rank", *words, "--workspace", housing, "--json").json()
    assert [row["building_id"] for row in rows] == listed(reader, **narrowed)


def test_the_filters_tell_buildings_apart(reader):
    """None of the cases above compares nothing with nothing unawares."""
    everything = set(listed(reader))
    for column, keys in (("sizes", SIZES), ("evidence", EVIDENCE)):
        parts = [set(listed(reader, **{column: (key,)})) for key in keys]
        assert set().union(*parts) == everything
        assert sum(map(len, parts)) == len(everything)
        assert sum(bool(part) for part in parts) > 1
    urgent, bare = listed(reader, findings=("urgent",)), listed(reader, findings=("none",))
    assert urgent and bare and not set(urgent) & set(bare)
    city = selection.choices(reader.cursor()).cities[0]
    assert set(listed(reader, search=city.lower())) >= set(listed(reader, cities=(city,)))
    assert listed(reader, search=city.lower())
    assert listed(reader, search="row tallowgate") == listed(reader, search="tallowgate row")


def test_owner_manager_city_and_era_come_from_what_there_is(housing, reader):
    there = selection.choices(reader.cursor())
    for flag, column, values in (
        ("--owner", "owners", there.owners),
        ("--manager", "managers", there.managers),
        ("--city", "cities", there.cities),
        ("--era", "eras", tuple(there.eras)),
    ):
        assert values
        for value in values[:3]:
            rows = run("rank", flag, value, "--workspace", housing, "--json").json()
            assert [row["building_id"] for row in rows] == listed(reader, **{column: (value,)})
            assert rows

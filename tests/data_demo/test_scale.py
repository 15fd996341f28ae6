"""Benchmark files have the size, the layout and the structure they claim."""

import duckdb
import pytest

from shared.records import (
    BUILDING_REGISTER,
    LAYOUTS,
    OPENING_OBSERVATIONS,
    SQL_TYPE,
    RecordKind,
    checks,
)
from tests.benchmarks.scale import write_scale_csv


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    return write_scale_csv(
        tmp_path_factory.mktemp("scale"), 300, 20_000, 8, duplicates=200, bad_rows=50
    )


def table(path):
    return duckdb.sql(f"SELECT * FROM read_csv('{path}', all_varchar = true)")


def test_layout_and_counts(files):
    register, observations = table(files.register), table(files.observations)
    assert tuple(register.columns) == BUILDING_REGISTER.columns
    assert tuple(observations.columns) == OPENING_OBSERVATIONS.columns
    assert len(register) == 300
    assert len(observations) == files.rows == 20_000
    assert len(observations.filter("method = 'screwdriver'")) == files.bad_rows
    repeated = len(observations) - len(observations.distinct())
    assert repeated == files.duplicates
    assert sorted(path.name for path in files.register.parent.iterdir()) == [
        "observations.csv",
        "register.csv",
    ]


def test_only_the_declared_rows_break_a_rule(files):
    for kind, path, bad in (
        (RecordKind.BUILDING_REGISTER, files.register, 0),
        (RecordKind.OPENING_OBSERVATIONS, files.observations, files.bad_rows),
    ):
        connection = duckdb.connect()
        types = {field.name: SQL_TYPE[field.type] for field in LAYOUTS[kind].fields}
        connection.sql(f"CREATE TABLE t AS SELECT * FROM read_csv('{path}', columns = {types})")
        broken = " OR ".join(f"({check.fails})" for check in checks(kind))
        assert connection.sql(f"SELECT count(*) FROM t WHERE {broken}").fetchall() == [(bad,)]


def test_false_grounds_are_found_with_the_box_open_and_passed_by_lamps(files):
    counts = dict(
        table(files.observations)
        .filter("result = 'false_ground'")
        .aggregate("method, count(*)", "method")
        .fetchall()
    )
    assert counts.get("cover_off_inspection", 0) > 0
    assert "three_lamp_tester" not in counts


def test_circuits_lie_within_dwellings_and_go_along_with_what_is_found(files):
    rows = f"FROM read_csv('{files.observations}', all_varchar = true)"
    circuit = "(building_id, unit_id, circuit_id)"

    def fetched(query):
        return duckdb.sql(query).fetchall()

    assert fetched(f"SELECT 1 {rows} WHERE unit_id IS NULL OR circuit_id IS NULL") == []
    sizes = fetched(f"SELECT count(DISTINCT opening_id) {rows} GROUP BY {circuit}")
    assert 3 <= max(sizes)[0] <= 5
    places = f"SELECT count(DISTINCT {circuit}) {rows} GROUP BY building_id, opening_id"
    assert set(fetched(places)) == {(1,)}
    homes = fetched(
        f"SELECT count(*), count(*) FILTER (neutral_ground_jumper = 'yes') {rows} "
        "WHERE neutral_ground_jumper IS NOT NULL GROUP BY building_id, unit_id"
    )
    overall = sum(found for _, found in homes) / sum(n for n, _ in homes)
    beside = [(n - 1, found - 1) for n, found in homes if found and n > 1]
    assert len(beside) >= 3
    assert sum(found for _, found in beside) / sum(n for n, _ in beside) > 5 * overall


def test_same_seed_same_bytes(files, tmp_path):
    again = write_scale_csv(tmp_path, 300, 20_000, 8, duplicates=200, bad_rows=50)
    assert again.register.read_bytes() == files.register.read_bytes()
    assert again.observations.read_bytes() == files.observations.read_bytes()

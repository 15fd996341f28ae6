"""Whole files are typed and checked in SQL: the cost against DuckDB's bare copy, in the same
run."""

import datetime as dt
import json
import shutil
import time
from pathlib import Path

import duckdb
import pytest

from pipeline.landing import Workspace, intake
from pipeline.landing.arrival import receive
from pipeline.landing.choose import default_mapping
from pipeline.landing.conform import Habits, conform_sql, make_plan
from pipeline.landing.file_order import copied_in_order
from pipeline.landing.raw import RawTable
from pipeline.landing.readers.delimited import quick_relation
from pipeline.landing.readers.json_text import read_json, read_json_lines
from shared.records import LAYOUTS
from shared.vocabulary import RecordKind
from tests.landing.landed import HEADER, TODAY, counts, query

AIM = 1.5
"""Intake with validation within so many times the bare copy: wished for, and missed."""

MOST = 3.8
"""What no change may bring it to. 2.8 to 3.4 was measured (from run to run on one machine, as the
bare copy and the conversions share its memory differently); the figure itself is printed."""


def big_file(path: Path, rows: int) -> Path:
    """Write invented observations in the default layout, in order of building."""
    duckdb.execute(
        f"""COPY (SELECT 'B' || lpad((i // 50)::VARCHAR, 6, '0') AS building_id,
            'U' || ((i // 10) % 5 + 1) AS unit_id,
            ['kitchen', 'bedroom', 'living room', 'bathroom', 'hall'][(i % 5 + 1)::INT] AS room,
            'O' || lpad((i % 50)::VARCHAR, 3, '0') AS opening_id, 'C' || (i % 7) AS circuit_id,
            (DATE '2020-01-01' + (hash(i) % 1800)::INT)::VARCHAR AS observed_on,
            'inspector ' || (hash(i + 1) % 40) AS inspector,
            ['three_lamp_tester', 'voltmeter_under_load', 'cover_off_inspection'][
                (hash(i + 2) % 3)::INT + 1] AS method,
            ['survey', 'random', 'targeted'][(hash(i + 3) % 3)::INT + 1] AS selection,
            ['three_slot', 'two_slot'][(hash(i + 4) % 2)::INT + 1] AS slots,
            ['correct', 'open_ground', 'no_power'][(hash(i + 5) % 3)::INT + 1] AS result,
            CASE hash(i + 6) % 4 WHEN 0 THEN 'yes' WHEN 1 THEN 'no' END AS cover_removed,
            CASE hash(i + 7) % 4 WHEN 0 THEN 'yes' WHEN 1 THEN 'no' END AS ground_present,
            CASE hash(i + 8) % 4 WHEN 0 THEN 'yes' WHEN 1 THEN 'no' END AS neutral_ground_jumper,
            CASE hash(i + 9) % 4 WHEN 0 THEN 'correct' END AS polarity,
            CASE hash(i + 10) % 3 WHEN 0 THEN (hash(i + 11) % 400) / 100.0 END
                AS neutral_ground_volts,
            CASE hash(i + 10) % 3 WHEN 0 THEN 12.0 END AS load_amps,
            CASE hash(i + 12) % 9 WHEN 0 THEN (hash(i + 11) % 400) / 100.0 END AS ground_path_ohms,
            CASE hash(i + 13) % 4 WHEN 0 THEN 'yes' WHEN 1 THEN 'no' END AS gfci_protected,
            CASE hash(i + 13) % 14 WHEN 0 THEN 'both' END AS marking,
            CASE hash(i + 14) % 6 WHEN 0 THEN 'checked twice, second look' END AS note
        FROM range({rows}) AS t(i)) TO '{path}' (HEADER)"""
    )
    return path


def bare_copy(source: Path, target: Path) -> None:
    """Copy a CSV, all as text, to zstd Parquet: the floor for landing anything."""
    con = duckdb.connect()
    con.execute(
        f"COPY (SELECT * FROM read_csv('{source}', all_varchar = true)) "
        f"TO '{target}' (FORMAT parquet, COMPRESSION zstd)"
    )
    con.close()


@pytest.mark.slow
def test_row_numbers_survive_parallel_reading(workspace, inbox):
    path = big_file(inbox / "looks.csv", 300_000)
    lines = path.read_text().split("\n")
    for number in (7, 123_456, 299_999):
        lines[number] = lines[number].replace("B0", "X0", 1)
    lines[200_000] = lines[200_000].replace(",U", ",,,U", 1)
    path.write_text("\n".join(lines))
    (report,) = intake(workspace, [path], today=TODAY)
    assert counts(report) == (300_000, 299_999, 0, 0, 1)
    marked = "SELECT _row FROM opening_observations_current WHERE building_id LIKE 'X%' ORDER BY 1"
    assert query(workspace, marked) == [(8,), (123_457,), (300_000,)]
    assert query(workspace, "SELECT row FROM quarantine") == [(200_001,)]


@pytest.mark.slow
def test_the_plan_of_the_quick_reading_has_no_join(tmp_path):
    path = tmp_path / "looks.csv"
    con = duckdb.connect()
    for kind in RecordKind:
        header = LAYOUTS[kind].columns
        path.write_text("\n".join([HEADER, *["," * (len(header) - 1)] * 5]) + "\n")
        relation = quick_relation(path, ",", len(header), 1)
        mapping = default_mapping(kind, header)
        table = RawTable("", header, relation, 2, ())
        plan = make_plan(table, mapping, mapping.records[0], dt.date(2025, 1, 1))
        select = conform_sql(plan, Habits())
        copy = f"COPY ({select}) TO '{tmp_path / 'o.parquet'}' (FORMAT parquet)"
        assert copied_in_order(con, copy) == 5, kind


@pytest.mark.slow
def test_a_plan_that_loses_order_is_known_and_the_file_read_carefully(
    tmp_path, workspace, inbox, monkeypatch
):
    path = big_file(inbox / "looks.csv", 5_000)
    con = duckdb.connect()
    relation = quick_relation(path, ",", 21, 1)
    words = ", ".join(f"'{n}'" for n in range(20))
    copy = f"COPY (SELECT c0, c1 IN ({words}) AS w FROM {relation}) TO '{tmp_path / 'o.parquet'}'"
    assert copied_in_order(con, copy) is None
    monkeypatch.setattr("pipeline.landing.land.copied_in_order", lambda con, copy: None)
    (report,) = intake(workspace, [path], today=TODAY)
    assert counts(report) == (5_000, 5_000, 0, 0, 0)
    assert workspace.manifests()[0].parts[0].first_row is None
    select = "SELECT min(_row), max(_row) FROM opening_observations_current"
    assert query(workspace, select) == [(2, 5_001)]


@pytest.mark.timed
def test_intake_of_a_million_rows_against_a_bare_copy(tmp_path, capsys):
    source = big_file(tmp_path / "looks.csv", 1_000_000)
    best: dict[str, float] = {"bare": 1e9, "intake": 1e9}
    for _ in range(4):  # turn by turn, so that a busy machine slows both
        began = time.process_time()
        bare_copy(source, tmp_path / "bare.parquet")
        best["bare"] = min(best["bare"], time.process_time() - began)
        workspace = Workspace(tmp_path / "workspace")
        began = time.process_time()
        (report,) = intake(workspace, [source], today=TODAY)
        best["intake"] = min(best["intake"], time.process_time() - began)
        assert counts(report) == (1_000_000, 1_000_000, 0, 0, 0)
        shutil.rmtree(workspace.root)
    ratio = best["intake"] / best["bare"]
    with capsys.disabled():
        print(f"\n1,000,000 rows, processor seconds: {best}, ratio {ratio:.2f} (aim {AIM})")  # noqa: T201 - the figure is the point
    assert ratio <= MOST


@pytest.mark.timed
def test_a_second_extract_of_a_million_rows_adds_only_what_is_new(tmp_path):
    workspace = Workspace(tmp_path / "workspace")
    intake(workspace, [big_file(tmp_path / "march.csv", 1_000_000)], today=TODAY)
    newer = big_file(tmp_path / "april.csv", 1_000_500)
    text = newer.read_text().replace("checked twice", "checked thrice", 3)
    newer.write_text(text)
    (report,) = intake(workspace, [newer], today=TODAY)
    assert counts(report) == (1_000_500, 503, 999_997, 0, 0)
    select = "SELECT count(*) FROM opening_observations_current"
    assert query(workspace, select) == [(1_000_500,)]


SMALL_FILES = (150, 600)
GROWTH, FILE_OVER_COPY = 1.3, 8.0
"""Most that a small file may cost more among four times as many, and over a bare copy of it (a
connection that copies one file after the other; about 4 where the machine is idle)."""


def small_files(folder: Path, number: int) -> list[Path]:
    """Write files of a hundred invented looks each."""
    whole = big_file(folder / "all.csv", number * 100)
    header, *lines = whole.read_text().splitlines()
    whole.unlink()
    paths = []
    for n in range(number):
        paths.append(folder / f"visit-{n:04}.csv")
        rows = [header, *lines[n * 100 : (n + 1) * 100]]
        paths[-1].write_text("\n".join(rows) + "\n")
    return paths


@pytest.mark.timed
def test_many_small_files_cost_each_what_one_costs(tmp_path, capsys):
    spent = []
    for number in SMALL_FILES:
        folder = tmp_path / str(number)
        folder.mkdir()
        paths = small_files(folder, number)
        began = time.process_time()
        reports = intake(Workspace(tmp_path / f"workspace-{number}"), paths, today=TODAY)
        spent.append((time.process_time() - began) / number)
        assert sum(report.accepted for report in reports) == number * 100
    con = duckdb.connect()
    began = time.process_time()
    for path in paths:
        con.execute(
            f"COPY (SELECT * FROM read_csv('{path}', all_varchar = true)) "
            f"TO '{tmp_path / 'bare.parquet'}' (FORMAT parquet, COMPRESSION zstd)"
        )
    bare = (time.process_time() - began) / number
    with capsys.disabled():
        print(f"\nprocessor seconds a small file: {spent}, bare copy {bare:.4f}")  # noqa: T201 - the figure is the point
    assert spent[1] <= GROWTH * spent[0]
    assert spent[1] <= FILE_OVER_COPY * bare


JSON_AIM, JSON_NOISE = 3.0, 1.4
"""Reading JSON into stored rows within so many times the bare library, which keeps every object in
memory and looks for no key that stands twice; and room for a busy machine."""


@pytest.mark.timed
@pytest.mark.parametrize("lines", [False, True], ids=["one document", "an object a line"])
def test_json_against_the_bare_library(tmp_path, capsys, lines):
    names = HEADER.split(",")
    objects = [
        dict(
            zip(
                names, (f"B{n // 50}", "1A", "hall", f"O{n % 50}", *map(str, range(6))), strict=True
            )
        )
        for n in range(100_000)
    ]
    path = tmp_path / ("looks.jsonl" if lines else "looks.json")
    path.write_text("\n".join(map(json.dumps, objects)) if lines else json.dumps(objects))
    arrival = receive(path, path.name, tmp_path)
    read = read_json_lines if lines else read_json
    best = {"bare": 1e9, "read": 1e9}
    for _ in range(4):
        began = time.process_time()
        if lines:
            with path.open() as handle:
                bare = [json.loads(line) for line in handle]
        else:
            bare = json.loads(path.read_text())
        best["bare"] = min(best["bare"], time.process_time() - began)
        assert len(bare) == len(objects)
        began = time.process_time()
        (table,) = read(arrival, tmp_path).tables
        best["read"] = min(best["read"], time.process_time() - began)
    stored = duckdb.execute(f"SELECT count(*) FROM {table.relation}").fetchall()
    assert stored == [(len(objects),)]
    ratio = best["read"] / best["bare"]
    with capsys.disabled():
        print(f"\n{path.name}, processor seconds: {best}, ratio {ratio:.2f}")  # noqa: T201 - the figure is the point
    assert ratio <= JSON_AIM * JSON_NOISE

"""Every row of a file is a table's, or the certificate says what else it is."""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.landing import Workspace, list_quarantine
from pipeline.landing.certificate import left_out
from pipeline.landing.choose import known_header
from pipeline.landing.dividing import divide
from pipeline.landing.raw import RawRow
from shared.faults import CoverplateError
from tests.landing.landed import CSV, HEADER, ROWS, counts, land, query

KNOWN = known_header(Workspace("nowhere"))


def split(rows, tmp_path, **options):
    made = [RawRow(number, list(row)) for number, row in enumerate(rows, 1)]
    return divide(made, "", lambda n: tmp_path / f"{n}.parquet", KNOWN, **options)


def roles(division):
    return [(s.first, s.last, s.role) for s in division.stretches]


LOOK = ("Building", "Outlet no", "Test date", "Test method", "Test result")
ONE = ("B-1", "1", "2024-03-05", "plug-in tester", "OK")


def test_a_title_a_table_and_a_total(tmp_path):
    rows = [("Report",), (), LOOK, ONE, ONE, ("Total", "2")]
    division = split(rows, tmp_path)
    assert roles(division) == [
        (1, 1, "preamble"),
        (2, 2, "blank"),
        (3, 3, "header"),
        (4, 5, "rows"),
        (6, 6, "total"),
    ]
    assert [table.header for table in division.tables] == [LOOK]


def test_what_stands_above_a_table_becomes_a_column(tmp_path):
    rows = [("Building: B-9",), LOOK[1:], ONE[1:]]
    (table,) = split(rows, tmp_path).tables
    assert table.header == (*LOOK[1:], "Building")
    assert table.sample == ((*ONE[1:], "B-9"),)


def test_two_rows_of_header_are_one(tmp_path):
    upper = ("", "", "First", "", "Second", "")
    lower = ("Building", "Outlet no", "Test date", "Test result", "Test date", "Test result")
    row = ("B-1", "1", "2024-03-05", "OK", "2024-04-05", "OK")
    (table,) = split([upper, lower, row], tmp_path).tables
    assert table.header == (
        *("Building", "Outlet no", "First Test date", "First Test result"),
        *("Second Test date", "Second Test result"),
    )


def test_a_second_row_of_names_fills_the_first(tmp_path):
    upper = ("Building", "Outlet no", "", "", "")
    lower = ("", "", "Test date", "Test method", "Test result")
    (table,) = split([upper, lower, ONE], tmp_path).tables
    assert table.header == LOOK


def test_tables_side_by_side_are_two(tmp_path):
    register = [("Building", "Year built"), ("B-1", "1950"), ("", "")]
    rows = [(*a, "", *b) for a, b in zip(register, [LOOK, ONE, ONE], strict=True)]
    left, right = split(rows, tmp_path).tables
    assert (left.header, right.header) == (("Building", "Year built"), LOOK)
    assert (len(left.sample), len(right.sample)) == (1, 2)


def test_a_column_that_is_merely_unnamed_parts_nothing(tmp_path):
    header = (*LOOK[:2], "", *LOOK[2:])
    row = (*ONE[:2], "x", *ONE[2:])
    (table,) = split([header, row], tmp_path).tables
    assert table.header == (*LOOK[:2], "column_3", *LOOK[2:])


def test_a_lone_identifier_is_a_row_and_a_lone_title_is_none(tmp_path):
    register = ("Building", "Year built", "Units", "Owner")
    rows = [register, ("B-1", "1950", "4", "Ann"), ("B-2", "", "", ""), ("B-3", "1951", "4", "Bo")]
    assert roles(split(rows, tmp_path)) == [(1, 1, "header"), (2, 4, "rows")]
    rows = [LOOK, ("Ground floor, left",), ONE]
    assert (2, 2, "title") in roles(split(rows, tmp_path))


def test_words_of_danger_in_a_remark_are_marked_and_the_exit_is_not_clean(workspace, inbox):
    text = CSV + "NOTE: cover plate live at unit 2B\n"
    (report,) = land(workspace, inbox, text)
    assert counts(report) == (2, 2, 0, 0, 0)
    (stretch,) = left_out(report.certificate)
    assert (stretch.role, stretch.first, stretch.danger) == ("remark", 4, True)


def test_rows_above_the_header_are_set_aside_not_lost(workspace, inbox):
    (report,) = land(workspace, inbox, "\n".join([ROWS[0], HEADER, ROWS[1]]) + "\n")
    assert counts(report) == (2, 1, 0, 0, 1)
    (held,) = list_quarantine(workspace)
    assert (held.row, held.cells["opening_id"]) == (1, "001")


PIECES = st.sampled_from(
    [
        HEADER,
        *ROWS,
        "",
        ",,,",
        "building_id,year_built,dwelling_units\nB1,1950,4\nB2,1961,8",
        "Total,2",
        "Generated 2024-05-01 by Ada",
        "Page 1 of 2",
        "B007,1A,kitchen",
        '"unclosed, 1A',
        "Flat 2B",
        "a;b;c",
        ROWS[0] + ",more",
        "Building: B-9",
    ]
)


def accounted(workspace, report_list, text):
    """Whether lines, rows read and rows found add up."""
    certificate = report_list[0].certificate
    lines = text.splitlines()
    assert sum(s.last - s.first + 1 for s in certificate) == len(lines)
    assert [s.first for s in certificate[1:]] == [s.last + 1 for s in certificate[:-1]]
    rows = sum(s.rows for s in certificate if s.role == "rows")
    kinds = {(r.sheet, r.record_kind): r for r in report_list if r.record_kind}
    assert sum(r.rows_read for r in kinds.values()) == rows
    for report in kinds.values():
        read, *ended = counts(report)
        assert read == sum(ended)
    numbers = {
        number
        for kind in ("building_register", "opening_observations", "building_evaluations")
        for (number,) in query(workspace, f"SELECT _row FROM {kind}_valid")
    }
    numbers |= {held.row for held in list_quarantine(workspace)}
    expected = {
        number
        for s in certificate
        if s.role == "rows"
        for number in range(s.first, s.last + 1)
        if lines[number - 1].strip(", ")
    }
    assert numbers <= expected
    return len(expected)


def run(folder, pieces):
    text = "\n".join(pieces) + "\n"
    workspace = Workspace(folder / "workspace")
    try:
        reports = land(workspace, folder, text)
    except CoverplateError:
        return 0  # asked or refused: nothing landed, which is checked
    finally:
        if workspace.exists():
            assert not list(workspace.scratch.glob("*"))
    if all(report.record_kind is None for report in reports):
        return 0
    return accounted(workspace, reports, text)


@pytest.mark.slow
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(pieces=st.lists(PIECES, min_size=1, max_size=12))
def test_lines_always_add_up(tmp_path_factory, pieces):
    run(tmp_path_factory.mktemp("pieces"), pieces)


MUTATIONS = 150


@pytest.mark.long
def test_files_that_were_tampered_with_still_add_up(tmp_path, capsys):
    seed = random.SystemRandom().randrange(10**6)
    chance = random.Random(seed)
    body = [HEADER, *(ROWS[0].replace(",001,", f",{n:03},") for n in range(12))]
    marks = ['"', ",", "\n", "\r", ";", "\t", "Total", HEADER + "\n", "\u200b", "é", "\x00", " "]
    read = rows = 0
    for number in range(MUTATIONS):
        text = "\n".join(body) + "\n"
        for _ in range(chance.randrange(1, 5)):
            place = chance.randrange(len(text))
            text = text[:place] + chance.choice(marks) + text[place + chance.randrange(3) :]
        folder = tmp_path / str(number)
        folder.mkdir()
        workspace = Workspace(folder / "workspace")
        try:
            reports = land(workspace, folder, text.encode())
        except CoverplateError:
            continue
        except Exception as fault:
            raise AssertionError(f"seed {seed}, file {number}: {text!r}") from fault
        for report in reports:
            if report.record_kind:
                count, *ended = counts(report)
                assert count == sum(ended), (seed, number)
                rows += count
        if reports[0].record_kind and reports[0].certificate:
            covered = sum(s.last - s.first + 1 for s in reports[0].certificate)
            ends = text.replace("\r\n", "\n").replace("\r", "\n")
            assert covered == ends.count("\n") + (not ends.endswith("\n")), (seed, number)
        read += 1
    with capsys.disabled():
        print(f"\n{MUTATIONS} files tampered with, seed {seed}: {read} read, {rows} rows")  # noqa: T201 - the count is the point
    assert read > MUTATIONS / 4


def test_a_table_of_very_many_columns_is_refused_at_once(workspace, inbox):
    wide = HEADER + "".join(f",extra {n}" for n in range(2_000)) + "\n" + ROWS[0] + "\n"
    with pytest.raises(CoverplateError, match=r"2,010 columns"):
        land(workspace, inbox, wide)

"""The quick reading of a delimited text is cell for cell the careful one, or it is not taken."""

import re

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.landing.arrival import receive
from pipeline.landing.raw import EXTRAS
from pipeline.landing.readers import delimited
from pipeline.landing.readers.delimited import Dialect, one_record_a_line, read_records

PLAIN = st.sampled_from(
    ["", "a", " b ", "1,5", 'x"y', '3" deep', "é", "\u00a0", "''", "\\", "#", "-"]
)
QUOTED = st.sampled_from(
    ['""', '"a,b"', '"say ""no"""', '"a""', '"', '"a"b', ' "a"', '"é, ü"', '"\\"']
)
LINE = st.lists(PLAIN | QUOTED, min_size=3, max_size=3).map(",".join)
WRAPPED = re.compile('"([^"]|"")*"')
END = st.sampled_from(["\n", "\r\n"])


def careful(path, width):
    rows = list(read_records(path, Dialect(",", 1, width)))
    return [
        (row.row, [*row.cells, *[None] * (width - len(row.cells))]) for row in rows if row.cells
    ]


def quick(con, path, width):
    cells = ", ".join(f"c{n}" for n in range(width))
    found = con.execute(
        f"SELECT [{cells}], concat({', '.join(EXTRAS)}) "
        f"FROM {delimited.quick_relation(path, ',', width, 0)}"
    ).fetchall()
    return [(number, row) for number, (row, _) in enumerate(found, 1)], [x for _, x in found]


@pytest.mark.slow
@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(lines=st.lists(LINE, min_size=1, max_size=6), end=END)
def test_where_every_line_is_one_record_both_readings_are_alike(tmp_path_factory, lines, end):
    folder = tmp_path_factory.mktemp("quick")
    path = folder / "a.csv"
    path.write_bytes(end.join(lines).encode() + end.encode())
    arrival = receive(path, path.name, folder)
    con = duckdb.connect()
    slow = careful(path, 3)
    if not one_record_a_line(arrival, ",", con):
        return
    if any(len(cells) != 3 for _, cells in slow) or len(slow) != len(lines):
        return  # too long or blank: told by the count of rows, or kept beyond the header
    if any(WRAPPED.fullmatch(line) for line in lines):
        return  # its only cell holds a row: seen by the cells that it lacks, and read carefully
    fast, beyond = quick(con, path, 3)
    assert fast == slow
    assert set(beyond) == {""}


@pytest.mark.parametrize(
    ("line", "whole"),
    [
        ("a,b,c", True),
        ('"a,1",b,c', True),
        ('"a ""x""",b,c', True),
        ('a 3" deep,b,c', True),
        ('"a" x,b,c', False),
        ('"a,b,c', False),
        ('a,"b\nc",d', False),
    ],
)
def test_which_lines_are_whole_records(tmp_path, line, whole):
    path = tmp_path / "a.csv"
    path.write_text('x,y,z\n"q",r,s\n' + line + "\n")
    arrival = receive(path, path.name, tmp_path)
    assert one_record_a_line(arrival, ",", duckdb.connect()) is whole


GRAMMAR = [
    ("a,b,c", ["a", "b", "c"]),
    ('"a,b",c', ["a,b", "c"]),
    ('"a ""b""",c', ['a "b"', "c"]),
    ('box 3" deep,c', ['box 3" deep', "c"]),
    ('"3" deep",c', ['3" deep', "c"]),
    ('a, "b",c', ["a", ' "b"', "c"]),
    ('"",c', ["", "c"]),
    ("a,,", ["a", "", ""]),
]
"""RFC 4180, section 2, rules 5 to 7 (2005), for quotes where it has them; where it has none
(a quote within an unquoted cell) the cell stands as it is written."""


@pytest.mark.parametrize(("line", "cells"), GRAMMAR)
def test_one_grammar(tmp_path, line, cells):
    path = tmp_path / "a.csv"
    path.write_text(line + "\n")
    (row,) = read_records(path, Dialect(",", 1, 3))
    assert (list(row.cells), row.problem) == (cells, None)


def test_a_cell_over_several_lines_keeps_its_lines_and_its_number(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text('a,b\n1,"two\nlines, ""said"""\n2,x\n')
    rows = list(read_records(path, Dialect(",", 1, 2)))
    assert [(row.row, row.last, list(row.cells)) for row in rows] == [
        (1, 1, ["a", "b"]),
        (2, 3, ["1", 'two\nlines, "said"']),
        (4, 4, ["2", "x"]),
    ]


def test_an_open_quote_costs_its_own_line_only(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text('a,b,c\n1,2,"12 inch\n3,4,"fine"\n5,6,5"\n')
    rows = list(read_records(path, Dialect(",", 1, 3)))
    assert [(row.row, row.problem is not None) for row in rows] == [
        (1, False),
        (2, True),
        (3, False),
        (4, False),
    ]

"""What is told of a word without SQL is what SQL would tell; a whole sample is the whole table."""

from __future__ import annotations

from dataclasses import replace

import duckdb
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline.landing import cells
from pipeline.landing.arrival import receive
from pipeline.landing.choose import known_header
from pipeline.landing.column_look import look_at
from pipeline.landing.questions import _read_by_sql
from pipeline.landing.tables import read_tables
from pipeline.landing.workspace import Workspace
from shared.records import OPENING_OBSERVATIONS

pytestmark = pytest.mark.slow


DATE, NUMBER = (OPENING_OBSERVATIONS.field(name) for name in ("observed_on", "load_amps"))
ORDERS = ", ".join(cells.numeric_date("t", order, 2100) for order in ("dmy", "mdy", "ymd"))
BY_SQL = {
    DATE.name: f"coalesce({cells.date('t', 't', None, 2100)}, {ORDERS})",
    NUMBER.name: f"coalesce({cells.number('t', 't', '.')}, {cells.number('t', 't', ',')})",
}
WORDS = st.one_of(
    st.text("0123456789.,-/ +eE'_MayJunix5", min_size=1, max_size=12),
    st.dates().map(str),
    st.dates().map(lambda day: day.strftime("%d %b %Y")),
    st.dates().map(lambda day: day.strftime("%b %d, %Y")),
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.sampled_from(["B-0001", "2A", "12 V", "1,250", "3,5", "inf", "1e5", "45000", "20240501",
                     "2024-02-30", "2024-02-29", "5 mai 2024", "１２", "٣"]),
)  # fmt: skip


# a list costs as much as a hundred words; what differs is told without making the list shorter
@settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.generate],
)
@given(st.lists(WORDS, min_size=100, max_size=200, unique=True))
def test_words_are_told_as_sql_tells_them(words):
    con = duckdb.connect()
    for column in (DATE, NUMBER):
        rows = con.execute(
            "SELECT t FROM (SELECT unnest(?::VARCHAR[]) AS t) "
            f"WHERE ({BY_SQL[column.name]}) IS NOT NULL",
            [words],
        ).fetchall()
        assert _read_by_sql(column, words) == {word for (word,) in rows}
    con.close()


def test_a_small_table_is_looked_at_without_sql_and_alike(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "Bldg,Outlet,Finding,Empty,Note\n"
        + "".join(f"B-{n % 3},O-{n}, OK ,,{'x' * (n % 4)}\n" for n in range(40))
        + "B-1\n",
        encoding="utf-8",
    )
    con = duckdb.connect()
    arrival = receive(path, path.name, tmp_path)
    known = known_header(Workspace(tmp_path / "w").create())
    (table,) = read_tables(arrival, con, tmp_path, known).tables
    assert look_at(con, table) == look_at(con, replace(table, stored=None))

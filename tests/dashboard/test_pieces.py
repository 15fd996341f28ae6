"""Small shared pieces: figures in words, HTML that data cannot break out of, the serving."""

from __future__ import annotations

import socket

import pytest

from dashboard.components import figures, plate
from pipeline import serving
from pipeline.cli.dashboard import dashboard
from shared.faults import CoverplateError


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "0"),
        (1234.0, "1,230"),
        (572_500, "572,000"),
        (2_277_500, "2.28 million"),
        (17_528_257, "17.5 million"),
        (20_000_000, "20 million"),
        (100_000_000, "100 million"),
        (3.2e9, "3.2 billion"),
        (None, "–"),
    ],
)
def test_amounts(value, said):
    assert figures.amount(value) == said


def test_signs_intervals_and_counts():
    assert figures.signed(3.14159) == "+3.1"
    assert figures.signed(-0.5) == "−0.50"
    assert figures.signed(0.0) == "±0"
    assert figures.between(1.0, 1.004) == "1.0"
    assert figures.between(1.0, 20.0) == "1.0–20"
    assert figures.plural(1, "building") == "1 building"
    assert figures.plural(1200, "building") == "1,200 buildings"
    assert figures.word("three_lamp_tester") == "three-lamp tester"
    assert figures.word(None) == "–"


def test_nothing_from_data_breaks_out_of_the_html():
    evil = "<img src=x onerror=alert(1)>\"'&"
    columns = [plate.Column("A", lambda row: plate.text(row["a"]), heads=True)]
    body = plate.table([{"a": evil}], columns, plate.text(evil))
    body += plate.link(evil, "building", id=evil) + plate.figures([(evil, evil, evil)])
    assert "<img" not in body and "onerror=alert(1)>" not in body
    assert 'data-open="building?id=%3Cimg' in body


def test_a_part_that_takes_away_is_hollow_and_to_the_left():
    adds, takes = plate.part(2.0, 4.0, "era"), plate.part(-4.0, 4.0, "era")
    assert "left:50.0%;width:25.0%" in adds and "less" not in adds
    assert "left:0.0%;width:50.0%" in takes and 'class="less"' in takes


def test_the_command_binds_to_this_machine_and_sends_nothing():
    line = serving.command("127.0.0.1", 8765)
    assert "--server.address=127.0.0.1" in line
    assert "--browser.gatherUsageStats=false" in line
    assert serving.app_path().is_file()
    parameters = {p.name: p for p in dashboard.params}
    assert parameters["host"].default == "127.0.0.1"


def test_a_taken_port_is_refused_or_passed_over():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(CoverplateError, match="is taken"):
            serving.free_port("127.0.0.1", port)
    assert serving.free_port("127.0.0.1", None) >= serving.DEFAULT_PORT


def test_cells_of_a_grid_are_no_formulas_where_they_are_pasted():
    import pandas as pd

    from dashboard.components import plate

    frame = pd.DataFrame({"=name": ["=1+1", "-5", "plain", "@sum"], "n": [1, 2, 3, 4]})
    shown = plate.grid(frame)
    assert list(shown.columns) == ["'=name", "n"]
    assert shown["'=name"].tolist() == ["'=1+1", "-5", "plain", "'@sum"]
    assert plate.cells(frame)["=name"].tolist() == ["=1+1", "-5", "plain", "@sum"]

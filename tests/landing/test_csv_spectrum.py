"""The public corpus csv-spectrum (npm, 2.0.0) is read cell for cell as its JSON says."""

import json
from pathlib import Path

import pytest

from pipeline.landing.arrival import receive
from pipeline.landing.readers.delimited import Dialect, read_records

CORPUS = Path(__file__).parent / "csv_spectrum"


OF_ANOTHER_ROW = "location_coordinates"
"""Its JSON holds another telephone number than its CSV, and letters that were lost already."""

FILES = [path for path in sorted(CORPUS.glob("*.csv")) if path.stem != OF_ANOTHER_ROW]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_cell_is_as_the_corpus_says(tmp_path, path):
    arrival = receive(path, path.name, tmp_path)
    header, *rows = [row for row in read_records(arrival.text, Dialect(",", 1, 0)) if row.cells]
    assert all(row.problem is None for row in (header, *rows))
    said = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    found = [dict(zip(header.cells, row.cells, strict=True)) for row in rows]
    assert found == said


def test_the_corpus_is_there():
    assert len(list(CORPUS.glob("*.csv"))) == 12

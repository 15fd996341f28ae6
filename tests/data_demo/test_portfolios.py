"""The committed exports are what the generator makes, and in the mess that they claim."""

import csv
import io
import json
import zipfile
from collections import Counter

import pyarrow.parquet as pq
import pytest
from python_calamine import CalamineWorkbook

from data_demo.portfolios import FOLDER, PORTFOLIOS, write_portfolio
from shared.records import LAYOUTS, RecordKind

COUNTS = ("accepted", "duplicate", "superseded", "quarantined")


def reckoned(name):
    return json.loads((FOLDER / name / "expected.json").read_text(encoding="utf-8"))


def content(path):
    """The content of a file without what a library's version writes into it."""
    if path.suffix == ".parquet":
        table = pq.read_table(path)
        return table.schema.remove_metadata(), table.to_pylist()
    if path.suffix == ".xlsx":
        book = CalamineWorkbook.from_path(str(path))
        return [(name, book.get_sheet_by_name(name).to_python()) for name in book.sheet_names]
    return path.read_bytes()


@pytest.mark.parametrize("name", sorted(PORTFOLIOS))
def test_committed_files_are_what_the_generator_writes(name, tmp_path):
    write_portfolio(name, tmp_path)
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    mappings = FOLDER / name / "mappings"
    committed = {
        path.relative_to(FOLDER)
        for path in (FOLDER / name).rglob("*")
        if path.is_file() and mappings not in path.parents
    }
    assert made == committed
    for path in sorted(made):
        assert content(tmp_path / path) == content(FOLDER / path), path


@pytest.mark.slow
def test_the_same_run_twice_gives_the_same_bytes(tmp_path):
    for run in ("one", "two"):
        write_portfolio("housing_authority", tmp_path / run)
    for path in (tmp_path / "one").rglob("*.*"):
        again = tmp_path / "two" / path.relative_to(tmp_path / "one")
        assert path.read_bytes() == again.read_bytes(), path


@pytest.mark.parametrize("name", sorted(PORTFOLIOS))
def test_every_row_is_counted_once(name):
    for entry in reckoned(name)["files"]:
        assert sum(entry[word] for word in COUNTS) == entry["rows_read"], entry["path"]
        assert len(entry["faults"]) == entry["quarantined"] + entry["blanked"]
        layout = LAYOUTS[RecordKind(entry["record_kind"])]
        assert {fault["column"] for fault in entry["faults"]} <= {"", *layout.columns}


def rows_in(folder, entry):
    """Count an export's rows with nothing but the format's own library."""
    path, _, member = entry["path"].partition("!/")
    raw = (folder / path).read_bytes()
    if member:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            raw = archive.read(member)
    kind = (member or path).rsplit(".", 1)[-1]
    if kind == "parquet":
        return pq.read_table(folder / path).num_rows
    if kind == "xlsx":
        book = CalamineWorkbook.from_path(str(folder / path))
        sheet = entry["sheet"] or book.sheet_names[0]
        return len(book.get_sheet_by_name(sheet).to_python()) - 1
    if kind == "jsonl":
        return len(raw.decode().splitlines())
    if kind == "json":
        return len(json.loads(raw))
    encodings = {"06_eelmarket.tsv": "utf-16", "03_contractor.csv": "cp1252"}
    text = raw.decode(encodings.get(path, "utf-8-sig"))
    above = {"03_contractor.csv": 3, "01_schedule.txt": 1}.get(path, 0)
    marks = {"03_contractor.csv": ";", "01_schedule.txt": "|"}
    mark = marks.get(path, "\t" if kind == "tsv" else ",")
    lines = io.StringIO(text, newline="")
    for _ in range(above):
        lines.readline()
    return len(list(csv.reader(lines, delimiter=mark))) - 1


@pytest.mark.parametrize("name", sorted(PORTFOLIOS))
def test_rows_in_the_files_are_the_rows_reckoned(name):
    entries = reckoned(name)["files"]
    for entry in entries:
        found = rows_in(FOLDER / name / "exports", entry)
        assert found == entry["rows_read"] + entry["lines_beside"], entry["path"]
    exports = {path.name for path in (FOLDER / name / "exports").iterdir()}
    assert exports == {entry["path"].partition("!/")[0] for entry in entries}


def test_the_authority_sends_every_kind_of_mess():
    folder = FOLDER / "housing_authority" / "exports"
    files = reckoned("housing_authority")["files"]
    assert {path.suffix for path in folder.iterdir()} == {
        ".csv",
        ".xlsx",
        ".jsonl",
        ".tsv",
        ".zip",
        ".parquet",
    }
    assert len({entry["mapping"] for entry in files}) >= 6
    assert (folder / "02_observations_2025-08.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    assert (folder / "06_eelmarket.tsv").read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff")
    with pytest.raises(UnicodeDecodeError):
        (folder / "03_contractor.csv").read_text(encoding="utf-8")
    found = Counter(word for entry in files for word in COUNTS if entry[word])
    assert all(found[word] for word in COUNTS)
    assert any(entry["corrects_earlier_files"] for entry in files)
    kinds = {entry["record_kind"] for entry in files}
    # fix reports name findings, and there are none before the first build
    assert kinds == {kind.value for kind in RecordKind} - {RecordKind.FIX_REPORTS.value}
    wrong = {fault["column"] for entry in files for fault in entry["faults"]}
    assert {"", "building_id", "observed_on", "method", "year_built", "result"} <= wrong


def test_sources_disagree_about_some_buildings():
    conflicts = reckoned("housing_authority")["conflicts"]
    assert len({conflict["building_id"] for conflict in conflicts}) >= 3
    for conflict in conflicts:
        assert len(set(conflict["values"].values())) > 1


def test_the_portfolios_stay_small():
    size = sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file())
    assert size < 3_000_000

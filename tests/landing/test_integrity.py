"""What landed is held against the hashes kept of it, and derived anew where it is damaged."""

import json
import shutil

import pytest

from pipeline.landing import export_quarantine, intake, logbook
from pipeline.landing.integrity import check
from pipeline.warehouse.build import build
from tests.cli.running import run
from tests.landing.landed import CSV, HEADER, ROWS, TODAY, land, query

pytestmark = pytest.mark.slow


CURRENT = "SELECT * EXCLUDE (_part, _row) FROM opening_observations_current ORDER BY ALL"
OUTCOMES = "SELECT * FROM landed_outcomes ORDER BY ALL"


@pytest.fixture
def landed(workspace, inbox, tmp_path):
    """Two overlapping extracts, a register, and rows that were set aside and corrected."""
    land(workspace, inbox, CSV, "march.csv")
    bad = ROWS[0].replace(",001,", ",009,").replace("correct", "hm")
    later = ROWS[1].replace("open_ground", "no_power")
    land(workspace, inbox, "\n".join([HEADER, ROWS[0], later, bad]) + "\n", "april.csv")
    land(workspace, inbox, "building_id,year_built\nB007,1948\n", "register.csv")
    (written,) = export_quarantine(workspace, tmp_path / "out.csv")
    text = written.path.read_text(encoding="utf-8-sig").replace(",hm", ",open_ground")
    written.path.write_text(text, encoding="utf-8")
    intake(workspace, [written.path], today=TODAY)
    return workspace


def verdicts(workspace, **options):
    return [each.verdict for each in check(workspace, **options)]


def parts(workspace):
    return [
        (workspace.folder(m.sha256) / part.file, m.name)
        for m in workspace.manifests()
        for part in m.parts
    ]


def bitten(file):
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 0x55
    file.write_bytes(content)


def test_what_is_whole_is_whole_and_nothing_is_written(landed):
    before = {p: p.stat().st_mtime_ns for p in landed.root.rglob("*")}
    assert verdicts(landed) == ["whole"] * 4
    assert {p: p.stat().st_mtime_ns for p in landed.root.rglob("*")} == before


@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize("harm", [bitten, lambda file: file.unlink()], ids=["changed", "gone"])
def test_a_damaged_part_is_told_and_derived_anew(landed, number, harm):
    rows, outcomes = query(landed, CURRENT), query(landed, OUTCOMES)
    counted = [part for m in landed.manifests() for part in m.parts]
    harm(parts(landed)[number][0])
    assert verdicts(landed).count("damaged") == 1
    assert verdicts(landed, repair=True).count("rebuilt") == 1
    assert verdicts(landed) == ["whole"] * 4
    assert query(landed, CURRENT) == rows
    assert query(landed, OUTCOMES) == outcomes
    assert [part for m in landed.manifests() for part in m.parts] == counted


def test_a_changed_original_is_lost_and_says_so(landed):
    manifest = landed.manifests()[0]
    bitten(landed.folder(manifest.sha256) / "original" / manifest.name)
    (lost,) = [each for each in check(landed, repair=True) if each.verdict != "whole"]
    assert (lost.verdict, lost.found) == ("lost", "the original was changed")


def test_a_manifest_that_cannot_be_read_is_lost(landed):
    folder = landed.folder(landed.manifests()[0].sha256)
    (folder / "manifest.json").write_text("{", encoding="utf-8")
    assert verdicts(landed).count("lost") == 1


def test_what_landed_before_hashes_were_kept_is_sealed(landed):
    for manifest in landed.manifests():
        path = landed.folder(manifest.sha256) / "manifest.json"
        content = json.loads(path.read_text(encoding="utf-8"))
        del content["files"], content["certificate"]
        path.write_text(json.dumps(content), encoding="utf-8")
    logbook.logbook_path(landed).unlink()  # nor was there one then
    assert verdicts(landed) == ["whole"] * 4
    assert verdicts(landed, repair=True) == ["sealed"] * 4
    assert verdicts(landed, repair=True) == ["whole"] * 4


def test_a_copy_is_checked_on_the_command_line(landed, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(landed.root, copy)
    assert run("check", "--workspace", copy).code == 0
    bitten(next((copy / "landed").glob("*/*.parquet")))
    told = run("check", "--workspace", copy)
    assert told.code == 2
    assert "was changed" in told.out
    assert run("check", "--repair", "--workspace", copy).code == 0
    rows = run("check", "--workspace", copy, "--json").json()
    assert {frozenset(row) for row in rows} == {
        frozenset({"sha256", "path", "verdict", "found", "what", "ok"})
    }
    assert [row["what"] for row in rows] == [*["file"] * 4, "logbook", "ledger", "warehouse"]


def test_a_repair_makes_the_next_build_a_new_one_only_where_bytes_changed(landed):
    first = build(landed)
    bitten(parts(landed)[0][0])
    check(landed, repair=True)
    assert build(landed).version == first.version


def test_an_intake_beside_damaged_parts_is_refused_in_words(landed, inbox):
    for file, _ in parts(landed):
        file.write_bytes(b"no Parquet")
    more = inbox / "more.csv"
    more.write_text("\n".join([HEADER, ROWS[0]]) + "\n", encoding="utf-8")
    told = run("intake", more, "--workspace", landed.root)
    assert told.code == 2 and "check --repair" in told.err
    assert run("check", "--repair", "--workspace", landed.root).code == 0
    assert run("intake", more, "--workspace", landed.root).code == 0

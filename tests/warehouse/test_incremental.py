"""A build that weighs only what changed gives the very tables that a full one gives."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from pipeline.evidence import learned_record
from pipeline.evidence.assemble import poor_share
from pipeline.landing import Workspace, intake
from pipeline.landing.integrity import withdraw
from pipeline.ledger import FixReported, current, open_ledger
from pipeline.ledger.sync import sync_findings
from pipeline.warehouse import build as building
from pipeline.warehouse import soundness, store
from pipeline.warehouse.build import Built, build
from pipeline.warehouse.comparison import compare_rule_books
from pipeline.warehouse.touched import Earlier
from shared.rule_book import default_rule_book_text, load_rule_book, parse_rule_book
from tests.cli.running import run
from tests.warehouse.small_portfolio import OBSERVED, contents, land, land_all, observations, rows

pytestmark = pytest.mark.slow


STEADY = {
    # In a portfolio of twenty buildings any look moves what was learned.
    "relearn_tolerance = { value = 0.1": "relearn_tolerance = { value = 100.0",
    "buildings_max = { value = 2000": "buildings_max = { value = 15",
    # Quick to learn.
    "passes = { value = 8": "passes = { value = 3",
}


def steady_rules() -> str:
    text = default_rule_book_text()
    for old, new in STEADY.items():
        assert old in text
        text = text.replace(old, new)
    return text


def look(building: str, opening: str, result: str, **more: str) -> str:
    cells = {
        "unit_id": "1",
        "room": "kitchen",
        "observed_on": "2024-08-01",
        "inspector": "Ada",
        "method": "cover_off_inspection",
        "selection": "random",
        "slots": "three_slot",
        "cover_removed": "yes",
        "neutral_ground_jumper": "",
        **more,
        "building_id": building,
        "opening_id": opening,
        "result": result,
    }
    return ",".join(cells[name] for name in OBSERVED.split(","))


def beside(workspace: Workspace, folder: Path, name: str) -> Workspace:
    shutil.copytree(workspace.root, folder / name)
    return Workspace(folder / name)


def full(workspace: Workspace, folder: Path, name: str) -> Built:
    """The same built in full: with the record, without any warehouse to take results from."""
    other = beside(workspace, folder, name)
    shutil.rmtree(other.warehouse)
    built = build(other)
    assert built.weighed == built.buildings and not built.learned and not built.notes
    return built


def assert_same(one: Built, other: Built) -> None:
    assert one.version == other.version
    first, second = contents(one.path), contents(other.path)
    assert first.keys() == second.keys()
    for table, content in first.items():
        assert second[table] == content, table
    draws = [store.draws_path(built.path).read_bytes() for built in (one, other)]
    assert draws[0] == draws[1] and draws[0]


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The small portfolio, built once under rules that keep what was learned."""
    folder = tmp_path_factory.mktemp("steady")
    workspace = Workspace(folder / "workspace").create()
    workspace.rule_book.write_text(steady_rules(), encoding="utf-8")
    land_all(workspace, folder / "inbox")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(building, "REFINED", 4)
        first = build(workspace)
    assert first.learned == "for the first time" and first.weighed == first.buildings
    return workspace


@pytest.fixture
def workspace(steady: Workspace, tmp_path: Path) -> Workspace:
    """A copy of it to do with as one likes."""
    return beside(steady, tmp_path, "workspace")


def test_only_touched_buildings_are_weighed_and_all_is_as_in_a_full_build(workspace, tmp_path):
    before = rows(
        store.warehouse_path(workspace, str(store.current_version(workspace))),
        "SELECT building_id, content FROM building_weighed JOIN buildings USING (building_no)",
    )
    record = learned_record.current_hash(workspace.learned)
    # Two buildings looked at again, one of them by somebody new; a newcomer before all others.
    land(
        workspace,
        tmp_path,
        "more.csv",
        observations(
            look("ONCE", "2", "false_ground"),
            look("BLIND", "4", "correct", inspector="Nova"),
            look("AAA-FIRST", "1", "correct"),
            look("AAA-FIRST", "2", "open_ground", method="three_lamp_tester"),
        ),
    )
    built = build(workspace)
    assert not built.learned and not built.notes
    assert (built.weighed, built.buildings) == (3, len(before) + 1)
    assert learned_record.current_hash(workspace.learned) == record
    after = rows(
        built.path,
        "SELECT building_id, content FROM building_weighed JOIN buildings USING (building_no)",
    )
    changed = {name for name, _ in set(after) - set(before)}
    assert changed == {"ONCE", "BLIND", "AAA-FIRST"}
    assert_same(built, full(workspace, tmp_path, "full"))
    # Some buildings got more points and most did not: both kinds were taken over.
    points = [each for (each,) in rows(built.path, "SELECT effective_points FROM building_scores")]
    assert min(points) < 150 < max(points)

    # A look corrected, and the register's word on people and on the year of others.
    land(workspace, tmp_path, "more-2.csv", observations(look("ONCE", "2", "correct", room="bath")))
    land(
        workspace,
        tmp_path,
        "assessor.csv",
        "building_id,year_built,occupants\nCONFLICT,1968,4\nBARE,1925,2\n",
    )
    corrected = build(workspace)
    assert (corrected.weighed, corrected.learned) == (3, "")
    assert_same(corrected, full(workspace, tmp_path, "full-2"))

    # An export taken out again: its buildings are as they were, one of them is gone.
    (taken,) = [m.sha256 for m in workspace.manifests() if Path(m.path).name == "more.csv"]
    shutil.rmtree(workspace.folder(taken))
    assert any("more.csv" in note and "gone" in note for note in soundness.prepare(workspace))
    withdraw(workspace, taken)
    fewer = build(workspace)
    assert (fewer.weighed, fewer.buildings) == (1, len(before))
    assert_same(fewer, full(workspace, tmp_path, "full-3"))


def test_a_proven_repair_touches_its_building_alone(workspace, tmp_path):
    header = OBSERVED + ",ground_present,polarity,ground_path_ohms\n"

    def land_look(name: str, result: str, inspector: str, day: str, jumper: str, ground: str):
        said = {"inspector": inspector, "observed_on": day, "cover_removed": "yes"}
        row = look("MANY", "0", result, **said)
        text = header + row.rsplit(",", 1)[0] + f",{jumper},{ground},correct,0.2\n"
        (tmp_path / name).write_text(text, encoding="utf-8")
        intake(workspace, [tmp_path / name])

    def sync() -> None:
        with store.reading(workspace) as con:
            ledger = open_ledger(workspace=workspace.root)
            try:
                sync_findings(con, ledger, who="test")
            finally:
                ledger.close()

    land_look("found.csv", "false_ground", "Ada", "2024-05-02", "yes", "no")
    assert build(workspace).weighed == 1
    sync()
    ledger = open_ledger(workspace=workspace.root)
    (finding,) = [
        f
        for f in current(ledger).to_dict("records")
        if f["building_id"] == "MANY" and f["opening_id"] == "0"
    ]
    ledger.append(
        finding["finding_id"],
        FixReported(
            remedy="grounding_conductor_added",
            fixed_on=dt.date(2024, 6, 1),
            firm="Invented Electric",
            worker="D. Orme",
            licence="X-1",
            permit="P-1",
        ),
        who="test",
        origin="cli",
        expected=finding["sequence"],
    )
    ledger.close()
    reported = build(workspace)
    assert not reported.reused and reported.weighed == 0
    assert_same(reported, full(workspace, tmp_path, "reported"))
    land_look("after.csv", "correct", "Cyn Vale", "2024-08-02", "no", "yes")
    assert build(workspace).weighed == 1
    sync()
    proven = build(workspace)
    assert rows(proven.path, "SELECT count(*) FROM proven_fixes") == [(1,)]
    assert proven.weighed == 1
    assert_same(proven, full(workspace, tmp_path, "proven"))

    # Nothing is known of the repair any more.
    shutil.rmtree(workspace.ledger)
    withdrawn = build(workspace)
    assert rows(withdrawn.path, "SELECT count(*) FROM proven_fixes") == [(0,)]
    assert withdrawn.weighed == 1
    assert_same(withdrawn, full(workspace, tmp_path, "withdrawn"))


def test_only_openings_whose_looks_changed_are_gathered(workspace, tmp_path, monkeypatch):
    kept: list[str] = []
    take = Earlier.take_openings

    def told(earlier: Earlier, con: duckdb.DuckDBPyConnection) -> None:
        take(earlier, con)
        named = con.execute(
            "SELECT building_id FROM buildings JOIN gathered_before USING (building_no)"
        )
        kept[:] = [name for (name,) in named.fetchall()]

    monkeypatch.setattr(Earlier, "take_openings", told)

    def gathered(name: str) -> set[str]:
        kept.clear()
        built = build(workspace)
        assert not built.notes and not built.learned
        found = {name for (name,) in rows(built.path, "SELECT building_id FROM buildings")}
        assert kept and len(kept) == len(set(kept)) and found > set(kept)
        anew = found - set(kept)
        monkeypatch.undo()
        assert_same(built, full(workspace, tmp_path, name))
        monkeypatch.setattr(Earlier, "take_openings", told)
        return anew

    def land_looks(name: str, *looks: str) -> None:
        land(workspace, tmp_path, name, observations(*looks))

    # A newcomer before the others: their numbers shift. Another's looks name no dwelling.
    land_looks(
        "new.csv",
        look("AAA-FIRST", "1", "not_accessible", inspector="Nova"),
        look("VACANT", "1", "correct", unit_id=""),
        look("VACANT", "2", "open_ground", unit_id="", method="three_lamp_tester"),
    )
    assert gathered("new") == {"AAA-FIRST", "VACANT"}
    # Of a single dwelling an opening without a unit belongs to it.
    land(workspace, tmp_path, "units.csv", "building_id,dwelling_units\nVACANT,1\nBARE,3\n")
    # A reader's first true look is somewhere else: what the reader is taken for changes here too.
    land_looks("nova.csv", look("ONCE", "2", "correct", inspector="Nova"))
    assert gathered("units-and-nova") == {"VACANT", "AAA-FIRST", "ONCE"}
    # A later export corrects the row; at another's opening somebody else sees the very same.
    land_looks(
        "nova-2.csv",
        look("ONCE", "2", "false_ground", inspector="Nova"),
        look("TWICE", "1", "open_ground", inspector="Bo", method="three_lamp_tester", room="",
             observed_on="2024-05-03", cover_removed=""),
    )  # fmt: skip
    assert gathered("corrected-and-bo") == {"ONCE", "TWICE"}
    # Exports taken out again: a building goes, numbers shift back, an old look is in force again.
    for manifest in workspace.manifests():
        if Path(manifest.path).name in ("new.csv", "nova-2.csv"):
            shutil.rmtree(workspace.folder(manifest.sha256))
            withdraw(workspace, manifest.sha256)
    assert gathered("fewer") == {"VACANT", "ONCE", "TWICE"}


def test_learned_again_when_asked_and_the_same_data_teach_the_same(workspace):
    first = learned_record.current_hash(workspace.learned)
    before = store.current_version(workspace)
    assert build(workspace).reused
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(building, "REFINED", 4)
        again = build(workspace, learn_again=True)
    assert again.learned == "as asked" and again.weighed == again.buildings
    assert learned_record.current_hash(workspace.learned) == first
    assert again.version == before
    said = run("build", "--learn", "--workspace", workspace.root).out
    assert "learned anew (as asked)" in said
    shown = run("evidence", "--learned", "--workspace", workspace.root).out
    assert "learned from 15 buildings when 4 exports had landed, and nothing since." in shown


def test_learned_again_when_the_data_move_or_the_portfolio_grew(workspace, tmp_path):
    rules = steady_rules().replace(
        "relearn_tolerance = { value = 100.0", "relearn_tolerance = { value = 0.18"
    )
    workspace.rule_book.write_text(rules, encoding="utf-8")
    other = build(workspace)
    assert other.learned == "the rules or the model changed"
    land(workspace, tmp_path, "like.csv", observations(look("LAMPS", "2", "correct")))
    kept = build(workspace)
    assert not kept.learned and kept.weighed == 1
    # New kinds of buildings: whatever is opened there has neither a ground nor a jumper.
    land(
        workspace,
        tmp_path,
        "moved.csv",
        observations(*[look(f"MOVED-{n % 10}", str(n), "open_ground") for n in range(60)]),
    )
    moved = build(workspace)
    assert moved.learned.startswith("held-out buildings' mean log likelihood")
    assert moved.weighed == moved.buildings
    assert build(workspace).reused

    land(
        workspace,
        tmp_path,
        "register-2.csv",
        "building_id,year_built\n" + "".join(f"NEW-{n},1950\n" for n in range(40)),
    )
    grown = build(workspace)
    assert grown.learned.startswith("the portfolio grew from")


def test_damage_means_a_full_build_and_a_plain_word(workspace, tmp_path):
    def touch(name: str) -> None:
        land(workspace, tmp_path, f"{name}.csv", observations(look("ONCE", name, "correct")))

    path = store.warehouse_path(workspace, str(store.current_version(workspace)))
    draws = bytearray(store.draws_path(path).read_bytes())
    draws[-1] ^= 1
    store.draws_path(path).write_bytes(draws)
    touch("a")
    built = build(workspace)
    assert built.weighed == built.buildings and not built.learned
    assert "is not what was written" in built.notes[0] and "weighed again" in built.notes[0]
    assert_same(built, full(workspace, tmp_path, "full"))

    store.draws_path(built.path).unlink()
    touch("b")
    built = build(workspace)
    assert built.weighed == built.buildings and "is missing" in built.notes[0]

    built.path.write_bytes(b"no warehouse" * 1000)
    touch("c")
    built = build(workspace)
    assert built.weighed == built.buildings and "was damaged" in built.notes[0]
    touch("d")
    assert build(workspace).weighed == 1, "and the one after takes over again"

    (record,) = [*workspace.learned.glob("*.json")]
    record.write_text(record.read_text(encoding="utf-8").replace("0", "1", 1), encoding="utf-8")
    touch("e")
    built = build(workspace)
    assert built.learned == "the record of it was damaged"
    assert "cannot be used" in built.notes[0] and "learned again" in built.notes[0]
    assert built.weighed == built.buildings
    record = workspace.learned / f"{learned_record.current_hash(workspace.learned)}.json"
    record.write_text("{}", encoding="utf-8")
    touch("f")
    assert build(workspace).learned == "the record of it was damaged"


def test_what_the_kernel_gets_can_be_written_to():
    """Arrays that cannot would get compiled code of their own, with other last bits."""
    frame = pd.DataFrame({"wiring_method": ["knob_and_tube", None, "conduit"]})
    assert poor_share(load_rule_book(), frame).flags.writeable


def test_other_rules_learn_for_themselves_and_store_nothing(workspace):
    before = sorted(file.name for file in workspace.learned.iterdir())
    text = steady_rules().replace("body_ohms = { value = 1000.0", "body_ohms = { value = 900")
    compare_rule_books(workspace, parse_rule_book(text))
    assert sorted(file.name for file in workspace.learned.iterdir()) == before
    assert len([*workspace.warehouse.glob("*.draws")]) == 1


def test_only_the_current_warehouse_keeps_its_draws(workspace, tmp_path):
    for day in ("2024-09-01", "2024-09-02"):
        text = observations(look("ONCE", "1", "correct", observed_on=day))
        land(workspace, tmp_path, f"{day}.csv", text)
        built = build(workspace)
    assert [*workspace.warehouse.glob("*.draws")] == [store.draws_path(built.path)]
    assert len([*workspace.warehouse.glob("*.duckdb")]) == 2

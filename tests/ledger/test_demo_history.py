"""The invented history obeys every rule that people's entries obey, and is the same each time."""

import datetime as dt

import pytest
from warehouse_sample import Warehouse

from data_demo.history import DAYS, replay_history
from data_demo.portfolios import FOLDER, PORTFOLIOS
from pipeline.landing import Workspace, intake, load_mapping, save_mapping
from pipeline.ledger import State, current, open_ledger
from pipeline.ledger.families import FAMILY
from pipeline.ledger.sync import Synced, sync_findings
from pipeline.warehouse import store
from pipeline.warehouse.build import build

UNTIL = dt.date(2025, 9, 30)


@pytest.fixture
def warehouse():
    made = Warehouse()
    for number in range(60):
        defect = list(FAMILY)[number % len(FAMILY)].value
        made.opening(f"K{number}", defect, 0.95, confirmed=number % 3 > 0)
    made.insert("data_quality_findings", kind="sources_disagree", building_id="B2",
                column="occupants", message="2 or 3")  # fmt: skip
    yield made.con
    made.con.close()


@pytest.mark.slow
def test_two_years_of_history_with_every_kind_of_end(ledger, warehouse):
    done = replay_history(ledger, warehouse, "housing_authority", 5, until=UNTIL)
    assert done.findings == 61
    assert ledger.verify() == []
    frame = current(ledger)
    assert {State.REPAIR_PROVEN, State.FIX_REPORTED_UNPROVEN} <= set(frame["state"])
    assert set(frame[frame["grade"] != "record_in_doubt"]["regulation"]) == {"us_public_housing"}
    stored = [each.recorded_at for each in ledger.stored()]
    assert min(stored) >= (UNTIL - dt.timedelta(DAYS)).isoformat()
    assert max(stored) <= (UNTIL + dt.timedelta(1)).isoformat()
    assert sync_findings(warehouse, ledger) == Synced(0, 0, 0, 0, 0, 0)
    again = replay_history(ledger, warehouse, "housing_authority", 5, until=UNTIL)
    assert (again.findings, again.events) == (0, 0)


@pytest.mark.slow
def test_the_same_seed_gives_the_same_history(ledger, warehouse, tmp_path):
    other = open_ledger(tmp_path / "other.sqlite")
    third = open_ledger(tmp_path / "third.sqlite")
    for each, seed in ((ledger, 5), (other, 5), (third, 6)):
        replay_history(each, warehouse, "insurer", seed, until=UNTIL)
    assert ledger.heads() == other.heads()
    assert ledger.heads() != third.heads()


@pytest.mark.long
@pytest.mark.parametrize("portfolio", PORTFOLIOS)
def test_every_portfolio_gets_a_history(portfolio, tmp_path):
    place = Workspace(tmp_path / portfolio).create()
    for file in (FOLDER / portfolio / "mappings").glob("*.toml"):
        save_mapping(place, load_mapping(file))
    intake(place, [FOLDER / portfolio / "exports"])
    build(place)
    ledger = open_ledger(workspace=place.root)
    with store.reading(place) as con:
        done = replay_history(ledger, con, portfolio, PORTFOLIOS[portfolio][0], until=UNTIL)
    assert done.findings > 20
    assert ledger.verify() == []
    assert State.REPAIR_PROVEN in set(current(ledger)["state"])

"""Large portfolios are built a stretch of buildings at a time; that must change nothing."""

import pytest

from pipeline.evidence import posterior
from pipeline.warehouse import build as building
from tests.warehouse.small_portfolio import rows


@pytest.fixture(scope="module")
def in_stretches(small, tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(building, "LOOKS_AT_ONCE", 5)
        patch.setattr(posterior, "ROWS_AT_ONCE", 3)
        path = tmp_path_factory.mktemp("stretches") / "warehouse.duckdb"
        return building.build(small[0], into=path).path


@pytest.mark.slow
@pytest.mark.parametrize(
    ("table", "order"),
    [
        ("openings", "building_no, unit_id, opening_id"),
        ("opening_groups", "building_no, row_no"),
        ("building_scores", "building_no"),
    ],
)
def test_stretches_change_nothing(in_stretches, ask, table, order):
    sql = f"SELECT * FROM {table} ORDER BY {order}"
    found = rows(in_stretches, sql)
    assert len(found) > 10 and found == ask(sql)

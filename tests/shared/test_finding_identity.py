"""The SQL of a finding's place makes the same hash as the identifier itself."""

import pytest

from pipeline.offline import connect
from shared.finding_identity import DefectFamily, FindingKey, finding_id, is_of_place_sql

SQL = f"SELECT {is_of_place_sql('$id', '$building', '$unit', '$opening')}"


@pytest.mark.parametrize("building", ["0017", 'R/1 \u00e9"x\\', "\u6771\u4eac \t7"])
@pytest.mark.parametrize("occurrence", [1, 2, 20])
def test_an_identifier_is_of_its_own_place_and_no_other(building, occurrence):
    con = connect()

    def said(identifier, unit, opening, at=building):
        named = {"id": identifier, "building": at, "unit": unit, "opening": opening}
        return con.execute(SQL, named).fetchone()[0]

    for family in DefectFamily:
        own = finding_id(FindingKey(building, "1A", "K2", family), occurrence)
        assert said(own, "1A", "K2")
        assert not said(own, "1A", "K1") and not said(own, "1B", "K2")
        assert not said(own, "1A", "K2", at="elsewhere")
    anywhere = finding_id(FindingKey(building, "1A", "", "live_metal"), occurrence)
    assert said(anywhere, "1A", "K9") and not said(anywhere, "1B", "K9")
    of_building = finding_id(FindingKey(building, "", "", "shock_reported"), occurrence)
    assert said(of_building, None, None) and said(of_building, "1B", "K9")
    con.close()

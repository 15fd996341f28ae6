"""What a header that begins the name of evidence is taken for: nothing, until a person says so."""

from __future__ import annotations

import pytest

from tests.cli.running import run

TEXT = """Building,Unit,Outlet,Date Tested,Method,Result,Appliance
B-1,1A,K1,2024-03-14,plug-in tester,OK,60
B-1,1A,K2,2024-03-14,plug-in tester,OK,0
"""


def urgent(workspace):
    assert run("build", "--workspace", workspace.root).code == 0
    listed = run("urgent", "--workspace", workspace.root, "--json").json()
    return [row["opening_id"] for row in listed]


@pytest.mark.slow
def test_the_price_of_an_appliance_makes_nothing_urgent(workspace, inbox):
    path = inbox / "looks.csv"
    path.write_text(TEXT)
    place = ("--workspace", workspace.root)
    refused = run("intake", path, *place)
    assert refused.code == 2 and "'Appliance' may be case_earth_volts" in refused.err
    assert run("intake", path, "--set", "ignore=Appliance", *place).code == 0
    assert urgent(workspace) == []
    # the same figures said to be volts
    path.write_text(TEXT.replace("1A", "1B"))
    assert run("intake", path, "--set", "case_earth_volts=Appliance", *place).code == 0
    assert urgent(workspace) == ["K1"]


def test_half_of_a_name_is_no_header_of_a_kept_mapping(workspace, inbox):
    place = ("--workspace", workspace.root)
    path = inbox / "looks.csv"
    path.write_text(TEXT.replace("Appliance", "Appliance reads"))
    answers = ("--set", "case_earth_volts=Appliance reads")
    assert run("intake", path, *answers, *place).code == 0
    path.write_text(TEXT.replace("1A", "1C"))
    assert run("intake", path, *place).code == 2

"""``coverplate plan sample``: from landed files to how many looks are enough."""

from __future__ import annotations

import pytest
from scipy.stats import hypergeom

from pipeline.landing import Workspace
from pipeline.warehouse import queries, store
from tests.cli.running import run


def asked(housing, *words):
    (row,) = run("plan", "sample", *words, "--workspace", housing, "--json").json()
    return row


def first(housing):
    return run("rank", "--top", "1", "--workspace", housing, "--json").json()[0]["building_id"]


@pytest.mark.slow
def test_the_openings_to_draw_from_are_those_that_no_capable_look_spoke_of(housing):
    building = first(housing)
    row = asked(housing, "--building", building, "--share", "0.1")
    listed = run("openings", building, "--workspace", housing, "--json").json()
    with store.reading(Workspace(housing)) as con:
        seen = queries.openings(con, building)["sees_false_ground"]
    settled = int(seen.sum())
    assert row["settled"] == settled
    assert row["openings"] >= len(listed)
    assert row["unsettled"] == row["openings"] - settled
    # a cover-off look all but always finds it, so the plain formula is a lower bound and near
    plain = next(
        n
        for n in range(row["unsettled"] + 1)
        if hypergeom.pmf(0, row["unsettled"], row["bad"], n) <= 0.05
    )
    assert plain <= row["needed"] <= plain + 2
    assert 0.95 < row["detection"] < 1


@pytest.mark.slow
def test_no_number_of_three_lamp_looks_is_enough(housing):
    building = first(housing)
    row = asked(housing, "--building", building, "--method", "three_lamp_tester")
    assert (row["detection"], row["needed"], row["needed_by_model"]) == (0, None, None)
    told = run("plan", "sample", "--building", building, "--method", "three_lamp_tester",
               "--workspace", housing).out  # fmt: skip
    assert "no number of looks is enough" in told and "proves nothing" in told


@pytest.mark.slow
def test_what_clean_looks_prove(housing):
    none = asked(housing, "--building", first(housing), "--looked", "0")
    some = asked(housing, "--building", first(housing), "--looked", "12")
    bad = asked(housing, "--building", first(housing), "--looked", "12", "--of-them-bad", "3")
    assert none["may_be"] == none["unsettled"]
    assert some["may_be"] < bad["may_be"] < none["may_be"]


@pytest.mark.slow
def test_a_part_of_the_portfolio_and_what_cannot_be_asked(housing):
    every = asked(housing)
    assert every["buildings"] == len(run("rank", "--workspace", housing, "--json").json())
    assert every["needed_by_model"] is None and not every["weighed"]
    part = asked(housing, "--evidence", "none")
    assert 0 < part["buildings"] < every["buildings"] and part["settled"] == 0
    for words in (
        ("--building", "nobody"),
        ("--share", "0.1", "--bad", "3"),
        ("--of-them-bad", "1"),
        ("--building", first(housing), "--bad", "100000"),
        ("--building", first(housing), "--looked", "100000"),
    ):
        refused = run("plan", "sample", *words, "--workspace", housing)
        assert refused.code == 2 and "Traceback" not in refused.err, words

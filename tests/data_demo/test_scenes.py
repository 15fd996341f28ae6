"""The scenes are in the truth and in the exports as they are told to be."""

import json

import pytest

from data_demo.portfolios import FOLDER, PORTFOLIOS, exports_of, portfolio_of
from data_demo.reckoning import in_force
from shared.vocabulary import RecordKind

KEY = ("building_id", "unit_id", "opening_id")


@pytest.fixture(scope="module", params=sorted(PORTFOLIOS))
def played(request):
    portfolio, scenes = portfolio_of(request.param)
    looks = {}
    for look in in_force(exports_of(request.param), RecordKind.OPENING_OBSERVATIONS):
        looks.setdefault(tuple(look.get(column) for column in KEY), []).append(look)
    truth = {
        tuple(None if value != value else value for value in key): row
        for key, row in zip(
            portfolio.truth[list(KEY)].itertuples(index=False, name=None),
            portfolio.truth.to_dict("records"),
            strict=True,
        )
    }
    return request.param, scenes, looks, truth


def place(told):
    return tuple(told[column] for column in KEY)


@pytest.mark.slow
def test_what_is_told_is_what_stands_in_expected(played):
    name, scenes, _, _ = played
    text = (FOLDER / name / "expected.json").read_text(encoding="utf-8")
    assert json.loads(text)["scenes"] == json.loads(json.dumps(scenes))


def test_what_is_urgent_is_read_and_true(played):
    _, scenes, looks, truth = played
    live = {"reversed_false_ground"}
    true = {
        "live_metal": live,
        "shock_reported": live,
        "heat_or_scorch": {"open_neutral"},
        "abnormal_voltage": {"shared_neutral_open"},
    }
    assert {told["defect"] for told in scenes["urgent"]} == set(true)
    for told in scenes["urgent"]:
        assert truth[place(told)]["condition"] in true[told["defect"]]
        read = looks[place(told)]
        columns = {column for look in read for column in look}
        assert columns & {
            "plate_earth_volts",
            "ground_contact_earth_volts",
            "shock_reported",
            "heat_or_scorch",
            "hot_neutral_volts",
        }
        if "later_pass_by" in told:
            last = max(read, key=lambda look: look["observed_on"])
            assert (last["method"], last["result"]) == (told["later_pass_by"], "correct")


def test_a_jumper_in_the_box_before_is_passed_by_the_open_box_and_then_found(played):
    _, scenes, looks, truth = played
    (told,) = scenes["upstream"]
    assert truth[place(told)]["condition"] == told["condition"]
    head = truth[(told["building_id"], told["unit_id"], told["head"])]
    assert head["jumper_here"] and head["circuit_id"] == truth[place(told)]["circuit_id"]
    read = {look["method"]: look["result"] for look in looks[place(told)]}
    assert read == {
        "cover_off_inspection": "correct",
        "upstream_box_seen": "false_ground_upstream",
    }


def test_a_capable_look_clears_and_ohms_show_a_poor_ground(played):
    _, scenes, looks, truth = played
    (told,) = scenes["cleared"]
    assert truth[place(told)]["condition"] == "open_neutral"
    first, second = sorted(looks[place(told)], key=lambda look: look["observed_on"])
    assert first["result"] == "hot_ground_reversed"
    assert second["observed_on"].isoformat() == told["cleared_on"]
    assert (second["polarity"], second["neutral_ground_jumper"]) == ("correct", "no")
    (poor,) = scenes["poor_ground"]
    assert truth[place(poor)]["condition"] == "poor_ground"
    assert truth[place(poor)]["poor_ohms"] == poor["ground_path_ohms"]
    assert [look["ground_path_ohms"] for look in looks[place(poor)]] == [poor["ground_path_ohms"]]


@pytest.mark.slow
def test_two_dwellings_that_lamps_pass_alike_differ_behind_the_plates():
    name = "housing_authority"
    portfolio, scenes = portfolio_of(name)
    told = scenes["place_decides"]
    truth = portfolio.truth.set_index(list(KEY))["condition"]
    looks = {}
    for look in in_force(exports_of(name), RecordKind.OPENING_OBSERVATIONS):
        if look["building_id"] == told["building_id"]:
            looks.setdefault((look.get("unit_id"), look["opening_id"]), []).append(look)
    for flat, found in (("jumpered", "false_ground"), ("rewired", "correct")):
        home = told[flat]
        assert len(home["passed_lamps"]) >= 5 and home["cover_off"]
        for opening in home["passed_lamps"]:
            assert truth[told["building_id"], home["unit_id"], opening] == home["condition"]
            (look,) = looks[home["unit_id"], opening]
            assert (look["method"], look["result"]) == ("three_lamp_tester", "correct")
        for opening in home["cover_off"]:
            (look,) = looks[home["unit_id"], opening]
            assert (look["method"], look["result"]) == ("cover_off_inspection", found)

"""Scores, their split, intervals and ranks as they stand in the warehouse."""

from itertools import pairwise

import pytest

from pipeline.scoring.explanation import INGREDIENTS
from pipeline.warehouse import queries, store

SCORES = "SELECT * FROM building_scores JOIN buildings USING (building_no)"


@pytest.fixture(scope="module")
def scores(small):
    con = store.open_reader(small[1].path)
    yield con.execute(SCORES).fetchdf().set_index("building_id")
    con.close()


@pytest.fixture(scope="module")
def ranking(small):
    con = store.open_reader(small[1].path)
    yield queries.ranking(con)
    con.close()


def test_baseline_and_ingredients_add_up_to_every_score(scores):
    total = scores[["baseline", *INGREDIENTS]].sum(axis=1)
    for name in scores.index:
        # Where nobody lives the score is nothing, and the parts cancel but for rounding.
        rounding = 1e-12 * scores.baseline[name]
        assert total[name] == pytest.approx(scores.score[name], rel=1e-9, abs=rounding)
    assert (scores.score > 0).sum() > 10


def test_buildings_without_any_look_owe_nothing_to_looks(scores):
    for name in ("BARE", "ZERO", "REGISTER-ONLY", "VULNERABLE", "VISITED"):
        assert scores.mixed_openings[name] == 0
        assert scores.confirmed_defects[name] == 0
    assert scores.era["REGISTER-ONLY"] > 0
    assert scores.mixed_openings["MANY"] != 0
    assert scores.confirmed_defects["MANY"] != 0


def test_a_typical_dwelling_owes_nothing_to_occupancy(scores):
    for name in ("BARE", "ZERO", "VISITED"):
        assert abs(scores.occupancy[name]) < 1e-12 * scores.score[name]
    # Nine vulnerable people where two or three persons are usual; nobody where four are.
    assert scores.occupancy["VULNERABLE"] > 0
    assert scores.occupancy["VACANT"] == pytest.approx(
        -scores.baseline["VACANT"]
        - scores[["era", "mixed_openings", "confirmed_defects"]].sum(axis=1)["VACANT"]
    )


def test_baseline_depends_on_the_number_of_openings_alone(scores, ask):
    openings = dict(
        ask("SELECT building_id, openings FROM building_sizes JOIN buildings USING (building_no)")
    )
    each = {name: scores.baseline[name] / openings[name] for name in scores.index}
    assert max(each.values()) == pytest.approx(min(each.values()), rel=0.05)


def test_per_dwelling_is_by_dwellings_and_ranks_by_itself(ranking, scores):
    assert (ranking.score_per_dwelling * ranking.dwellings).tolist() == pytest.approx(
        ranking.score.tolist()
    )
    assert (ranking.burden_per_dwelling * ranking.dwellings).tolist() == pytest.approx(
        ranking.burden.tolist()
    )
    order = scores.sort_values("rank_per_dwelling").burden_per_dwelling.tolist()
    assert order == sorted(order, reverse=True)
    assert sorted(scores.rank_per_dwelling) == list(range(1, len(scores) + 1))
    assert (scores.rank_per_dwelling != scores["rank"]).any()


def test_ranks_follow_the_burden_and_orders_by_score_follow_the_score(scores):
    order = scores.sort_values("rank")
    assert order["rank"].tolist() == list(range(1, len(scores) + 1))
    assert order.burden.tolist() == sorted(scores.burden, reverse=True)
    assert (scores.rank_low <= scores.rank_high).all()
    for name in ("score", "score_per_dwelling"):
        found = scores.sort_values(f"rank_by_{name}")[name].tolist()
        assert found == sorted(scores[name], reverse=True)
    assert (scores["rank"] != scores.rank_by_score).any()
    # A mean may lie outside an interval of a lopsided distribution: no interval is stretched to it.
    assert (scores.score_low <= scores.score_high).all()
    assert (scores.score_low < scores.score_high).sum() > 10
    assert scores.p_top.between(0, 1).all() and scores.p_top.sum() == pytest.approx(10)


def test_burden_is_dangerous_openings_times_the_people_who_live_with_each(ranking):
    product = ranking.expected_dangerous_openings * ranking.exposed_per_dwelling
    assert ranking.burden.tolist() == pytest.approx(product.tolist())
    nobody = ranking.set_index("building_id").loc["VACANT"]
    assert nobody.people == 0 and nobody.burden == 0 and nobody.expected_dangerous_openings > 0


def test_dangerous_openings_are_whole_numbers_within_the_building(ranking):
    for row in ranking.itertuples():
        assert 0 <= row.dangerous_low <= row.dangerous_high
        # Where their number is assumed there may be more of them than that.
        assert row.dangerous_high <= row.openings or row.openings_assumed
        assert isinstance(row.dangerous_low, int)
        assert 0 <= row.expected_dangerous_openings <= row.openings
        assert 0 <= row.p_any_dangerous <= 1


def test_more_confirmed_defects_mean_more_expected_harm(scores):
    assert (
        scores.score["MANY"] == scores.score.drop(["URGENT-HOG", "URGENT-RFG", "URGENT-BOTH"]).max()
    )


def test_reasons_stand_in_order_of_weight_what_raises_the_score_first(ask):
    weights = ask("SELECT building_no, position, weight FROM reasons ORDER BY 1, 2")
    for (before, _, heavier), (after, _, lighter) in pairwise(weights):
        assert before != after or heavier >= lighter
    lowering = ask("SELECT reason FROM reasons WHERE ingredient = 'occupancy' AND weight < 0")
    assert lowering and all(reason.endswith(" Lowers the score.") for (reason,) in lowering)


def test_every_building_has_reasons_and_a_next_look(ranking):
    for row in ranking.itertuples():
        assert len(row.reasons) >= 2
        assert all(reason.endswith(".") for reason in row.reasons)
        assert row.next_look.endswith(".")


def test_next_look_where_there_is_live_metal_is_now(ranking):
    looks = ranking.set_index("building_id").next_look
    assert looks["URGENT-RFG"].startswith("Now: a qualified person to unit 1, opening R: reported")
    assert "nobody has recorded" in looks["REGISTER-ONLY"]


def test_the_rule_book_hash_is_on_the_results(ranking, small, ask):
    wanted = small[1].rule_book_hash
    assert set(ranking.rule_book_hash) == {wanted}
    assert ask("SELECT rule_book_hash, version FROM build_facts") == [(wanted, small[1].version)]

"""``rank``, ``building``, ``openings`` and their kin on the invented portfolios."""

import json
import re
import shutil

import pytest

from pipeline.landing import Workspace
from pipeline.warehouse import store
from shared.in_words import percent
from shared.rule_book import default_rule_book_text, load_rule_book
from shared.vocabulary import CAUTIONS, CONDITIONS, Method
from tests.cli.running import run

pytestmark = pytest.mark.slow


RANK_KEYS = [
    *("rank", "building_id", "name", "score", "score_per_dwelling", "score_low", "score_high"),
    *("rank_low", "rank_high", "expected_dangerous_openings", "dangerous_low", "dangerous_high"),
    *("p_any_dangerous", "blind_share", "contributions", "urgent", "reasons"),
]
CONTRIBUTIONS = ["baseline", "era", "mixed_openings", "confirmed_defects", "occupancy"]
OPENING_KEYS = [
    *("opening_id", "unit_id", "room", "slots", "last_observed_on", "methods"),
    *("p", "p_dangerous", "confirmed"),
]


@pytest.fixture(scope="module")
def ranking(housing):
    outcome = run("rank", "--workspace", housing, "--json")
    assert outcome.code == 0
    return outcome.json()


def test_rank_json_has_the_documented_keys_in_order(ranking):
    for row in ranking:
        assert list(row)[: len(RANK_KEYS)] == RANK_KEYS
        assert list(row["contributions"]) == CONTRIBUTIONS


def test_rank_json_is_whole_and_adds_up(ranking):
    assert len(ranking) >= 20
    assert [row["rank"] for row in ranking] == list(range(1, len(ranking) + 1))
    for row in ranking:
        assert sum(row["contributions"].values()) == pytest.approx(row["score"], rel=1e-9)
        assert 0 <= row["score_low"] <= row["score_high"]
        assert 1 <= row["rank_low"] <= row["rank_high"] <= len(ranking)
        product = row["expected_dangerous_openings"] * row["exposed_per_dwelling"]
        assert row["burden"] == pytest.approx(product)
        assert row["dangerous_low"] <= row["dangerous_high"]
        assert all(isinstance(row[key], int) for key in ("dangerous_low", "dangerous_high"))
        assert 0 <= row["p_any_dangerous"] <= 1 and 0 <= row["blind_share"] <= 1
        assert row["reasons"] and all(isinstance(reason, str) for reason in row["reasons"])
        assert isinstance(row["urgent"], bool)
        assert row["rule_book_hash"] == load_rule_book().hash


def test_the_simulation_error_of_a_score_is_told_of_each_building(housing, ranking):
    with store.reading(Workspace(housing)) as con:
        stored = dict(
            con.execute(
                "SELECT building_id, score_error FROM building_scores JOIN buildings "
                "USING (building_no)"
            ).fetchall()
        )
    assert {row["building_id"]: row["score_error"] for row in ranking} == stored
    # None where nobody looked: there the score is a sum.
    assert min(stored.values()) == 0 and len({*stored.values()}) > 10
    assert max(stored.values()) < 0.2
    one = ranking[0]
    (found,) = run("building", one["building_id"], "--workspace", housing, "--json").json()
    assert found["score_error"] == one["score_error"]
    text = run("building", one["building_id"], "--workspace", housing).out
    assert f"unsure by {percent(one['score_error'])} at most" in text


def test_rank_top_and_order(housing, ranking):
    assert run("rank", "--top", 3, "--workspace", housing, "--json").json() == ranking[:3]
    for by in ("burden", "burden_per_dwelling", "score", "score_per_dwelling"):
        each = run("rank", "--by", by, "--workspace", housing, "--json").json()
        found = [row[by] for row in each]
        assert found == sorted(found, reverse=True) and len(each) == len(ranking)
        assert [row["rank"] for row in each] == list(range(1, len(each) + 1))
        # An interval belongs to the order by burden alone: none is told of another.
        assert all((row["rank_low"] is None) == by.startswith("score") for row in each)
        text = run("rank", "--by", by, "--workspace", housing).out
        assert ("in order of their burden" in text) == by.startswith("burden")
        if by == "burden":
            assert each == ranking


def test_rank_filters_keep_the_rank_among_all(housing, ranking):
    text = run("rank", "--city", "Eelmarket", "--workspace", housing, "--json")
    assert text.code == 0
    some = run("rank", "--era", "before_1940", "--workspace", housing, "--json").json()
    assert 0 < len(some) < len(ranking)
    by_id = {row["building_id"]: row for row in ranking}
    assert all(by_id[row["building_id"]] == row for row in some)
    nobody = run("rank", "--owner", "Nobody At All", "--workspace", housing, "--json")
    assert nobody.json() == [] and "No building" in nobody.err


def test_printed_ranking_shows_the_same_order_and_the_cautions(housing, ranking):
    text = run("rank", "--top", 5, "--workspace", housing).out
    table = text.partition("what weighs most")[2]  # the urgent stand above it, by name
    places = [table.index(f" {row['building_id']}") for row in ranking[:5]]
    assert places == sorted(places)
    assert all(caution in text for caution in CAUTIONS)
    assert "death equivalents per million years" in text
    assert load_rule_book().hash[:12] in text


def test_building_json(housing, ranking):
    name = ranking[0]["building_id"]
    (found,) = run("building", name, "--workspace", housing, "--json").json()
    assert {key: found[key] for key in ranking[0]} == ranking[0]
    assert found["facts"]["openings"] > 0
    assert set(found["rates"]) >= {"false_ground", "converted", "ungrounded_origin"}


def test_printed_steps_of_the_score_add_up_on_the_screen(housing, manager, insurer, ranking):
    places = [(housing, row["building_id"]) for row in ranking[:5]]
    for place in (manager[1], insurer[1]):
        rows = run("rank", "--workspace", place, "--json").json()
        places += [(place, rows[0]["building_id"]), (place, rows[-1]["building_id"])]
    for place, name in places:
        text = run("building", name, "--workspace", place).out
        table = text.partition("How the score comes about")[2].partition("Score:")[0]
        # Three columns: what is known, what it adds, before → after.
        numbers = [
            float(found.replace(",", ""))
            for found in re.findall(r"^\S.*?  +(-?[\d,.]+)  +.*\d\s*$", table, re.MULTILINE)
        ]
        assert len(numbers) == 6
        assert sum(numbers[:5]) == pytest.approx(numbers[5], abs=1e-9)
        assert all(caution in text for caution in CAUTIONS)
        assert "Why" in text and "Next look" in text
        assert re.search(r"among the first 10: [<>]?\d+ %", text)


def test_openings_json(housing, ranking):
    seen = 0
    for row in ranking[:8]:
        found = run("openings", row["building_id"], "--workspace", housing, "--json").json()
        for opening in found:
            assert list(opening)[: len(OPENING_KEYS)] == OPENING_KEYS
            assert list(opening["p"]) == [condition.value for condition in CONDITIONS]
            assert sum(opening["p"].values()) == pytest.approx(1, abs=1e-9)
            assert 0 <= opening["p_dangerous"] <= 1
            assert set(opening["methods"]) <= {method.value for method in Method}
            assert re.fullmatch(r"\d{4}-\d\d-\d\d", opening["last_observed_on"])
            assert isinstance(opening["confirmed"], bool)
        seen += len(found)
    assert seen > 100


def test_openings_of_a_building_that_nobody_looked_at(insurer):
    asked = ("rank", "--evidence", "none", "--workspace", insurer[1], "--json")
    empty = [row["building_id"] for row in run(*asked).json()]
    assert empty
    for each in empty[:3]:
        assert run("openings", each, "--workspace", insurer[1], "--json").json() == []
    text = run("openings", empty[0], "--workspace", insurer[1]).out
    assert re.search(r"Never recorded: \d+ openings", text)


def test_urgent_and_quality(manager, housing):
    listed = run("urgent", "--workspace", manager[1], "--json").json()
    assert listed[0]["defect"] in ("hot_on_ground", "live_metal", "reversed_false_ground")
    assert listed[0]["building_id"] in run("urgent", "--workspace", manager[1]).out
    findings = run("quality", "--workspace", housing, "--json").json()
    assert {row["kind"] for row in findings} >= {"sources_disagree"}
    one = findings[0]["building_id"]
    some = run("quality", "--building", one, "--workspace", housing, "--json").json()
    assert some and {row["building_id"] for row in some} == {one}


def test_evidence_shows_what_each_method_cannot_tell_apart():
    rows = run("evidence", "--json").json()
    assert {row["method"] for row in rows} == {method.value for method in Method}
    for method in Method:
        for condition in CONDITIONS:
            total = sum(
                row["probability"]
                for row in rows
                if row["method"] == method.value and row["condition"] == condition.value
            )
            assert total == pytest.approx(1, abs=1e-9)
    lamps = run("evidence", "--method", "three_lamp_tester").out
    assert "grounded / false ground" in lamps.partition("Cannot tell apart:")[2]
    assert "Cannot tell any two conditions apart." in run("evidence", "--method", "visual").out


def test_evidence_pairs_circuit_and_inspectors(housing):
    pairs = run("evidence", "--pairs", "--json").json()
    assert len(pairs) == len(Method) * len(CONDITIONS) * (len(CONDITIONS) - 1) // 2
    circuit = run("evidence", "--circuit", "--json").json()
    assert [row["condition"] for row in circuit] == [condition.value for condition in CONDITIONS]
    inspectors = run("evidence", "--inspectors", "--workspace", housing, "--json").json()
    columns = ["inspector", "looks", "compared", "passes", "leniency", "leniency_high", "reader"]
    assert inspectors and all(list(row) == columns for row in inspectors)
    assert all(0 <= row[name] <= 0.9 for row in inspectors for name in columns[4:6])
    assert all(0 <= row["compared"] <= row["looks"] >= row["passes"] for row in inspectors)
    for options in (["--pairs"], ["--circuit"], ["--inspectors", "--workspace", housing]):
        assert run("evidence", *options).code == 0


def test_rules_show_prints_every_number_as_declared(tmp_path):
    rows = run("rules", "show", "--json").json()
    assert len(rows) == len(list(load_rule_book().numbers()))
    assert all(row["unit"] and row["source"] for row in rows)
    text = run("rules", "show").out
    seed = next(row for row in rows if row["path"] == "scoring.seed")
    assert str(int(seed["value"])) in text
    assert re.search(r"evidence\.look_floor +0\.0003 ", text)
    printed = run("rules", "show", "--toml").out
    assert printed == default_rule_book_text()
    (tmp_path / "own.toml").write_text(printed, encoding="utf-8")
    assert run("rules", "check", tmp_path / "own.toml").code == 0


@pytest.fixture(scope="module")
def faulty(tmp_path_factory):
    text = default_rule_book_text()
    text = text.replace("supply_volts = { value = 120.0", "supply_volts = { value = -5")
    text = text.replace("[exposure]", "[exposure]\nnonsense = 3")
    text = text.replace(
        "top = { value = 10,", "top = { value = true_enough,".replace("true_enough", '"ten"')
    )
    path = tmp_path_factory.mktemp("rules") / "faulty.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "command",
    [
        ["rules", "check"],
        ["rules", "show", "--rule-book"],
        ["evidence", "--rule-book"],
        ["rank", "--rule-book"],
    ],
    ids=" ".join,
)
def test_a_faulty_rule_book_is_refused_with_every_fault(command, faulty, housing):
    more = ["--workspace", housing] if command[0] == "rank" else []
    outcome = run(*command, faulty, *more)
    assert outcome.code == 2
    assert outcome.out == ""
    for place in ("circuit.supply_volts", "exposure.nonsense", "scoring.top"):
        assert place in outcome.err
    assert "3 fault(s)" in outcome.err and "What to do:" in outcome.err


def test_rank_under_another_rule_book(manager, tmp_path):
    at = ("--workspace", manager[1], "--json")
    ranking = run("rank", *at).json()
    text = default_rule_book_text()
    for old, new in (
        ("vulnerable_weight = { value = 2.0", "vulnerable_weight = { value = 50"),
        ("wet_factor = { value = 3.0", "wet_factor = { value = 20"),
    ):
        assert old in text
        text = text.replace(old, new)
    other = tmp_path / "other.toml"
    other.write_text(text, encoding="utf-8")
    outcome = run("rank", "--rule-book", other, *at)
    assert outcome.code == 0
    rows = outcome.json()
    assert [row["building_id"] for row in rows] == [row["building_id"] for row in ranking]
    assert all(row["move"] == row["rank"] - row["other_rank"] for row in rows)
    assert any(row["move"] for row in rows)
    assert -1 <= rows[0]["kendall_tau"] < 1
    assert len({row["kendall_tau"] for row in rows}) == 1
    # The comparison leaves the warehouse as it was.
    assert run("rank", *at).json() == ranking


def test_filters_do_not_go_with_a_comparison(housing, tmp_path):
    outcome = run("rank", "--rule-book", tmp_path / "x", "--owner", "A", "--workspace", housing)
    assert outcome.code == 2 and "--rule-book" in outcome.err


COMMANDS = (
    ["build"],
    ["rank"],
    ["building", "X"],
    ["openings", "X"],
    ["urgent"],
    ["quality"],
    ["evidence", "--inspectors"],
    ["quarantine", "list"],
)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_an_unknown_workspace_is_refused(command, tmp_path):
    outcome = run(*command, "--workspace", tmp_path / "nowhere", "--json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "Refused: there is no workspace" in outcome.err
    assert "coverplate intake" in outcome.err.partition("What to do:")[2]
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize("command", COMMANDS[1:-1], ids=" ".join)
def test_a_workspace_never_built_is_refused(command, tmp_path):
    (tmp_path / "w" / "landed").mkdir(parents=True)
    outcome = run(*command, "--workspace", tmp_path / "w", "--json")
    assert outcome.code == 2 and outcome.out == ""
    assert "coverplate build" in outcome.err


@pytest.mark.parametrize("command", ["building", "openings"])
def test_an_unknown_building_is_refused_with_suggestions(command, housing):
    outcome = run(command, "001", "--workspace", housing, "--json")
    assert outcome.code == 2 and outcome.out == ""
    assert re.search(r"such as (00\d\d(, )?){3}", outcome.err)
    assert "coverplate rank" in outcome.err


@pytest.mark.parametrize(
    "command",
    [["rank", "--top", "0"], ["rank", "--by", "size"], ["nonsense"], ["rank", "--nonsense"]],
    ids=" ".join,
)
def test_wrong_usage_is_refused(command):
    outcome = run(*command)
    assert outcome.code == 2 and outcome.out == ""
    assert "Usage: coverplate" in outcome.err


def test_a_damaged_warehouse_is_refused_and_built_anew(insurer, tmp_path):
    place = tmp_path / "w"
    shutil.copytree(insurer[1], place)
    current = (place / "warehouse" / "CURRENT").read_text(encoding="ascii").strip()
    file = place / "warehouse" / f"warehouse-{current}.duckdb"
    file.write_bytes(b"\0" * 20_000)
    outcome = run("rank", "--workspace", place)
    assert outcome.code == 2 and "coverplate build" in outcome.err


def test_a_damaged_manifest_is_refused(insurer, tmp_path):
    place = tmp_path / "w"
    shutil.copytree(insurer[1], place)
    next((place / "landed").glob("*/manifest.json")).write_text("{", encoding="utf-8")
    for command in (["build"], ["rank"], ["quarantine", "list"]):
        outcome = run(*command, "--workspace", place)
        assert outcome.code == 2 and "damaged" in outcome.err


def test_a_stale_warehouse_says_so_and_is_not_compared(insurer, tmp_path):
    place = tmp_path / "w"
    shutil.copytree(insurer[1], place)
    assert "changed since" not in run("rank", "--workspace", place).err
    (tmp_path / "more.csv").write_text("building_id,year_built\nMORE,1950\n", encoding="utf-8")
    assert run("intake", tmp_path / "more.csv", "--workspace", place).code == 0
    stale = run("rank", "--workspace", place, "--json")
    assert stale.code == 0 and "coverplate build" in stale.err
    assert len(stale.json()) > 0
    (tmp_path / "same.toml").write_text(default_rule_book_text(), encoding="utf-8")
    outcome = run("rank", "--rule-book", tmp_path / "same.toml", "--workspace", place)
    assert outcome.code == 2 and "changed since the last build" in outcome.err


def test_a_fault_of_the_program_itself_shows_no_trace(monkeypatch, housing):
    def broken(*args, **kwargs):
        raise RuntimeError("something nobody thought of")

    monkeypatch.setattr("pipeline.warehouse.queries.urgent", broken)
    with pytest.raises(AssertionError) as told:  # the exit code is none of 0, 2, 3
        run("urgent", "--workspace", housing)
    outcome = str(told.value)
    assert "code=1" in outcome and "something nobody thought of" in outcome
    assert "Traceback" not in outcome


def test_build_json(insurer):
    (row,) = run("build", "--workspace", insurer[1], "--json").json()
    assert row["reused"] is True and row["buildings"] >= 36
    assert row["rule_book_hash"] == load_rule_book().hash


@pytest.mark.parametrize(
    "command",
    [
        ["portfolio"],
        ["portfolio", "--view", "conditions"],
        ["portfolio", "--view", "slots"],
        ["portfolio", "--view", "evidence"],
        ["portfolio", "--blind-by", "owner"],
        ["exposure"],
        ["exposure", "--by", "owner"],
    ],
    ids=" ".join,
)
def test_the_whole_portfolio(insurer, command):
    outcome = run(*command, "--workspace", insurer[1], "--json")
    assert outcome.code == 0
    rows = json.loads(outcome.out, parse_constant=pytest.fail)
    assert rows
    people = run(*command, "--workspace", insurer[1])
    assert people.code == 0 and "qualified person" in people.out


def test_exposure_is_value_times_the_chance_of_danger(insurer):
    rows = json.loads(run("exposure", "--workspace", insurer[1], "--json").out)
    valued = [row for row in rows if row["insured_value"]]
    assert valued
    for row in valued:
        expected = row["insured_value"] * row["p_any_dangerous"]
        assert row["exposed"] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("options", "holds"),
    [
        (["--dwellings-from", "3"], lambda facts: facts["dwellings"] >= 3),
        (["--dwellings-to", "2"], lambda facts: facts["dwellings"] <= 2),
    ],
    ids=["from", "to"],
)
def test_ranking_narrowed_by_size(insurer, options, holds):
    rows = json.loads(run("rank", *options, "--workspace", insurer[1], "--json").out)
    assert rows
    for row in rows[:5]:
        (whole,) = json.loads(
            run("building", row["building_id"], "--workspace", insurer[1], "--json").out
        )
        assert holds(whole["facts"])


def test_ranking_narrowed_by_evidence_and_search(insurer):
    def ask(*options):
        return json.loads(run("rank", *options, "--workspace", insurer[1], "--json").out)

    whole = ask()
    parts = [ask("--evidence", each) for each in ("none", "blind_only", "capable")]
    assert sorted(row["building_id"] for part in parts for row in part) == sorted(
        row["building_id"] for row in whole
    )
    assert all(row["evidence_share"] == 0 for row in parts[0])
    assert all(row["blind_share"] < 1 for row in parts[2])
    wanted = whole[3]["building_id"]
    assert wanted in [row["building_id"] for row in ask("--search", wanted.lower())]
    assert ask("--search", "no building is called this") == []

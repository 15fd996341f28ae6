"""Pictures as units: what they draw from a small frame, in both tones, and with no Streamlit."""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
from html.parser import HTMLParser

import altair as alt
import pandas as pd
import pytest

from dashboard.charts import (
    exposure,
    looks,
    moves,
    portfolio,
    progress,
    ranks,
    readings,
    repairs,
    timeline,
)
from dashboard.charts import score_steps as steps
from dashboard.charts.circuit import circuit_drawing, in_words
from dashboard.charts.theme import COLOURS, contrast, readable_on
from pipeline.evidence.likelihood import Likelihoods
from pipeline.screens import told_apart
from pipeline.screens.opening_picture import Situation, fault_path, opening_picture, same_lamps
from shared.rule_book import load_rule_book
from shared.vocabulary import CONDITIONS, Condition, Method

TONES = ("light", "dark")

RANKS = pd.DataFrame(
    {
        "position": [1, 2],
        "building_id": ["a", "b"],
        "name": ["A", "B"],
        "rank": [1, 2],
        "rank_low": [1, 1],
        "rank_high": [2, 5],
    }
)
OUTSIDE = RANKS.assign(rank=[1, 9], rank_low=[2, 1], rank_high=[4, 3])
"""Ranks that lie outside their own intervals, on either side."""
STEPS = pd.DataFrame(
    {
        "step": ["baseline", "era", "mixed_openings", "confirmed_defects", "occupancy", "score"],
        "label": ["Baseline", "Era", "Mixed", "Defects", "Occupancy", "Score"],
        "meaning": ["m"] * 6,
        "value": [2.0, 1.0, -0.5, 3.0, 0.25, 5.75],
        "start": [0.0, 2.0, 3.0, 2.5, 5.5, 0.0],
        "end": [2.0, 3.0, 2.5, 5.5, 5.75, 5.75],
    }
)
FRONTIER = pd.DataFrame(
    {"budget": [10.0, 20.0], "cost": [9.0, 19.0], "harm_left": [3.0, 2.0], "bound_left": [2.5, 2.0]}
)
STACK = {"position": [1, 1], "place": [1, 3]}


def charts(tone):
    """Every picture with a small frame."""
    eras = pd.DataFrame(
        {
            "era_label": ["old", "old"],
            "evidence": ["capable method", "never looked at"],
            "openings": [3, 40],
            **STACK,
        }
    )
    slots = pd.DataFrame(
        {"era_label": ["old", "old"], "slots_seen": ["mixed", "two-slot only"], "buildings": [3, 4]}
        | STACK
    )
    insured = pd.DataFrame(
        {
            "name": ["x", "x"],
            "evidence": ["capable method", "never looked at"],
            "insured": [3e6, 4e6],
            **STACK,
        }
    )
    conditions = pd.DataFrame(
        {
            "condition": ["grounded", "false_ground"],
            "kind": ["recorded", "never recorded"],
            "openings": [5.0, 0.2],
        }
    )
    blind = pd.DataFrame(
        {
            "name": ["x"],
            "buildings": [3],
            "three_slots": [10.0],
            "blind": [4.0],
            "blind_share": [0.4],
        }
    )
    places = pd.DataFrame(
        {
            "longitude": [1.0, 2.0],
            "latitude": [3.0, 4.0],
            "buildings": [1, 1],
            "score": [1.0, 2.0],
            "dangerous": [2.0, 3.0],
            "urgent": [0, 1],
            "blind_share": [0.2, 1.0],
            "label": ["x", "y"],
            "building_id": ["x", "y"],
        }
    )
    times = pd.DataFrame(
        {
            "observed_on": pd.to_datetime(["2024-05-03"]),
            "method": ["three_lamp_tester"],
            "outcome": ["fault reported"],
            "openings": [4],
            "inspectors": ["Q"],
            "results": ["open ground"],
        }
    )
    curve = pd.DataFrame(
        {"share_insured": [0.0, 0.2, 1.0], "share_score": [0.0, 0.6, 1.0], "buildings": [0, 1, 3]}
    )
    table = told_apart.readings(Likelihoods(load_rule_book()), Method.THREE_LAMP_TESTER)
    moved = pd.DataFrame(
        {
            "building_id": ["a"],
            "name": [None],
            "rank": [1],
            "other_rank": [3],
            "move": [-2],
        }
    )
    states = pd.DataFrame(
        {
            "day": pd.to_datetime(["2024-05-03", "2024-05-10"]),
            "state": ["confirmed_defect", "repair_proven"],
            "findings": [4, 1],
        }
    )
    survival = pd.DataFrame(
        {
            "group": ["x", "x"],
            "days": [0.0, 10.0],
            "survival": [1.0, 0.5],
            "low": [1.0, 0.2],
            "high": [1.0, 0.8],
        }
    )
    failed = pd.DataFrame(
        {
            "group": ["x"],
            "reported": [4],
            "proven": [2],
            "disproved": [1],
            "share_disproved": [1 / 3],
            "low": [0.1],
            "high": [0.9],
        }
    )
    return {
        "ranks": ranks.rank_intervals(RANKS, 1, tone),
        "steps": steps.score_steps(STEPS, tone),
        "timeline": timeline.timeline(times, tone),
        "evidence": portfolio.evidence_by_era(eras, tone),
        "slots": portfolio.slots_by_era(slots, tone),
        "insured": portfolio.insured_by_group(insured, tone),
        "conditions": portfolio.conditions(conditions, tone),
        "blind": portfolio.blind_spots(blind, tone),
        "places": portfolio.places(places, tone),
        "concentration": exposure.concentration(curve, tone),
        "readings": readings.readings(table, tone),
        "moves": moves.moves(moved, tone),
        "states": progress.states_over_time(states, tone),
        "proof": progress.still_running(
            survival, tone, since="first seen", without="without a proven repair"
        ),
        "disproved": progress.disproved(failed, tone),
        "repairs": repairs.harm_for_money(FRONTIER, 20.0, tone),
    }


def data_of(chart) -> list[dict]:
    return [row for rows in chart.to_dict()["datasets"].values() for row in rows]


@pytest.mark.slow
@pytest.mark.parametrize("tone", TONES)
def test_every_picture_is_valid_and_wears_the_look(tone):
    for name, chart in charts(tone).items():
        assert isinstance(chart, alt.TopLevelMixin), name
        spec = chart.to_dict(validate=True)
        assert spec["config"]["background"] == COLOURS[tone]["ground"], name
        assert "url" not in str(spec.get("data", "")), name


def test_steps_draw_the_numbers_they_add_up_from():
    rows = [row for row in data_of(steps.score_steps(STEPS, "light")) if "words" in row]
    assert [row["words"] for row in rows] == ["2.0", "+1.0", "−0.50", "+3.0", "+0.25", "5.8"]


def test_a_rank_outside_its_interval_is_in_the_picture():
    chart = ranks.rank_intervals(OUTSIDE, 3, "light")
    spec = json.dumps(chart.to_dict())
    assert "[0.5, 9.5]" in spec
    drawn = [(r["rank"], r["interval"]) for r in data_of(chart) if "interval" in r]
    assert set(drawn) == {(1, "2–4"), (9, "1–3")}


def test_rank_intervals_shade_the_first_k():
    rows = data_of(ranks.rank_intervals(RANKS, 3, "light"))
    assert {"from": 0.5, "to": 3.5, "words": "first 3"} in rows


def test_parts_of_a_stack_are_told_in_words_not_by_colour_alone():
    spec = portfolio.conditions(
        pd.DataFrame({"condition": ["grounded"], "kind": ["recorded"], "openings": [5.0]}),
        "light",
    ).to_dict()
    marks = [layer["mark"]["type"] for layer in spec["layer"]]
    assert marks.count("text") == 2


@pytest.mark.parametrize("tone", TONES)
def test_colours_stand_out(tone):
    c = COLOURS[tone]
    for ink in ("ink", "soft", "copper", "urgent"):
        assert contrast(c[ink], c["ground"]) >= 4.5, ink
    things = ("baseline", "era", "mixed_openings", "confirmed_defects", "occupancy", "copper")
    for thing in things:
        assert contrast(c[thing], c["ground"]) >= 3.0, thing
    for thing in ("capable", "blind", "never", "era", "mixed_openings", "occupancy"):
        assert contrast(readable_on(c[thing]), c[thing]) >= 4.5, thing


# Viénot, Brettel and Mollon (1999): linear RGB to what a protanope and a deuteranope see;
# matrices from memory.
_SEEN = {
    "protan": ((0.11238, 0.88762, 0.0), (0.11238, 0.88762, 0.0), (0.00401, -0.00401, 1.0)),
    "deutan": ((0.29275, 0.70725, 0.0), (0.29275, 0.70725, 0.0), (-0.02234, 0.02234, 1.0)),
}


def _lab(hexed: str, seen: str | None) -> tuple[float, float, float]:
    rgb = [int(hexed[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in rgb]
    if seen:
        linear = [
            min(1.0, max(0.0, sum(m * v for m, v in zip(row, linear, strict=True))))
            for row in _SEEN[seen]
        ]
    r, g, b = linear
    xyz = (
        (0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.9505,
        0.2126 * r + 0.7152 * g + 0.0722 * b,
        (0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.089,
    )
    x, y, z = (t ** (1 / 3) if t > 0.008856 else 7.787 * t + 16 / 116 for t in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


@pytest.mark.parametrize("tone", TONES)
@pytest.mark.parametrize("seen", [None, "protan", "deutan"])
def test_colours_that_stand_side_by_side_keep_apart_for_colour_blind_people(tone, seen):
    groups = (
        ("capable", "blind", "never"),
        ("mixed_openings", "era", "occupancy", "never"),
        ("baseline", "era", "mixed_openings", "confirmed_defects", "occupancy"),
    )
    for group in groups:
        for first, second in itertools.combinations(group, 2):
            a, b = (_lab(COLOURS[tone][name], seen) for name in (first, second))
            distance = sum((p - q) ** 2 for p, q in zip(a, b, strict=True)) ** 0.5
            assert distance >= 10, (first, second, round(distance, 1))


class _Check(HTMLParser):
    """Counts tags, to see that a drawing is well formed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.mark.parametrize("situation", list(Situation))
@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_opening_can_be_drawn_and_told(condition, situation):
    circuit = load_rule_book().circuit
    picture = opening_picture(circuit, condition, situation)
    drawing = circuit_drawing(picture)
    check = _Check()
    check.feed(drawing)
    assert not check.open
    words = " ".join(in_words(picture))
    assert 'role="img"' in drawing and words.split(".")[0] in drawing
    if situation is Situation.TESTER:
        assert drawing.count("lamp lit") == sum(picture.lamps)
        assert all(pair in drawing for pair in ("N–G", "H–N", "H–G"))


def test_the_drawing_shows_what_the_model_says():
    circuit = load_rule_book().circuit
    meter = opening_picture(circuit, Condition.GROUNDED, Situation.METER, load_amps=12.0)
    # 12 A over 100 ft of 14 AWG at 3.07 Ω per 1000 ft: 3.68 V (NEC chapter 9 table 8, quoted)
    assert meter.meter_volts == pytest.approx(3.684, abs=0.002)
    bootleg = opening_picture(circuit, Condition.FALSE_GROUND, Situation.METER, load_amps=12.0)
    assert bootleg.meter_volts == pytest.approx(0.0, abs=0.001)
    assert "120 V on the case" in circuit_drawing(
        opening_picture(circuit, Condition.REVERSED_FALSE_GROUND, Situation.IN_USE)
    )
    assert set(same_lamps(circuit, Condition.GROUNDED)) == {
        Condition.GROUNDED,
        Condition.FALSE_GROUND,
        Condition.REVERSED_FALSE_GROUND,
        Condition.POOR_GROUND,
        Condition.FALSE_GROUND_UPSTREAM,
        Condition.REVERSED_FALSE_GROUND_UPSTREAM,
    }
    fault = opening_picture(circuit, Condition.UNGROUNDED, Situation.CASE_FAULT)
    assert "nowhere" in fault_path(fault)
    fault = opening_picture(circuit, Condition.GROUNDED, Situation.CASE_FAULT)
    assert "equipment grounding conductor" in fault_path(fault)


@pytest.mark.slow
def test_pictures_are_made_without_streamlit():
    code = (
        "import sys; import dashboard.charts.portfolio, dashboard.charts.circuit, "
        "dashboard.charts.ranks, dashboard.charts.progress, dashboard.charts.timeline; "
        "sys.exit('streamlit' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("tone", TONES)
def test_two_crews_at_one_place_share_a_label(tone):
    stops = pd.DataFrame(
        {
            "crew": ["1", "1", "1", "2"],
            "order": [1, 2, 3, 1],
            "building_id": ["a", "a", "b", "b"],
            "name": ["A", "A", "B", "B"],
            "latitude": [36.1, 36.1, 36.2, 36.2],
            "longitude": [-48.0, -48.0, -48.1, -48.1],
            "must_visit": [True, False, False, False],
        }
    )
    drawn = looks.stops_by_place(stops, tone).to_dict()
    (data,) = drawn["datasets"].values()
    assert [row["label"] for row in data] == ["1·3, 2·1", "", "1·1"]
    assert [row["kind"] for row in data] == ["other", "other", "urgent"]


def test_the_budget_that_was_asked_for_is_ringed():
    for asked, layers in ((20.0, 4), (None, 3)):
        drawn = repairs.harm_for_money(FRONTIER, asked, "light").to_dict()
        assert len(drawn["layer"]) == layers
        assert ("transform" in drawn["layer"][-1]) == (asked is not None)

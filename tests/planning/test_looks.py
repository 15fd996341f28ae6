"""Plans of looks against brute force, and what they must never do."""

from __future__ import annotations

import itertools
import os
import threading
import time

import numpy as np
import pandas as pd
import pytest

from pipeline.planning.choice import GAP, Choice, expected_of, improved
from pipeline.planning.crew_day import Part, Route
from pipeline.planning.crews import Crew, read_crews, read_travel
from pipeline.planning.look_values import Block, Level, Look, _share
from pipeline.planning.quiet import quiet
from pipeline.planning.routes import START, Ways
from shared.faults import CoverplateError
from shared.rule_book import load_rule_book
from shared.vocabulary import Method

RULES = load_rule_book().looks
ARRIVAL = float(RULES.arrival_minutes)


def register(rng, number, *, coordinates):
    place = np.array([41.0, -38.5]) + rng.uniform(0, 0.12, size=(number, 2))
    if not coordinates:
        place[:] = np.nan
    return pd.DataFrame(
        {
            "building_no": range(number),
            "building_id": [f"B{n}" for n in range(number)],
            "latitude": place[:, 0],
            "longitude": place[:, 1],
        }
    )


def small(seed, *, coordinates, crews=2, buildings=6):
    """Crews, and one or two dwellings in each of a few buildings, of two levels each."""
    rng = np.random.default_rng(seed)
    frame = register(rng, buildings, coordinates=coordinates)
    start = (41.05, -38.45) if coordinates else (None, None)
    teams = [
        Crew(crew=str(n), hours=float(rng.uniform(1.5, 3.0)), start_latitude=start[0],
             start_longitude=start[1])
        for n in range(crews)
    ]  # fmt: skip
    routes = [Route(team, Ways(frame, team, RULES, {}), ARRIVAL) for team in teams]
    blocks = {}
    for building in range(buildings):
        key = (building, "1", True)
        minutes = 15 + np.cumsum(rng.uniform(5, 40, size=2))
        finds = np.cumsum(np.sort(rng.gamma(1.0, 1.0, size=2))[::-1])
        look = Look("1", "a", 1, Method.COVER_OFF_INSPECTION, 10.0, 1.0, 1.0, "")
        levels = zip(minutes, finds, strict=True)
        blocks[key] = Block(key, tuple(Level(m, f, (look,)) for m, f in levels))
    choice = Choice.__new__(Choice)
    choice.blocks = {True: blocks}
    return routes, choice


def brute(routes, choice):
    """The most that can be found: every crew and level for every building, in every order."""
    blocks = choice.blocks[True]
    shortest = {}

    def way(crew, visited):
        if (crew, visited) not in shortest:
            route = routes[crew]
            end = [START] if route.ways.has_start else []
            shortest[crew, visited] = min(
                route.ways.length([START, *order, *end]) + ARRIVAL * len(order)
                for order in itertools.permutations(visited)
            )
        return shortest[crew, visited]

    options = [(None, None), *itertools.product(range(len(routes)), range(2))]
    best = 0.0
    for taken in itertools.product(options, repeat=len(blocks)):
        spent, found = [0.0] * len(routes), 0.0
        visited = [[] for _ in routes]
        for (key, block), (crew, level) in zip(blocks.items(), taken, strict=True):
            if crew is not None:
                spent[crew] += block.levels[level].minutes
                found += block.levels[level].expected
                visited[crew].append(key[0])
        if found > best and all(
            used + way(crew, tuple(visited[crew])) <= routes[crew].crew.minutes
            for crew, used in enumerate(spent)
        ):
            best = found
    return best


def both(routes, choice):
    greedy = improved(choice, choice.filled(routes))
    solved, gap = choice.solved(routes, np.mean([len(each.then) for each in greedy]))
    return greedy, improved(choice, solved), gap


@pytest.mark.parametrize("seed", range(4))
def test_the_programme_finds_as_much_as_brute_force_where_ways_are_alike(seed):
    routes, choice = small(seed, coordinates=False)
    _, programme, gap = both(routes, choice)
    assert expected_of(programme) >= brute(routes, choice) * (1 - GAP) - 1e-9
    assert gap <= GAP


def test_with_true_ways_it_stays_near_brute_force_and_within_hours():
    shares = []
    for seed in range(4):
        routes, choice = small(seed, coordinates=True)
        greedy, programme, _ = both(routes, choice)
        for each in (*greedy, *programme):
            assert each.minutes <= each.crew.minutes + 1e-6
        best = max(expected_of(greedy), expected_of(programme))
        most = brute(routes, choice)
        assert best <= most + 1e-9
        shares.append(best / most)
    assert np.mean(shares) > 0.97, shares


def test_a_route_drops_and_adds_what_it_says():
    routes, choice = small(1, coordinates=True)
    route = routes[0]
    before = route.minutes
    (key, block), *_ = choice.blocks[True].items()
    part = Part(key[0], block.levels[0], "choice", key)
    more = route.cost(key[0])[1] + block.levels[0].minutes
    route.add(part)
    assert route.minutes == pytest.approx(before + more)
    route.drop(part)
    assert route.minutes == pytest.approx(before) and not route.then


def test_ways_are_as_the_crow_flies_times_a_factor_or_as_given():
    frame = pd.DataFrame(
        {"building_no": [0, 1, 2], "building_id": ["A", "B", "C"],
         "latitude": [41.0, 41.1, None], "longitude": [-38.5, -38.5, -38.5]}
    )  # fmt: skip
    crew = Crew(crew="one", hours=8, start_latitude=41.0, start_longitude=-38.5)
    ways = Ways(frame, crew, RULES, {("B", "A"): 7.0, ("one", "C"): 3.0})
    # a tenth of a degree of latitude is 11.12 km on a sphere of that radius
    expected = 11.12 * float(RULES.travel_factor) / float(RULES.travel_speed) * 60
    assert ways.leg(0, 1) == pytest.approx(expected, rel=1e-3)
    assert ways.leg(1, 0) == 7.0
    assert ways.leg(START, 2) == 3.0
    assert ways.leg(0, 2) == float(RULES.unknown_travel_minutes)
    assert ways.leg(START, 0) == pytest.approx(0.0)


def test_faults_of_a_crews_file_are_told_with_row_and_column(tmp_path):
    path = tmp_path / "crews.csv"
    path.write_text(
        "crew,start_latitude,start_longitude,hours,may_open_boxes\n"
        "North,141,-38.5,8,yes\nSouth,41.0,-38.5,lots,perhaps\n",
        encoding="utf-8",
    )
    with pytest.raises(CoverplateError) as told:
        read_crews(path)
    message = str(told.value)
    for words in (
        "row 2, column start_latitude: found '141', expected degrees",
        "row 3, column hours: found 'lots'",
        "row 3, column may_open_boxes: found 'perhaps', expected yes or no",
        "crews.csv",
    ):
        assert words in message
    for text, words in (
        ("crew,colour\nA,red\n", "unknown column 'colour'"),
        ("crew,hours\nA,8\nA,4\n", "two crews of one name"),
        ("crew,hours\n", "no crew in it"),
        ("crew,hours,start_latitude\nA,8,41\n", "row 2: a start with one of"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(CoverplateError, match=words):
            read_crews(path)
    path.write_text("Crew,Hours,May open boxes\nA,7.5,No\n", encoding="utf-8-sig")
    (crew,) = read_crews(path)
    assert (crew.minutes, crew.opens) == (450.0, False)
    with pytest.raises(CoverplateError, match="cannot be read"):
        read_crews(tmp_path / "none.csv")


def test_a_table_of_ways_holds_for_both_directions_unless_both_are_given(tmp_path):
    path = tmp_path / "ways.csv"
    path.write_text("from,to,minutes\nA,B,9\nB,A,4\nA,C,5\n", encoding="utf-8")
    found = read_travel(path)
    assert (found["A", "B"], found["B", "A"], found["C", "A"]) == (9.0, 4.0, 5.0)
    path.write_text("from,to,minutes\nA,B,-1\n", encoding="utf-8")
    with pytest.raises(CoverplateError, match="row 2, column minutes: found '-1'"):
        read_travel(path)


def test_two_plans_at_once_leave_stdout_as_it_was():
    before = os.fstat(1)
    first_in, second_waits = threading.Event(), threading.Event()

    def first():
        with quiet():
            first_in.set()
            second_waits.wait(5)

    def second():
        first_in.wait(5)
        threading.Timer(0.2, second_waits.set).start()
        with quiet():
            time.sleep(0.3)  # without turns, the first would be out before this one is

    both = [threading.Thread(target=each) for each in (first, second)]
    for each in both:
        each.start()
    for each in both:
        each.join()
    after = os.fstat(1)
    assert (after.st_dev, after.st_ino) == (before.st_dev, before.st_ino)


def test_a_chance_is_never_rounded_to_certainty():
    shown = [_share(each) for each in (0.001, 0.5, 0.995, 0.99999)]
    assert shown == ["under 1 %", "50 %", "over 99 %", "over 99 %"]

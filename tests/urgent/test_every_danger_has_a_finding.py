"""Whatever an able look reports as dangerous at a face is a finding, from export to list."""

from __future__ import annotations

import pytest
from urgent_rows import COVER, look, take_in

from pipeline.evidence.likelihood import likelihoods_of
from pipeline.landing import Workspace
from pipeline.ledger.families import RECORD_CONFLICT
from pipeline.warehouse import store
from shared.rule_book import load_rule_book
from shared.vocabulary import Condition, Method, Result, Slots, danger
from tests.cli.running import run

pytestmark = pytest.mark.slow

C, R = Condition, Result
WORDS = {
    C.UNGROUNDED: (R.OPEN_GROUND,),
    C.FALSE_GROUND: (R.FALSE_GROUND,),
    C.REVERSED_UNGROUNDED: (R.HOT_NEUTRAL_REVERSED, R.OPEN_GROUND, R.CORRECT),
    C.REVERSED_FALSE_GROUND: (R.REVERSED_FALSE_GROUND,),
    C.HOT_ON_GROUND: (R.HOT_GROUND_REVERSED,),
    C.POOR_GROUND: (R.POOR_GROUND,),
    C.FALSE_GROUND_UPSTREAM: (R.FALSE_GROUND_UPSTREAM,),
    C.REVERSED_FALSE_GROUND_UPSTREAM: (R.REVERSED_FALSE_GROUND,),
    C.OPEN_NEUTRAL_UNGROUNDED: (R.OPEN_NEUTRAL,),
    C.OPEN_NEUTRAL_FALSE_GROUND: (R.OPEN_NEUTRAL, R.FALSE_GROUND),
    C.SHARED_NEUTRAL_OPEN: (R.ABNORMAL_VOLTAGE,),
}
"""The words in which a look may report each dangerous condition."""

NO_GROUND = {"ground_present": "no", "neutral_ground_jumper": "no"}
JUMPER = {"neutral_ground_jumper": "yes"}
SEEN = {
    C.UNGROUNDED: {**NO_GROUND, "polarity": "correct"},
    C.FALSE_GROUND: {**JUMPER, "polarity": "correct"},
    C.REVERSED_UNGROUNDED: {**NO_GROUND, "polarity": "reversed"},
    C.REVERSED_FALSE_GROUND: {**JUMPER, "polarity": "reversed"},
    C.POOR_GROUND: {"ground_path_ohms": 50},
    C.OPEN_NEUTRAL_UNGROUNDED: NO_GROUND,
    C.OPEN_NEUTRAL_FALSE_GROUND: JUMPER,
    C.SHARED_NEUTRAL_OPEN: {"hot_neutral_volts": 170},
}
"""What an open box shows of it."""

FACES = (*(each.value for each in Slots), None)
OPEN_BOX = (COVER, "ground_wire_clamp", "neutral_lifted_test", "upstream_box_seen")
METERS = ("voltmeter_under_load", "ground_impedance_meter")
BLIND = (Method.VISUAL, Method.THREE_LAMP_TESTER)


def _cases() -> list[tuple[Condition, dict[str, object]]]:
    """Every look by a method that tells a condition, in each of its words, at every face."""
    likelihoods = likelihoods_of(load_rule_book())
    found: list[tuple[Condition, dict[str, object]]] = []
    for condition, words in WORDS.items():
        for method in Method:
            if method in BLIND or not likelihoods.sees(method, condition):
                continue
            for word in words:
                told: dict[str, object] = {"method": method.value, "result": word.value}
                opened = {**told, "cover_removed": "yes", **SEEN.get(condition, {})}
                if word is not R.CORRECT and method.value in (COVER, *METERS):
                    found += [(condition, {**told, "slots": face}) for face in FACES]
                if method in OPEN_BOX:
                    found += [(condition, {**opened, "slots": face}) for face in FACES]
    return found


def _dangerous(condition: Condition, face: object) -> bool:
    return danger(condition, Slots(face) if face else Slots.THREE_SLOT, 0.0) > 0


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Workspace:
    folder = tmp_path_factory.mktemp("every")
    made = Workspace(folder / "workspace")
    rows = [look(building=f"B{n}", **said) for n, (_, said) in enumerate(_cases())]
    take_in(made, folder, "found.csv", rows)
    for step in (("build",), ("findings", "sync")):
        assert run(*step, "--workspace", made.root).code == 0
    return made


def _raised(place: Workspace) -> dict[str, set[str]]:
    rows = run("findings", "list", "--workspace", place.root, "--json").json()
    found: dict[str, set[str]] = {}
    for row in rows:
        if row["opening_id"] and not row["family"].startswith(RECORD_CONFLICT):
            found.setdefault(row["building_id"], set()).add(f"{row['family']}:{row['grade']}")
    return found


def test_what_an_able_look_reports_as_dangerous_is_a_finding(place):
    raised = _raised(place)
    missing = [
        (condition.value, said)
        for n, (condition, said) in enumerate(_cases())
        if _dangerous(condition, said["slots"]) and f"B{n}" not in raised
    ]
    assert len(_cases()) > 100 and not missing


def test_conductors_swapped_or_a_jumper_are_a_finding_at_any_face(place):
    raised = _raised(place)
    missing = [
        said
        for n, (_, said) in enumerate(_cases())
        if said.get("cover_removed") and f"B{n}" not in raised
        and (said.get("polarity") == "reversed" or said.get("neutral_ground_jumper") == "yes")
    ]  # fmt: skip
    assert not missing


def test_want_of_a_ground_at_two_slots_is_none(place):
    raised = _raised(place)
    wired_so = [
        f"B{n}"
        for n, (condition, said) in enumerate(_cases())
        if condition is C.UNGROUNDED and said["slots"] == "two_slot" and "cover_removed" in said
    ]
    assert wired_so and not set(wired_so) & set(raised)


def test_what_the_warehouse_calls_dangerous_is_followed_by_a_finding(place):
    raised = _raised(place)
    missing = []
    with store.reading(place) as con:
        rows = con.execute("SELECT * FROM openings").df().set_index("building_id")
    for n, (condition, said) in enumerate(_cases()):
        row = rows.loc[f"B{n}"]
        face = Slots(row["slots"]) if isinstance(row["slots"], str) else Slots.THREE_SLOT
        stands = row["confirmed"] and danger(Condition(row["defect"]), face, 0.0) > 0
        if (stands or row["p_dangerous"] >= 0.5) and f"B{n}" not in raised:
            missing.append((condition.value, said, row["p_dangerous"]))
    assert not missing

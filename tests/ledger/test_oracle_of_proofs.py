"""What is proven, held both ways against the README's own words, written down once more by hand.

The histories of ``test_state.py`` are judged by the judge that they test. Here a few lines of plain
Python say when a repair of a false ground is proven, and never ask the program.
"""

import datetime as dt
import tempfile
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from ledger_samples import DAY, WHO, fix, look, moment
from warehouse_sample import Warehouse

from pipeline.ledger import Draft, current, open_ledger
from pipeline.ledger.sync import sync_findings
from shared.faults import CoverplateError

OPEN_BOX = ("cover_off_inspection", "ground_wire_clamp", "neutral_lifted_test", "upstream_box_seen")
METHODS = (
    "visual",
    "three_lamp_tester",
    "voltmeter_under_load",
    "ground_impedance_meter",
    *OPEN_BOX,
)
CAPABLE = {  # by what the remedy leaves: a ground, which meters tell from a jumper, or none
    "grounding_conductor_added": METHODS[2:],
    "two_slot_again": OPEN_BOX,
    "gfci_type_marked": OPEN_BOX,
}
SAYS = {"grounding_conductor_added": "correct"} | dict.fromkeys(
    ("two_slot_again", "gfci_type_marked"), "open_ground"
)
"""The word of a look at what each remedy leaves."""

PEOPLE = {  # who looked, and for which firm: somebody else than the worker, Orme, or nobody
    ("S. Ambrel", None): "else",
    ("S. Ambrel", "Quillmarsh"): "else",
    ("S. Ambrel", "Pellworth Ltd"): "else",
    ("J. Porter", "Quillmarsh"): "else",
    ("Orme, Dorothea", "Quillmarsh"): "Orme",
    ("D. Orme", None): "Orme",
    ("Pellworth", None): "firm",
    ("Site manager", "Quillmarsh"): "nobody",
    ("N.N.", "Quillmarsh"): "nobody",
    (None, "Quillmarsh"): "nobody",
}
WORKERS = {"D. Orme": True, None: False, "Electrician": False}
"""Who is said to have done the work, and whether that names a person."""

WRONG = (  # what no repair may leave, whatever the word
    {"neutral_ground_jumper": "yes"}, {"polarity": "reversed"}, {"heat_or_scorch": "yes"},
    {"shock_reported": "yes"}, {"non_contact_detector": "yes"}, {"case_earth_volts": 118.0},
    {"result": "false_ground"}, {"result": "hot_neutral_reversed"},
    {"result": "reversed_false_ground"},
)  # fmt: skip
WRONG_OF = {  # and what this one may not
    "grounding_conductor_added": (
        {"ground_path_ohms": 60.0}, {"ground_present": "no"}, {"result": "open_ground"},
        {"neutral_ground_volts": 12.0},
    ),
    "two_slot_again": ({"slots": "three_slot"},),
    "gfci_type_marked": (
        {"gfci_protected": "no"}, {"gfci_button_tripped": "no"}, {"marking": "gfci_protected"},
    ),
}  # fmt: skip


def whole(remedy, method):
    """What a look by a method has to say for a proof, beside its word, its day and its person."""
    said = {}
    if method in OPEN_BOX:
        ground = "yes" if remedy == "grounding_conductor_added" else "no"
        said = {"cover_removed": "yes", "ground_present": ground, "neutral_ground_jumper": "no",
                "polarity": "correct"}  # fmt: skip
    if method == "voltmeter_under_load":
        said = {"neutral_ground_volts": 1.6, "load_amps": 12.0}
    if remedy == "grounding_conductor_added":
        said["ground_path_ohms"] = 0.3
    if remedy == "two_slot_again":
        said["slots"] = "two_slot"
    if remedy == "gfci_type_marked":
        said |= {"gfci_protected": "yes", "gfci_button_tripped": "yes", "marking": "both"}
    return said


@st.composite
def seen(draw, remedy):
    """A look, and what a reader of the README takes it for: proves, disproves or nothing."""
    method = draw(st.sampled_from([*CAPABLE[remedy], *METHODS]))
    said = {"result": SAYS[remedy], **whole(remedy, method)}
    flaw = draw(st.sampled_from([*[""] * 6, "silent", "wrong", "shut", "no look"]))
    silent = draw(st.sampled_from(sorted(said)))
    if flaw == "silent" and silent != "result":
        del said[silent]
    elif flaw == "wrong":
        said |= draw(st.sampled_from([*WRONG, *WRONG_OF[remedy]]))
    elif flaw == "shut" and method in OPEN_BOX:
        said["cover_removed"] = "no"
    elif flaw == "no look":
        said["result"] = "not_accessible"
    else:
        flaw = ""
    inspector, firm = draw(st.sampled_from([*PEOPLE, *[("S. Ambrel", "Quillmarsh")] * 20]))
    says = "nothing"
    if flaw == "wrong":
        says = "disproves"
    elif not flaw and method in CAPABLE[remedy]:
        says = "proves"
    return {
        "method": method, "says": says, "inspector": inspector,
        "day": draw(st.sampled_from([0, 1, 2, 3, 4, 5, 6, 5, 6, 12])),
        "firm_of_inspector": firm, **said,
    }  # fmt: skip


@st.composite
def story(draw):
    """A reported repair, and looks before and after it."""
    remedy = draw(st.sampled_from(sorted(CAPABLE)))
    return {
        "remedy": remedy,
        "worker": draw(st.sampled_from(["D. Orme", "D. Orme", *WORKERS])),
        "fixed": draw(st.integers(1, 3)),
        "looks": draw(st.lists(seen(remedy), min_size=1, max_size=2)),
    }


def proven(told):
    """Whether a repair is proven: by a look after it that proves, and none after it disproves,
    were it landed later, once the repair was proven."""
    after = [each for each in told["looks"] if each["day"] > told["fixed"]]
    if any(each["says"] == "disproves" for each in after):
        return False
    return any(each["says"] == "proves" and _another(told["worker"], each) for each in after)


def _another(worker, seen):
    """Whether somebody else looked: not the worker; where none is named, another firm only."""
    firm = seen["firm_of_inspector"]
    person = PEOPLE[seen["inspector"], firm]
    if WORKERS[worker]:
        return person == "else"
    return person in ("else", "Orme") and firm == "Quillmarsh"


COUNTED = Counter()


def landed(warehouse, opening, *, says, method, result, day, **said):
    warehouse.look(opening, method, result, day, complete=False, **said)


def held(stories):
    with tempfile.TemporaryDirectory() as folder:
        ledger, warehouse = open_ledger(Path(folder) / "ledger.sqlite"), Warehouse()
        try:
            for number, _ in enumerate(stories):
                warehouse.opening(f"K{number}", "false_ground", 0.95)
                warehouse.look(f"K{number}", "cover_off_inspection", "false_ground")
            sync_findings(warehouse.con, ledger, at=moment(DAY))
            ids = current(ledger).set_index("opening_id")["finding_id"]
            reports = []
            for number, told in enumerate(stories):
                markings = ("no_equipment_ground",) if told["remedy"] == "gfci_type_marked" else ()
                report = fix(
                    told["remedy"], DAY + dt.timedelta(told["fixed"]), worker=told["worker"],
                    markings=markings,
                )  # fmt: skip
                reports.append(Draft(ids[f"K{number}"], report))
            ledger.append_many(reports, at=moment(DAY + dt.timedelta(4)), **WHO)
            for delivered in (range(10), range(10, 20)):
                for number, told in enumerate(stories):
                    for each in told["looks"]:
                        if each["day"] in delivered:
                            landed(warehouse, f"K{number}", **each)
                sync_findings(warehouse.con, ledger, at=moment(DAY + dt.timedelta(delivered[-1])))
            frame = current(ledger)
            unlike = []
            for number, told in enumerate(stories):
                own = frame[frame["opening_id"] == f"K{number}"]
                stands = list(own["treatment"]) == ["proven"]
                COUNTED[stands] += 1
                if stands != proven(told):
                    unlike.append((told, list(own["state"])))
            assert not unlike, unlike
            assert ledger.verify() == []
        finally:
            warehouse.con.close()
            ledger.close()


@pytest.mark.slow
def test_proven_where_the_words_say_so_and_nowhere_else():
    COUNTED.clear()
    again = settings(
        max_examples=3,  # of many stories each: every one costs a ledger and its syncs
        deadline=None,
        suppress_health_check=list(HealthCheck),
        derandomize=True,
        phases=[Phase.generate],
    )
    again(given(st.lists(story(), min_size=120, max_size=120))(held))()
    assert min(COUNTED[True], COUNTED[False]) > 50, COUNTED  # it held something both ways


@pytest.mark.parametrize("method", CAPABLE["grounding_conductor_added"])
def test_a_look_of_a_day_to_come_proves_nothing(ledger, method):
    warehouse = Warehouse()
    warehouse.opening("K1", "false_ground", 0.95)
    sync_findings(warehouse.con, ledger)
    warehouse.con.close()
    (finding,) = current(ledger)["finding_id"]
    ledger.append(finding, fix(), **WHO)
    ahead = (dt.date.today() + dt.timedelta(3) - DAY).days
    said = whole("grounding_conductor_added", method)
    with pytest.raises(CoverplateError, match="in the future"):
        ledger.record_look(finding, look(method, "correct", ahead, complete=False, **said), **WHO)
    assert ledger.finding(finding).treatment == "fix_reported"

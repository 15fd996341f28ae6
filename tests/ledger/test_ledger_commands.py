"""The commands on findings, fixes and the ledger, as a person types them."""

import datetime as dt
import json
import shlex

import click
import pytest
from click.testing import CliRunner
from ledger_samples import DAY, WHO, raised
from openpyxl import load_workbook

from pipeline.cli.findings import findings
from pipeline.cli.fix import fix
from pipeline.cli.ledger import ledger
from pipeline.ledger import open_ledger
from shared.faults import CoverplateError
from shared.vocabulary import CAUTIONS

GROUPS = {"findings": findings, "fix": fix, "ledger": ledger}


class Typed:
    """Types commands at a ledger."""

    def __init__(self, url, folder):
        self.tail = ["--ledger", url, "--workspace", str(folder)]
        self.folder = folder

    def __call__(self, text, *more, ok=0, stdin=None):
        group, *words = [*shlex.split(text), *map(str, more)]
        result = CliRunner().invoke(
            GROUPS[group], [*words, *self.tail], standalone_mode=False, input=stdin
        )
        if ok is None:
            assert isinstance(result.exception, CoverplateError), result
            return result.exception
        assert result.exception is None, result.exception
        assert (result.return_value or 0) == ok
        return result.stdout

    def told(self, text, *more):
        """What is said on stderr by a command that ends well."""
        group, *words = [*shlex.split(text), *map(str, more)]
        result = CliRunner().invoke(GROUPS[group], [*words, *self.tail], standalone_mode=False)
        assert result.exception is None, result.exception
        return result.stderr

    def json(self, text, *more, ok=0):
        return json.loads(self(text, *more, "--json", ok=ok))


@pytest.fixture
def typed(tmp_path):
    return Typed(str(tmp_path / "ledger.sqlite"), tmp_path)


@pytest.fixture
def finding(typed):
    (row,) = typed.json(
        "findings raise --building B1 --unit 2A --opening K1 --condition false_ground "
        f"--slots three_slot --seen-on {DAY} --by Ann"
    )
    assert (row["version"], row["state"]) == (1, "confirmed_defect")
    return row["finding_id"]


@pytest.mark.slow
def test_from_raised_to_proven(typed, finding):
    typed(f"findings assign {finding}@1 --firm Pellworth --due {dt.date.today()}")
    typed(f"fix quote {finding} --firm Pellworth --amount 400")
    (told,) = typed.json(
        f"fix report {finding}@3 --remedy grounding_conductor_added --firm Pellworth "
        "--on 2025-03-20 --cost 380 --permit P-17 --worker 'D. Orme'"
    )
    assert told["state"] == "fix_reported_unproven"
    refusal = typed(
        f"fix verify {finding} --method three_lamp_tester --result correct --on 2025-03-25", ok=None
    )
    assert "cannot tell grounded from false ground" in refusal.found
    assert "cover_off_inspection" in refusal.expected
    ways = {row["method"]: row["proves"] for row in typed.json(f"fix methods {finding}")}
    assert ways == {
        "visual": False, "three_lamp_tester": False, "voltmeter_under_load": True,
        "ground_impedance_meter": True, "cover_off_inspection": True,
        "ground_wire_clamp": True, "neutral_lifted_test": True, "upstream_box_seen": True,
    }  # fmt: skip
    assert [row["finding_id"] for row in typed.json("fix unproven")] == [finding]
    look = f"fix verify {finding} --method cover_off_inspection --result correct --on 2025-03-25"
    refusal = typed(look, ok=None)
    for silent in ("who looked", "whether the cover was off", "impedance of the ground path"):
        assert silent in refusal.found
    whole = (
        f"{look} --cover-removed yes --ground-present yes --neutral-ground-jumper no "
        "--polarity correct --ground-path-ohms 0.3"
    )
    assert "may be who did the work" in typed(whole + " --inspector Orme", ok=None).found
    (told,) = typed.json(whole + " --inspector 'S. Ambrel'")
    assert told["state"] == "repair_proven"
    assert typed.json("findings list") == []
    (row,) = typed.json("findings list --all")
    assert (row["verified_on"], row["cost"]) == ("2025-03-25", 380)
    kinds = [event["payload"]["kind"] for event in typed.json(f"findings show {finding}")]
    assert kinds == ["raised", "assigned", "quoted", "fix_reported", "verified"]
    shown = typed(f"findings show {finding}")
    assert "repair proven" in shown and CAUTIONS[0] in shown
    for view in ("ageing", "clocks", "firms", "states", "failed", "costs"):
        assert typed.json(f"findings progress --view {view}")
        assert typed(f"findings progress --view {view}").strip()


@pytest.mark.slow
def test_a_claimed_day_meets_no_regulatory_window(typed):
    (row,) = typed.json(
        f"findings raise --building B1 --unit 2A --opening K1 --condition open_neutral "
        f"--slots three_slot --seen-on {DAY} --notified-on {DAY} --regulation us_public_housing"
    )
    finding = row["finding_id"]
    typed(
        f"fix report {finding} --remedy conductor_joined_again --firm Pellworth --on 2025-03-20 "
        "--worker 'D. Orme'"
    )
    assert "passed: reported done within it, not proven" in typed(f"findings show {finding}")
    (row,) = typed.json("findings list --overdue")
    assert (row["regulatory_standing"], row["window_passed"]) == ("reported_within_unproven", True)
    typed(
        f"fix verify {finding} --method cover_off_inspection --result correct --on 2025-04-20 "
        "--cover-removed yes --ground-present yes --neutral-ground-jumper no --polarity correct "
        "--ground-path-ohms 0.3 --inspector 'S. Ambrel'"
    )
    told = typed(f"findings show {finding}")
    assert "to 2025-04-02 00:00Z: reported done within it, proven only after it" in told
    (first, *_) = typed.json(f"findings show {finding}")
    assert first["target"]["regulatory_standing"] == "reported_within_proven_late"


@pytest.mark.parametrize(
    ("worker", "inspector", "said"),
    [("D. Orme", "Site manager", "'Site manager' names no person"),
     ("D. Orme", "N.N.", "'N.N.' names no person"),
     ("Electrician", "S. Ambrel", "the report says 'Electrician' did the work, which is no"),
     ("D. Orme", "J. Porter", None), ("Ann Sparks", "John Carpenter", None)],
)  # fmt: skip
def test_a_role_proves_nothing(typed, finding, worker, inspector, said):
    report = (f"fix report {finding} --remedy grounding_conductor_added --firm Pellworth "
              f"--on 2025-03-20 --worker '{worker}'")  # fmt: skip
    assert ("no role" in typed.told(report)) == (worker == "Electrician")
    look = (
        f"fix verify {finding} --method cover_off_inspection --result correct --on 2025-03-25 "
        "--cover-removed yes --ground-present yes --neutral-ground-jumper no --polarity correct "
        f"--ground-path-ohms 0.3 --inspector '{inspector}'"
    )
    if said:
        refused = typed(look, ok=None)
        assert said in refused.found and "name" in refused.found
        assert typed.json("findings list")[0]["state"] == "fix_reported_unproven"
    else:
        (told,) = typed.json(look)
        assert told["state"] == "repair_proven"


def test_a_remedy_that_leaves_the_defect_is_refused_with_the_reason(typed, finding):
    refusal = typed(
        f"fix report {finding} --remedy protection_added_only --firm P --on 2025-03-20 "
        "--marking gfci_protected --marking no_equipment_ground", ok=None,
    )  # fmt: skip
    assert "a GFCI does not make that safe" in refusal.found
    listed = {row["remedy"]: row["refused"] for row in typed.json(
        "fix remedies --condition false_ground")}  # fmt: skip
    assert listed["gfci_type_marked"] is None
    assert "three-slot receptacle is left ungrounded" in listed["conductors_put_right"]
    assert "still false ground" in listed["receptacle_swapped"]
    assert "placeholder" in typed("fix remedies")


@pytest.mark.slow
def test_two_hundred_are_assigned_at_once_and_the_second_person_is_told(typed, tmp_path):
    opened = open_ledger(tmp_path / "ledger.sqlite")
    opened.raise_many([raised(f"K{number}") for number in range(200)], **WHO)
    opened.close()
    ids = typed("findings list --ids")
    assert len(ids.split()) == 200
    typed("findings assign --from - --firm Pellworth", stdin=ids)
    assert {row["firm"] for row in typed.json("findings list")} == {"Pellworth"}
    refusal = typed("findings assign --from - --firm Oddy", stdin=ids, ok=None)
    assert "200 of 200 events are refused" in refusal.found
    assert "2 assigned by" in refusal.found


def test_life_without_a_fix(typed, finding):
    def state(text):
        return typed.json(text)[0]["state"]

    assert state(f"findings accept {finding}") == "confirmed_defect"
    made_safe = f"findings make-safe {finding} --how circuit_de_energised"
    refusal = typed(f"{made_safe} --since 2099-01-01", ok=None)
    assert "made safe for now since 2099-01-01, a day in the future" in refusal.found
    assert state(made_safe) == "made_safe_defect_remains"
    assert state(f"findings make-live {finding} --reason heating") == "confirmed_defect"
    for what in ("notice_given", "entry_refused", "no_access"):
        typed(f"findings access {finding} --what {what}")
    typed(f"findings pause {finding} --reason no_access --note nobody_at_home")
    assert typed.json("findings list")[0]["paused_since"] is not None
    typed(f"findings resume {finding}")
    typed(f"findings comment {finding}", "the tenant is away")
    assert state(f"findings dismiss {finding} --reason sold") == "set_aside_unrepaired"
    assert state(f"findings reopen {finding} --reason mistake") == "confirmed_defect"
    assert typed("ledger verify").startswith("1 findings, 12 events")


def test_work_lists_carry_cautions_and_no_formula(typed, finding, tmp_path):
    firm = "=cmd|'/c calc'!A1"
    typed("findings raise --building +B9 --opening @K2 --condition hot_on_ground "
          f"--slots three_slot --seen-on {DAY}")  # fmt: skip
    typed("findings assign --from -", "--firm", firm, stdin=typed("findings list --ids"))
    for name in ("list.csv", "list.xlsx", "list.html"):
        path = tmp_path / name
        (told,) = typed.json("findings worklist", path, "--firm", firm)
        assert told["findings"] == 2
    lines = (tmp_path / "list.csv").read_text(encoding="utf-8-sig").splitlines()
    assert lines[1].split(",")[2] == "'+B9"  # what energises metal comes first
    sheet = load_workbook(tmp_path / "list.xlsx").active
    for row in sheet.iter_rows(min_row=2, values_only=True):
        assert not any(str(cell).startswith(("=", "+", "-", "@")) for cell in row)
    page = (tmp_path / "list.html").read_text()
    assert all(caution in page for caution in CAUTIONS)
    assert "<script" not in page and "http" not in page
    refusal = typed("findings worklist", tmp_path / "list.doc", ok=None)
    assert ".html" in refusal.expected


def test_import_ends_with_three_when_rows_are_set_aside(typed, finding, tmp_path):
    path = tmp_path / "report.csv"
    path.write_text(
        "finding_id,remedy,fixed_on,firm\n"
        f"{finding},two_slot_again,2025-03-20,Oddy\n{finding},magic,2025-03-20,Oddy\n"
    )
    (told,) = typed.json("fix import", path, ok=3)
    assert (told["reported"], told["set_aside"]) == (1, 1)
    assert typed.json("fix set-aside")[0]["reasons"][0]["column"] == "remedy"
    typed("fix set-aside --export", tmp_path / "out.csv")
    assert "magic" in (tmp_path / "out.csv").read_text(encoding="utf-8-sig")


def test_the_ledger_can_be_sealed_backed_up_and_moved(typed, finding, tmp_path):
    typed("ledger seal", tmp_path / "seal.json")
    typed("ledger backup", tmp_path / "copy")
    typed("ledger export", tmp_path / "history.jsonl")
    other = Typed(str(tmp_path / "other.sqlite"), tmp_path)
    assert other.json("ledger restore", tmp_path / "copy")[0]["events"] == 1
    assert other.json("ledger import", tmp_path / "history.jsonl")[0]["events"] == 0
    assert "as sealed" in other("ledger verify --seal", tmp_path / "seal.json")
    typed(f"findings accept {finding}")
    assert other("ledger import", tmp_path / "history.jsonl") == ""
    third = Typed(str(tmp_path / "third.sqlite"), tmp_path)
    assert "is not what the seal says" in third(
        "ledger verify --seal", tmp_path / "seal.json", ok=2
    )
    assert third.json("ledger verify --seal", tmp_path / "seal.json", ok=2)[0]["sequence"] == 1


@pytest.mark.parametrize("group", GROUPS)
def test_every_command_has_help_with_an_example_and_json(group):
    for name, command in GROUPS[group].commands.items():
        shown = CliRunner().invoke(GROUPS[group], [name, "--help"]).stdout
        assert f"coverplate {group} {name}" in shown.replace("\n  ", " "), shown
        assert "--json" in shown
        options = [each for each in command.params if isinstance(each, click.Option)]
        assert all(each.help for each in options), name


@pytest.mark.parametrize(
    "text",
    ["findings show F-0", "findings accept F-0@x", "findings accept", "fix methods F-0",
     "ledger restore nowhere", "fix import nowhere.csv", "ledger verify --seal nowhere.json"],
)  # fmt: skip
def test_refusals_say_what_to_do(typed, text):
    assert typed(text, ok=None).to_do

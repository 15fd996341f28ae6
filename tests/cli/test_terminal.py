"""Nothing out of data steers a terminal: no colour, no bell, no link, no text turned around."""

import ast
import json
from pathlib import Path

import pytest

import pipeline.cli
from tests.cli.running import run

ESCAPES = ("\x1b[31mred", "bell\x07", "\x1b]8;;http://evil.example\x1b\\link", "csi\x9b2J", "\x85")
TURNED = "gnp\u202etxt"


def exports(inbox: Path) -> None:
    """A register and looks whose names, notes, inspectors and file names hold such characters."""
    name = " ".join(ESCAPES)
    (inbox / f"register {ESCAPES[0]} {TURNED}.csv").write_text(
        f"building_id,name,address,year_built,owner\nB-1,{name},{ESCAPES[2]},1930,{ESCAPES[1]}\n"
        f"B-2,{TURNED},,1931,\n",
        encoding="utf-8",
    )
    looks = "".join(
        f"B-{number},2A,kitchen {ESCAPES[1]},O-{number},2024-03-0{number},{ESCAPES[0]},"
        f"three_lamp_tester,{result},{ESCAPES[2]} {TURNED}\n"
        for number, result in ((1, "hot_ground_reversed"), (2, ESCAPES[0]), (2, "correct"))
    )
    looks += f"B-1,2A,hall,O-9,never {ESCAPES[0]},,three_lamp_tester,correct,\n"
    (inbox / f"looks {ESCAPES[2].replace('/', '_')}.csv").write_text(
        "building_id,unit_id,room,opening_id,observed_on,inspector,method,result,note\n" + looks,
        encoding="utf-8",
    )


@pytest.fixture
def taken_in(inbox, workspace):
    exports(inbox)
    told = run("intake", inbox, "--workspace", workspace)
    assert told.code == 3 and "⟨U+001B⟩" in told.out, told
    return workspace


@pytest.mark.slow
def test_no_command_sends_data_raw(taken_in, tmp_path):
    """``run`` itself fails where a character gets through; here they must also be told."""
    assert run("build", "--workspace", taken_in).code == 0
    told = ""
    for words in (
        *(["rank"], ["building", "B-1"], ["openings", "B-1"], ["urgent"], ["portfolio"]),
        *(["quarantine", "list"], ["check"], ["quality"], ["findings", "sync"], ["findings"]),
        ["exposure"],
    ):
        told += run(*words, "--workspace", taken_in).out
        packed = run(*words, "--json", "--workspace", taken_in)
        if words[0] == "building":
            assert ESCAPES[0] in json.loads(packed.out)[0]["name"]
    assert "⟨U+001B⟩[31mred" in told and "bell⟨U+0007⟩" in told and "csi⟨U+009B⟩2J" in told


def test_refusals_tell_what_they_were_given():
    outcome = run("intake", "no such \x1b[31m file \u202e.csv")
    assert outcome.code == 2 and "⟨U+001B⟩[31m file ⟨U+202E⟩" in outcome.err
    outcome = run("rank", "--\x1b]8;;http://evil.example\x07")
    assert outcome.code == 2 and "evil.example" in outcome.err and "\x1b" not in outcome.err


def test_commands_print_by_one_module_only():
    folder = Path(pipeline.cli.__file__).parent
    for file in sorted(folder.glob("*.py")):
        if file.name == "output.py":
            continue
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            called = node.func if isinstance(node, ast.Call) else None
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            assert name not in ("echo_via_pager", "secho", "print", "Console"), file.name
            by_click = isinstance(called, ast.Attribute) and name == "echo"
            assert not by_click, f"{file.name} prints past pipeline.cli.output"

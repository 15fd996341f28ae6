"""Every command says what it does, with an example that stands."""

import re
import subprocess
import sys

import click
import pytest
from click.testing import CliRunner

from pipeline.cli.main import coverplate


def commands(group, words=()):
    ctx = click.Context(group)
    for name in group.list_commands(ctx):
        command = group.get_command(ctx, name)
        if isinstance(command, click.Group):
            yield from commands(command, (*words, name))
        else:
            yield (*words, name), command


ALL = dict(commands(coverplate))


def test_the_commands():
    groups = {words[0] for words in ALL}
    assert groups >= {
        *("demo", "intake", "build", "rank", "building", "openings", "urgent", "quality"),
        *("evidence", "quarantine", "mapping", "rules", "findings", "fix", "ledger", "dashboard"),
        *("portfolio", "exposure"),
    }
    listed = CliRunner().invoke(coverplate, ["--help"]).output
    assert all(re.search(rf"^  {name} +\S", listed, re.MULTILINE) for name in groups)
    summaries = listed.partition("Commands:")[2].splitlines()
    assert not [line for line in summaries if line.endswith("...")]  # none is cut off


def test_a_command_loads_no_model_that_it_does_not_need():
    loaded = "import sys; from pipeline.cli import {}; print('numba' in sys.modules)"
    for name, needs in (("rank", False), ("urgent", False), ("findings", False), ("build", True)):
        done = subprocess.run([sys.executable, "-c", loaded.format(name)], capture_output=True)
        assert done.stdout.decode().strip() == str(needs), name


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_help_has_an_example_and_the_usual_options(words):
    found = CliRunner().invoke(coverplate, [*words, "--help"])
    assert found.exit_code == 0
    flat = " ".join(found.output.split())
    assert f"coverplate {' '.join(words)}" in flat.partition("Example")[2]
    if words not in (("rules", "check"), ("certificate", "key"), ("certificate", "check")):
        assert "--workspace" in flat
    if words[0] not in ("rules", "mapping", "dashboard"):
        assert "--json" in flat


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_option_of_every_example_exists(words):
    command = ALL[words]
    known = {text for parameter in command.params for text in parameter.opts}
    examples = re.findall(r"coverplate ([^·|]*)", command.epilog or "")
    for example in examples:
        if example.split()[: len(words)] == list(words):
            assert set(re.findall(r"--[a-z-]+", example)) <= known


@pytest.mark.parametrize("words", ALL, ids=" ".join)
def test_every_option_is_explained(words):
    for parameter in ALL[words].params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name


def test_the_epilogue_of_intake_tells_the_exit_codes():
    flat = " ".join(CliRunner().invoke(coverplate, ["intake", "--help"]).output.split())
    assert "0 done, 2 refused (nothing changed), 3 done with rows in quarantine" in flat

"""``coverplate rules``: the rule book."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import json_option, workspace_option
from pipeline.cli.output import echo, print_json, print_table
from shared.in_words import exact
from shared.rule_book import default_rule_book_text, load_rule_book


@click.group(short_help="The rule book: numbers, units, sources.")
def rules() -> None:
    """Every number that Coverplate judges with, its unit and its source."""


@rules.command("show", epilog="Example: coverplate rules show --toml > rule_book.toml")
@click.option("--toml", is_flag=True, help="The rule book itself, to start your own from.")
@click.option(
    "--rule-book", "path", type=click.Path(path_type=Path, dir_okay=False), help="Another file."
)
@workspace_option
@json_option
def show(toml: bool, path: Path | None, workspace: Path, as_json: bool) -> int:
    """Show the rule book in force: the workspace's own if it has one, else the default."""
    own = workspace / "rule_book.toml"
    file = path or (own if own.is_file() else None)
    book = load_rule_book(file)
    if toml:
        text = file.read_text(encoding="utf-8") if file else default_rule_book_text()
        echo(text, nl=False)
        return 0
    names = ("path", "value", "unit", "meaning", "source")
    rows = [dict(zip(names, entry, strict=True)) for entry in book.numbers()]
    if as_json:
        print_json(rows)
        return 0
    print_table(
        f"Rule book {book.hash[:12]}" + (f" ({file})" if file else " (the default)"),
        [("number", "left"), ("value", "right"), ("unit", "left"), ("source", "left")],
        [
            [str(r["path"]), exact(float(str(r["value"]))), str(r["unit"]), str(r["source"])]
            for r in rows
        ],
    )
    return 0


@rules.command("check", epilog="Example: coverplate rules check rule_book.toml")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
def check(path: Path) -> int:
    """Check a rule book; every fault is listed."""
    book = load_rule_book(path)
    echo(f"{path} is a valid rule book, {sum(1 for _ in book.numbers())} numbers.")
    return 0

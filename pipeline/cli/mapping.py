"""``coverplate mapping``: how a source's columns and words are read."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline import landing
from pipeline.cli.intake import print_certificate
from pipeline.cli.options import REFUSED, answers_option, json_option, workspace_option
from pipeline.cli.output import echo, print_json, print_table, say
from pipeline.landing import Workspace
from pipeline.landing.answers import parse_answers
from pipeline.landing.choose import draft_toml, name_of
from pipeline.landing.mapping_store import all_mappings, as_toml
from pipeline.landing.preview import Preview, preview
from shared.faults import CoverplateError
from shared.in_words import percent

MOST_WORDS = 12
"""Unread words that are told of a column."""


@click.group(short_help="How a source's columns are read.")
def mapping() -> None:
    """How a source's columns and words are read; one TOML file a source."""


@mapping.command("list", epilog="Example: coverplate mapping list --workspace housing")
@workspace_option
@json_option
def list_all(workspace: Path, as_json: bool) -> int:
    """List the mappings saved in the workspace and those that come with Coverplate."""
    place = Workspace(workspace)
    saved = {item.name for item in landing.list_mappings(place)}
    rows = [
        {
            "name": item.name,
            "saved": item.name in saved,
            "record_kinds": [record.kind.value for record in item.records],
        }
        for item in all_mappings(place)
    ]
    if as_json:
        print_json(rows)
        return 0
    print_table(
        "Mappings (files in the default layout need none)",
        [("name", "left"), ("from", "left"), ("record kinds", "left")],
        [
            [
                str(row["name"]),
                "this workspace" if row["saved"] else "Coverplate",
                ", ".join(str(kind) for kind in row["record_kinds"]).replace("_", " "),
            ]
            for row in rows
            if isinstance(row["record_kinds"], list)
        ],
    )
    return 0


@mapping.command("show", epilog="Example: coverplate mapping show contractor")
@click.argument("name")
@workspace_option
def show(name: str, workspace: Path) -> int:
    """Print a mapping as TOML."""
    echo(as_toml(landing.find_mapping(Workspace(workspace), name)), nl=False)
    return 0


@mapping.command("save", epilog="Example: coverplate mapping save contractor.toml")
@click.argument("path", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--replace", is_flag=True, help="Replace a mapping of the same name.")
@workspace_option
def save(path: Path, replace: bool, workspace: Path) -> int:
    """Check a mapping file and save it in the workspace."""
    saved = landing.save_mapping(Workspace(workspace), landing.load_mapping(path), replace=replace)
    echo(f"Saved as {saved}.")
    return 0


@mapping.command(
    "propose", epilog="Example: coverplate mapping propose contractor.csv --save contractor"
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--save", "name", help="Save the proposal under this name, for editing.")
@answers_option
@workspace_option
@json_option
def propose(
    path: Path, name: str | None, settings: tuple[str, ...], workspace: Path, as_json: bool
) -> int:
    """Propose how a file is read, column by column, and say how sure that is.

    Nothing is taken in.
    """
    place = Workspace(workspace)
    previews = preview(place, [path], name or "proposed", parse_answers(settings))
    if not previews:
        raise CoverplateError(f"{path} holds no table", expected="a header and rows below it")
    if as_json:
        print_json([_as_row(item) for item in previews])
    else:
        for item in previews:
            _print(item)
    if name is None:
        return 0
    usable = [item for item in previews if item.proposal.mapping is not None]
    if not usable:
        raise CoverplateError(
            "no proposal is whole enough to be saved: "
            + "; ".join(item.proposal.explanation() for item in previews),
            to_do="answer what is open with --set COLUMN=HEADER (your own column and header), or "
            f"correct the draft {_save_drafts(place, previews)} and save it with `coverplate "
            "mapping save`",
        )
    if len(usable) > 1:
        say("Several tables: the first that can be read is saved.")
    chosen = usable[0].proposal.mapping
    assert chosen is not None
    saved = landing.save_mapping(place, chosen)
    say(f"Saved as {saved}. Check it where it is unsure, then take the file in.")
    return 0 if usable[0].proposal.confidence > 0 else REFUSED


def _save_drafts(place: Workspace, previews: list[Preview]) -> str:
    """Save what is known of mappings that are not whole, and say where."""
    names = []
    for item in previews:
        text = draft_toml(name_of(item.path), item.header, item.proposal, item.questions)
        names.append(str(place.save_draft(name_of(item.path), text)))
    return ", ".join(dict.fromkeys(names))


def _as_row(item: Preview) -> dict[str, object]:
    proposal = item.proposal
    return {
        "path": item.path,
        "sheet": item.sheet,
        "read_by": item.read_by,
        "record_kind": proposal.kind.value if proposal.kind else None,
        "confidence": proposal.confidence,
        "columns": [
            {
                "column": c.column,
                "header": c.header,
                "confidence": c.confidence,
                "unread": c.unread,
            }
            for c in proposal.columns
        ],
        "missing": list(proposal.missing),
        "unmapped": list(proposal.unmapped),
        "questions": [
            {"about": q.column, "found": q.found, "answers": list(q.answers)}
            for q in (item.questions or proposal.questions)
        ],
        "certificate": [stretch.model_dump(mode="json") for stretch in item.certificate],
    }


def _print(item: Preview) -> None:
    proposal = item.proposal
    title = Path(item.path).name + (f" [{item.sheet}]" if item.sheet else "")
    echo(f"{title}: {proposal.explanation()}.")
    if item.read_by:
        echo(f"Intake would read it by: {item.read_by}.")
    samples = {
        name: next((row[i] for row in item.sample if i < len(row) and row[i]), "")
        for i, name in enumerate(item.header)
    }
    print_table(
        "",
        [("column", "left"), ("from", "left"), ("sample", "left"), ("sure", "right")],
        [
            [c.column, c.header, str(samples.get(c.header, "")), percent(c.confidence)]
            for c in proposal.columns
        ],
    )
    for column in proposal.columns:
        if column.unread:
            words = list(column.unread.items())
            told = ", ".join(f"{word!r} ×{times}" for word, times in words[:MOST_WORDS])
            more = f" and {len(words) - MOST_WORDS} more" if len(words) > MOST_WORDS else ""
            echo(f"Cannot be read as {column.column}: {told}{more}.")
    for question in item.questions:
        echo(f"To be settled: {question.found}.")
        if question.answers:
            echo(f"  Answer with --set {' or --set '.join(question.answers)}.")
    print_certificate(Path(item.path).name, item.certificate)
    if proposal.unmapped:
        echo("Not mapped (kept in the original): " + ", ".join(proposal.unmapped))
    echo("")

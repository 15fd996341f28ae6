"""``coverplate check``: whether everything in a workspace is still what it was."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli.options import DONE, REFUSED, existing, json_option, workspace_option
from pipeline.cli.output import echo, print_json, print_table, progress, say
from pipeline.landing import Workspace, logbook
from pipeline.landing.integrity import BAD, Checked, check, check_logbook, withdraw
from pipeline.warehouse.inputs import workspace_rule_book
from pipeline.warehouse.soundness import (
    check_kept_files,
    check_ledger,
    check_warehouse,
    enter_ledger,
)
from shared.in_words import plural

TOLD = {
    "whole": "whole",
    "damaged": "damaged; can be made anew",
    "rebuilt": "was damaged; derived anew from the original",
    "lost": "lost or damaged: fetch it again, or a back-up",
    "sealed": "landed before hashes were kept; they are kept from now on",
    "unknown": "not in the logbook; --repair enters it as found",
    "entered": "was not in the logbook; entered as found",
    "altered": "not what was written down",
    "none": "not there",
}
"""What each verdict means to a person."""


@click.command(
    "check",
    short_help="Whether everything is still what it was.",
    epilog="Example: coverplate check --workspace housing  ·  coverplate check --head 9f2c…  ·  "
    "Exit codes: 0 all whole, 2 something is damaged.",
)
@click.option("--repair", is_flag=True, help="Derive anew what is damaged, from the originals.")
@click.option(
    "--head",
    metavar="HASH",
    help="A head of the logbook that was kept elsewhere: is it still in the chain?",
)
@click.option(
    "--withdrawn",
    metavar="SHA256",
    help="Write down that a landed file which is gone was taken out on purpose.",
)
@workspace_option
@json_option
def check_workspace(
    repair: bool, head: str | None, withdrawn: str | None, workspace: Path, as_json: bool
) -> int:
    """Hold every landed file, what was derived from it, the logbook (a chained register of all that
    landed and was built), the ledger and the warehouse against what was written down of them.

    Writes nothing without --repair, so a read-only copy can be checked. The chain can be made anew
    by someone who writes the whole of it again: keep its head elsewhere now and then.
    """
    place = existing(workspace)
    if withdrawn is not None:
        say(f"{withdraw(place, withdrawn)} stands in the logbook as taken out on purpose.")
    with progress() as report:
        told: list[str] = []
        files = check(
            place,
            repair=repair,
            tell=lambda name: report(f"{name}: checking", 0.0),
            say=told.append,
        )
        book = workspace_rule_book(place)
        report("logbook, ledger and warehouse: checking", 0.9)
        ledger = check_ledger(place, book)
        if repair and ledger.verdict not in BAD:
            told += enter_ledger(place, book)
        if repair and logbook.read(place).torn:
            told += logbook.append(place, "repaired", {"files": []})
        others = [check_logbook(place), ledger, check_warehouse(place)]
        files_kept = check_kept_files(place, book)
        if files_kept.verdict in BAD:
            others.append(files_kept)
        kept = None if head is None else _kept(place, head)
    for line in told:
        say(line)
    found = [*files, *others, *([kept] if kept else [])]
    if as_json:
        print_json([{**vars(each), "ok": each.verdict not in BAD} for each in found])
    else:
        _print(files, others, kept)
    return REFUSED if any(each.verdict in BAD for each in found) else DONE


def _kept(place: Workspace, head: str) -> Checked:
    """Whether a head that was kept elsewhere is in the chain."""
    book = logbook.read(place)
    line = book.line_of(head.strip().lower())
    path = str(logbook.logbook_path(place))
    if line is None:
        found = "the head that was kept is not in the chain: the logbook was written anew or cut"
        return Checked(head, path, "altered", found, "logbook")
    later = len(book.lines) - line.number
    found = f"the head that was kept is line {line.number}, of {line.content.get('at')}; "
    return Checked(head, path, "whole", found + f"{plural(later, 'line')} since", "logbook")


def _print(files: list[Checked], others: list[Checked], kept: Checked | None) -> None:
    """One page: how much is whole, everything that is not, then logbook, ledger and warehouse."""
    wrong = [each for each in files if each.verdict != "whole"]
    echo(f"{plural(len(files), 'landed file')}, {len(files) - len(wrong)} of them whole.")
    if wrong:
        print_table(
            "",
            [("file", "left"), ("how it is", "left"), ("found", "left")],
            [[Path(each.path).name, TOLD[each.verdict], each.found] for each in wrong],
        )
    for each in [*others, *([kept] if kept else [])]:
        more = f": {each.found}" if each.found else ""
        head = f" Its head: {each.sha256}" if each is others[0] and each.sha256 else ""
        echo(f"The {each.what}: {TOLD[each.verdict]}{more}.{head}")

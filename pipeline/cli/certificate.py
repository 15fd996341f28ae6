"""``coverplate certificate``: what is recorded of one opening, signed, for others to check."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import pandas as pd

from pipeline.cli.ledger_options import ledger_options, opened_to_read, opened_unwritten
from pipeline.cli.options import DONE, REFUSED, existing, json_option
from pipeline.cli.output import (
    echo,
    print_json,
    say,
)
from pipeline.cli.rank import is_stale
from pipeline.landing import Workspace, logbook
from pipeline.ledger.database import URL_VARIABLE
from pipeline.ledger.landed_looks import code_looks, contradicting_looks, proofs_in_doubt
from pipeline.ledger.may_mean_it import in_words, open_papers
from pipeline.ledger.opening_certificate import (
    LIMITS,
    check,
    exports_of,
    hold_against,
    new_key,
    opening_certificate,
    place_words,
    read_private,
    read_public,
    write_certificate,
)
from pipeline.ledger.store import Ledger
from pipeline.warehouse import queries, store
from pipeline.warehouse.frames import records
from shared.faults import CoverplateError
from shared.in_words import plural, words


@click.group()
def certificate() -> None:
    """Signed certificates of single openings, for others to check."""


_file = click.Path(path_type=Path, dir_okay=False)


@certificate.command("key", epilog="Example: coverplate certificate key housing-authority.pem")
@click.argument("path", type=_file)
@json_option
def key(path: Path, as_json: bool) -> int:
    """Make a key to sign with. PATH is private; PATH.pub goes to those who check."""
    made = new_key(path)
    if as_json:
        print_json([{"private": str(path), "public": f"{path}.pub", "fingerprint": made}])
    else:
        say(f"{path} signs; keep it where nobody else reads it. Give away {path}.pub ({made}).")
    return DONE


@certificate.command(
    "make", epilog="Example: coverplate certificate make B-0017 K1 --unit 2A --key h.pem -o k1.json"
)
@click.argument("building_id")
@click.argument("opening_id")
@click.option("--unit", default="", help="The dwelling, where the opening has one.")
@click.option("--key", "key_file", type=_file, required=True, help="The private key that signs.")
@click.option("-o", "--output", type=_file, required=True, help="The certificate to write.")
@ledger_options
def make(
    building_id: str,
    opening_id: str,
    unit: str,
    key_file: Path,
    output: Path,
    workspace: Path,
    ledger_at: str | None,
    as_json: bool,
) -> int:
    """Write a signed certificate of an opening: how its findings stand, and all that this rests on.

    It holds every event of its findings, the rule books that judged them, every look that was
    landed there with its file and row, and which exports had landed by then.
    """
    signer = read_private(key_file)
    place = (building_id, unit, opening_id)
    with opened_to_read(workspace, ledger_at) as ledger:
        _check_up_to_date(ledger, workspace, place)
        content = opening_certificate(
            ledger,
            place,
            looks=_looks(workspace, place),
            exports=exports_of(logbook.read(Workspace(workspace))),
            may_mean_it=open_papers(_papers(workspace, place)),
        )
    write_certificate(content, signer, output)
    if as_json:
        print_json(content["says"])
        for each in content["may_mean_it"]:
            say(in_words(each))
    else:
        _print_says(content["says"], content["may_mean_it"])
        say(
            f"{plural(len(content['events']), 'event')} and {plural(len(content['looks']), 'look')}"
            f" in {output}."
        )
    return DONE


def _check_up_to_date(ledger: Ledger, root: Path, place: tuple[str, str, str]) -> None:
    """Refuse where something that landed is not in the findings yet."""
    workspace = Workspace(root)
    if store.current_version(workspace) is None:
        if workspace.manifests():
            raise CoverplateError(
                "files landed and were never built", to_do="run `coverplate build` first"
            )
        return
    if is_stale(workspace):
        raise CoverplateError(
            "exports, ledger or rules changed since the last build",
            expected="a certificate of all that is recorded",
            to_do="run `coverplate build` and `coverplate findings sync`, then make it again",
        )
    with store.reading(workspace) as con:
        for finding_id, why in proofs_in_doubt(con, ledger).items():
            raised = ledger.finding(finding_id).raised
            if (raised.building_id, raised.unit_id, raised.opening_id) == place:
                raise CoverplateError(
                    f"{finding_id}: {why}",
                    expected="a proof by a look that stands",
                    to_do="settle that, then make it again",
                )
        code_looks(con, ledger)
        for each in contradicting_looks(con, ledger):
            raised = ledger.finding(each.finding_id).raised
            if (raised.building_id, raised.unit_id, raised.opening_id) == place:
                raise CoverplateError(
                    f"a look of {each.look.observed_on} speaks against the proven repair: "
                    f"{each.reason}",
                    expected="findings that say so",
                    to_do="run `coverplate findings sync`, then make it again",
                )


def _papers(root: Path, place: tuple[str, str, str]) -> list[dict[str, Any]]:
    if not store.current_version(Workspace(root)):
        return []
    with store.reading(Workspace(root)) as con:
        return queries.urgent_papers_of(con, *place[:2])


def _looks(root: Path, place: tuple[str, str, str]) -> list[dict[str, Any]]:
    if not store.current_version(Workspace(root)):
        return []
    with store.reading(Workspace(root)) as con:
        frame = queries.looks_of_opening(con, *place)
    frame["observed_on"] = frame["observed_on"].dt.date.astype(str)
    return [
        {name: cell for name, cell in row.items() if not pd.isna(cell)} for row in records(frame)
    ]


@certificate.command(
    "check",
    epilog="Examples: coverplate certificate check k1.json --key h.pub  ·  coverplate certificate "
    "check k1.json --key h.pub --workspace housing",
)
@click.argument("path", type=_file)
@click.option("--key", "key_file", type=_file, required=True, help="The signer's public key.")
@click.option(
    "--workspace",
    type=click.Path(path_type=Path, file_okay=False),
    help="One that holds the landed exports and the ledger: was anything left out?",
)
@click.option(
    "--ledger",
    "ledger_at",
    metavar="URL",
    envvar=URL_VARIABLE,
    help="With --workspace: another ledger than its own.",
)
@json_option
def check_certificate(
    path: Path, key_file: Path, workspace: Path | None, ledger_at: str | None, as_json: bool
) -> int:
    """Check a certificate with nothing but itself and the signer's public key.

    Every event is put through the rules once more, and every look since a proof to the judge.
    Whether its signer left looks, findings or events out only the landed exports and the ledger
    tell: --workspace. Exits with 2 where anything does not hold.
    """
    found = check(path, read_public(key_file))
    if workspace is not None:
        faults, notes = _held_against(path, found.opening, existing(workspace), ledger_at)
        found = replace(found, faults=[*found.faults, *faults])
        for each in notes:
            say(f"To be known: {each}.")
    for each in found.unknown_books:
        say(
            f"Judged by the rule book {each[:12]}, which the certificate brings along and this "
            "program does not have: it is the signer's word that these were the rules."
        )
    if as_json:
        print_json([{"fault": each} for each in found.faults])
        for beside in found.may_mean_it:
            say(in_words(beside))
        return REFUSED if found.faults else DONE
    echo(f"{place_words(found.opening)}; made {found.made_at[:10]}, signed by {found.signer}")
    for each in found.faults:
        echo(f"Does not hold: {each}")
    if not found.faults:
        _print_says(found.says, found.may_mean_it)
        echo(
            "Whether looks, findings or events were left out was not checked: that takes "
            "--workspace."
            if workspace is None
            else "No look was left out that had landed when it was made, and nothing of what the "
            "ledger held then."
        )
    return REFUSED if found.faults else DONE


def _held_against(
    path: Path, place: tuple[str, str, str], workspace: Workspace, ledger_at: str | None
) -> tuple[list[str], list[str]]:
    if store.current_version(workspace) is None or is_stale(workspace):
        raise CoverplateError(
            "exports, ledger or rules changed since the last build, or nothing was built",
            expected="a workspace whose warehouse holds all that landed",
            to_do="run `coverplate build --workspace` on it, then check again",
        )
    with store.reading(workspace) as con:
        superseded = queries.superseded_of_opening(con, *place)
    looks, papers = _looks(workspace.root, place), _papers(workspace.root, place)
    with opened_unwritten(workspace.root, ledger_at) as ledger:
        return hold_against(path, looks, superseded, logbook.read(workspace), ledger, papers=papers)


def _print_says(says: list[dict[str, Any]], may_mean_it: list[dict[str, Any]]) -> None:
    for each in says:
        proof = (
            f"; proven on {each['proven_on']} by {words(each['proven_with'])}"
            if each["proven_on"]
            else ""
        )
        what = words(each["condition"] or each["family"])
        echo(f"{what}: {words(each['state'])} ({each['means']}){proof}")
    for each in may_mean_it:
        echo(in_words(each))
    if not says and not may_mean_it:
        echo("No finding stands on record there.")
    echo(LIMITS)

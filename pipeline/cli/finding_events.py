"""What happens to findings without a fix: taken on, assigned, made safe, set aside, paused."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any, TextIO, get_args

import click

from pipeline.cli.ledger_options import (
    act,
    acting_options,
    day_option,
    day_or_today,
    findings_argument,
    named_findings,
    opened,
)
from pipeline.ledger import events


@click.command("accept", epilog="Example: coverplate findings accept F-0123456789abcdef@1")
@click.option("--note", help="Anything worth keeping.")
@findings_argument
@acting_options
def accept(
    ids: tuple[str, ...], listed: TextIO | None, note: str | None, who: str, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Take findings on."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.Accepted(note=note)
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command(
    "assign",
    epilog="Example: coverplate findings assign F-0123456789abcdef --firm 'Pellworth Electric' "
    "--due 2025-04-30",
)
@click.option("--firm", required=True, help="The firm that is to deal with them.")
@click.option("--person", help="The person there.")
@day_option("--due", "The day by which; the present target stays when not given.")
@click.option("--note", help="Anything worth keeping; the reason, where --due is later.")
@findings_argument
@acting_options
def assign(
    ids: tuple[str, ...], listed: TextIO | None, firm: str, person: str | None,
    due: dt.datetime | None, note: str | None, who: str, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Assign findings to a firm, all or none.

    A due day later than the first target needs a reason in --note; the first target stays.
    """
    with opened(workspace, ledger_at) as ledger:
        payload = events.Assigned(
            firm=firm, person=person, due_on=due.date() if due else None, note=note
        )
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command(
    "dismiss", epilog="Example: coverplate findings dismiss F-0123456789abcdef --reason 'torn down'"
)
@click.option("--reason", required=True, help="Why it is closed on paper.")
@findings_argument
@acting_options
def dismiss(
    ids: tuple[str, ...], listed: TextIO | None, reason: str, who: str, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Set findings aside with a reason. Closed on paper is not repaired."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.Dismissed(reason=reason)
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command(
    "reopen", epilog="Example: coverplate findings reopen F-0123456789abcdef --reason 'wrong unit'"
)
@click.option("--reason", required=True, help="Why it is open again.")
@findings_argument
@acting_options
def reopen(
    ids: tuple[str, ...], listed: TextIO | None, reason: str, who: str, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Open findings again, with a reason."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.Reopened(reason=reason)
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command("comment", epilog="Example: coverplate findings comment F-0123456789abcdef hall")
@click.argument("finding")
@click.argument("text")
@acting_options
def comment(
    finding: str, text: str, who: str, workspace: Path, ledger_at: str | None, as_json: bool
) -> int:
    """Write a comment on a finding."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.Commented(text=text)
        return act(ledger, named_findings([finding], None), payload, who, as_json)


@click.command(
    "make-safe", epilog="Example: coverplate findings make-safe F-0123456789abcdef "
    "--how circuit_de_energised"
)  # fmt: skip
@click.option(
    "--how",
    type=click.Choice(get_args(events.MadeSafe.model_fields["how"].annotation)),
    required=True,
    help="What keeps the danger out of reach.",
)
@day_option("--since", "Since which day; today when not given.")
@click.option("--note", help="Anything worth keeping.")
@findings_argument
@acting_options
def make_safe(
    ids: tuple[str, ...], listed: TextIO | None, how: Any, since: dt.datetime | None,  # noqa: ANN401
    note: str | None, who: str, workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Note that the danger is out of reach for now; the defect remains open."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.MadeSafe(how=how, since=day_or_today(since), note=note)
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command(
    "make-live", epilog="Example: coverplate findings make-live F-0123456789abcdef --reason heat"
)  # fmt: skip
@click.option("--reason", required=True, help="Why it is in use again.")
@day_option("--since", "Since which day; today when not given.")
@findings_argument
@acting_options
def make_live(
    ids: tuple[str, ...], listed: TextIO | None, reason: str, since: dt.datetime | None,
    who: str, workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Note that what was made safe for now is in use again."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.MadeLiveAgain(since=day_or_today(since), reason=reason)
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command(
    "access",
    epilog="Example: coverplate findings access F-0123456789abcdef --what entry_refused",
)
@click.option(
    "--what",
    type=click.Choice(["notice_given", "entry_refused", "no_access"]),
    required=True,
    help="What happened at the door.",
)
@day_option("--on", "On which day; today when not given.")
@day_option("--entry-on", "For a notice: the day of the announced entry.")
@click.option("--note", help="Anything worth keeping.")
@findings_argument
@acting_options
def access(
    ids: tuple[str, ...], listed: TextIO | None, what: str, on: dt.datetime | None,
    entry_on: dt.datetime | None, note: str | None, who: str, workspace: Path,
    ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Note tenant notice given, entry refused or no access."""
    happened = day_or_today(on)
    payload: events.Payload
    if what == "notice_given":
        announced = entry_on.date() if entry_on else None
        payload = events.NoticeGiven(given_on=happened, entry_on=announced, note=note)
    elif what == "entry_refused":
        payload = events.EntryRefused(on=happened, note=note)
    else:
        payload = events.NoAccess(on=happened, note=note)
    with opened(workspace, ledger_at) as ledger:
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command(
    "pause",
    epilog="Example: coverplate findings pause F-0123456789abcdef --reason no_access "
    "--note 'tenant in hospital until May'",
)
@click.option(
    "--reason",
    type=click.Choice(get_args(events.Paused.model_fields["reason"].annotation)),
    required=True,
    help="Why the own target stands still.",
)
@day_option("--since", "Since which day, not before it was raised; today when not given.")
@click.option("--note", required=True, help="The reason in words.")
@findings_argument
@acting_options
def pause(
    ids: tuple[str, ...], listed: TextIO | None, reason: Any, since: dt.datetime | None,  # noqa: ANN401
    note: str, who: str, workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Let present targets stand still. First targets stay, regulatory windows run on."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.Paused(since=day_or_today(since), reason=reason, note=note)
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


@click.command("resume", epilog="Example: coverplate findings resume F-0123456789abcdef")
@day_option("--since", "Since which day; today when not given.")
@findings_argument
@acting_options
def resume(
    ids: tuple[str, ...], listed: TextIO | None, since: dt.datetime | None, who: str,
    workspace: Path, ledger_at: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Let own target dates run again."""
    with opened(workspace, ledger_at) as ledger:
        payload = events.Resumed(since=day_or_today(since))
        return act(ledger, named_findings(ids, listed), payload, who, as_json)


COMMANDS: tuple[click.Command, ...] = (
    accept,
    assign,
    dismiss,
    reopen,
    comment,
    make_safe,
    make_live,
    access,
    pause,
    resume,
)
"""Added to the group ``findings``."""

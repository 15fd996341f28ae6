"""The command ``coverplate``: registers every command and turns refusals into messages."""

from __future__ import annotations

import errno
import importlib
import io
import sys
import tempfile
import traceback
from typing import cast

import click
from pydantic import ValidationError

from pipeline.cli.options import REFUSED, UNFORESEEN
from pipeline.cli.output import say
from shared.faults import CoverplateError

COMMANDS = (
    "demo", "intake", "build", "check", "rank", "building", "building:openings", "urgent",
    "building:quality", "building:retired", "building:reports", "portfolio", "portfolio:exposure",
    "evidence", "plan", "quarantine", "mapping", "rules", "findings", "fix", "visits", "ledger",
    "certificate", "dashboard",
)  # fmt: skip
"""Modules with a command of that name each, or after a colon the command's own."""


class Commands(click.Group):
    """The commands by name; the module of one is loaded when it is asked for, as all together take
    seconds."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands."""
        return sorted(each.rpartition(":")[2] for each in COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, None where there is none."""
        for each in COMMANDS:
            module, _, name = each.partition(":")
            if (name or module) == cmd_name:
                found = importlib.import_module(f"pipeline.cli.{module}")
                return cast(click.Command, getattr(found, _IN_MODULE.get(cmd_name, cmd_name)))
        return None


_IN_MODULE = {"check": "check_workspace"}


@click.group(
    cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(package_name="coverplate")
def coverplate() -> None:
    """Weigh receptacle inspections of old buildings: what they prove, and where to look next.

    \b
    First steps:
      coverplate demo                      an invented portfolio, from exports to ranking
      coverplate intake exports/           take files in
      coverplate build                     weigh the evidence
      coverplate rank --top 20             the buildings to look at first
      coverplate findings sync             open findings from the evidence
      coverplate dashboard                 the same and more on screens

    Only qualified persons open a box. No output of this program replaces a licensed electrician.
    """


def main() -> None:
    """Run the command line; exit 0 done, 2 refused, 3 done with quarantined rows.

    Exit 1 is a fault in Coverplate itself; its trace goes to a file, never to the screen.
    """
    try:
        code = coverplate.main(standalone_mode=False)
    except CoverplateError as refusal:
        say(f"Refused: {refusal}")
        sys.exit(REFUSED)
    except click.exceptions.Abort:
        say("Stopped; nothing half done was left behind.")
        sys.exit(130)
    except click.ClickException as usage:
        told = io.StringIO()
        usage.show(told)
        say(told.getvalue().rstrip("\n"))
        sys.exit(REFUSED)
    except BrokenPipeError:
        # The reader of a pipe (head, say) has seen enough.
        sys.stderr.close()
        sys.exit(0)
    except ValidationError as fault:
        from pipeline.ledger import events

        if fault.title not in vars(events):
            say(_unforeseen(fault))
            sys.exit(UNFORESEEN)
        told_wrong = "; ".join(
            f"{'.'.join(map(str, each['loc']))}: {each['input']!r}: {each['msg']}"
            for each in fault.errors()
        )
        say(f"Refused: {told_wrong}\nWhat to do: give what is asked for and call again")
        sys.exit(REFUSED)
    except OSError as trouble:
        if trouble.errno in (errno.EROFS, errno.EACCES, errno.EPERM) and trouble.filename:
            say(
                f"Refused: {trouble.filename} may not be written or read by you here\n"
                "What to do: use a workspace that may be written, or copy this one to where you "
                "may; lists, `coverplate check` and `coverplate ledger verify` work on a copy that "
                "may only be read"
            )
        else:
            say(
                f"Refused: {trouble}\n"
                "What to do: check the path, its permissions and the disk space"
            )
        sys.exit(REFUSED)
    except Exception as unforeseen:
        say(_unforeseen(unforeseen))
        sys.exit(UNFORESEEN)
    sys.exit(code if isinstance(code, int) else 0)


def _unforeseen(fault: Exception) -> str:
    """Say that Coverplate itself is at fault, and keep the trace for whoever mends it."""
    handle, name = tempfile.mkstemp(prefix="coverplate-fault-", suffix=".txt")
    with open(handle, "w", encoding="utf-8") as file:  # noqa: PTH123 - a handle, not a path
        file.write("".join(traceback.format_exception(fault)))
    first = (str(fault).splitlines() or [""])[0]
    return (
        f"A fault in Coverplate itself: {type(fault).__name__}: {first}\n"
        f"What to do: send {name} to whoever looks after Coverplate; it names the command's steps "
        "and may quote cells of your files. What was taken in before is untouched."
    )


if __name__ == "__main__":
    main()

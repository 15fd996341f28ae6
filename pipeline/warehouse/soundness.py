"""Whether the warehouse is what was built and the ledger holds what it held then.

Both are held against the last line of the logbook that tells of a build. Nothing here writes, but
for ``prepare``, by which a build puts right what it is going to read, and ``ledger_now``, which
notes beside the ledger how far it has come.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import duckdb
import sqlalchemy as sa

from pipeline.landing import Workspace, logbook
from pipeline.landing.integrity import Checked, Verdict, check, derived_damage
from pipeline.landing.logbook import Logbook
from pipeline.landing.recovery import half_done
from pipeline.ledger.chain import Held, fallen_short
from pipeline.ledger.database import ledger_file
from pipeline.ledger.head import head_of, ledger_place, unwritten
from pipeline.ledger.held import check_held, heads_gone, held_before, restored, write_held_of
from pipeline.ledger.papers import attachment_breaks, folder_of
from pipeline.ledger.store import Ledger
from pipeline.warehouse import store
from shared.faults import CoverplateError
from shared.records import quoted
from shared.rule_book import RuleBook

_NAMED = 3
"""So many of what is wrong are named, the rest counted."""


def prepare(workspace: Workspace) -> list[str]:
    """Put right what a killed intake left and what is damaged of what a build reads.

    Returns:
        What is to be told of it.

    Raises:
        CoverplateError: something is damaged and cannot be derived anew.
    """
    told: list[str] = []
    book = logbook.read(workspace)
    known = book.files()
    gone = [
        entered.name
        for sha, entered in known.items()
        if not entered.withdrawn and not workspace.folder(sha).is_dir()
    ]
    if gone:
        told.append(
            f"{len(gone)} file(s) that landed are gone ({', '.join(gone[:_NAMED])}): see "
            "`coverplate check`."
        )
    strange = sorted(m.name for m in workspace.manifests() if m.sha256 not in known)
    if book.lines and strange and not half_done(workspace):
        told.append(
            f"{len(strange)} file(s) do not stand in the logbook ({', '.join(strange[:_NAMED])}): "
            "see `coverplate check`."
        )
    damaged = derived_damage(workspace)
    if workspace.busy():  # an intake, which puts right by itself what it finds
        if damaged:
            raise CoverplateError(
                "an intake is changing what landed",
                to_do="wait until it has ended and run `coverplate build` again",
            )
        return told
    if not damaged and book.lines and not half_done(workspace):
        return told
    checked = check(workspace, repair=True, say=told.append)
    for each in checked:
        if each.verdict == "rebuilt":
            told.append(f"{each.path} was damaged ({each.found}); derived anew from its original.")
        elif each.verdict == "entered":
            told.append(f"{each.path} {each.found}; it is entered there as found.")
    left = derived_damage(workspace)
    if left:
        raise CoverplateError(
            "\n".join(f"{each.path}: {each.found}" for each in left),
            expected="what was derived when the file landed",
            to_do="see `coverplate check`; fetch the export again and move its old folder out of "
            "the workspace",
        )
    return told


def read_through(workspace: Workspace, version: str) -> None:
    """Read every page of a warehouse of which no hash is known; DuckDB proves their checksums.

    Raises:
        CoverplateError: it cannot be read.
    """
    path = store.warehouse_path(workspace, version)
    con = store.open_reader(path)
    try:
        for (table,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall():
            con.execute(f"SELECT bit_xor(hash(t)) FROM {quoted(table)} AS t").fetchall()
    except duckdb.Error as trouble:
        raise store.damaged(path, str(trouble).splitlines()[0]) from trouble
    finally:
        con.close()


def enter_ledger(workspace: Workspace, rule_book: RuleBook) -> list[str]:
    """Write into the logbook how far the ledger has come, if that does not stand there yet.

    Returns:
        What is to be told of it.

    Raises:
        CoverplateError: the ledger cannot be read.
    """
    ledger, told = ledger_now(workspace, rule_book)
    if ledger != _last_ledger(workspace):
        told += logbook.append(workspace, "ledger", {"ledger": ledger})
    return told


def ledger_now(
    workspace: Workspace, rule_book: RuleBook
) -> tuple[dict[str, Any] | None, list[str]]:
    """How far the ledger has come, as it is to stand in the logbook, and what is to be told of it.

    Raises:
        CoverplateError: it cannot be read.
    """
    last = _last_ledger(workspace)
    with unwritten(workspace.root, rule_book) as ledger:
        if ledger is None:
            return None, [f"The ledger is gone: {_was(last)}."] if _held_here(last) else []
        wrong = _shorter(ledger, last)
        told = [f"The ledger is not what it was: {wrong}."] if wrong else []
        gone = heads_gone(ledger_file(None, workspace.root), held_when_built(workspace))
        told += [f"{each.said}." for each in gone]
        told += write_held_of(ledger, "build", None, workspace.root)
        return vars(head_of(ledger, wait=True)).copy(), told


def refuse_another_ledger(workspace: Workspace, rule_book: RuleBook) -> None:
    """Refuse a ledger file that is not the one of which the logbook says how far it had come.

    A back-up that was brought back since is taken; of a ledger in another database nothing beside
    it tells that, so it is told only (``ledger_now``).

    Raises:
        CoverplateError: its first events are not those that it held, by what stands beside it or in
            the logbook, or it cannot be read.
    """
    file, held = ledger_file(None, workspace.root), held_when_built(workspace)
    check_held(file)
    if file is None or not held:
        return
    with unwritten(workspace.root, rule_book) as ledger:
        wrong = "" if ledger is None else _shorter(ledger, _last_ledger(workspace))
    beside = held_before(file)
    if not wrong or (beside and beside[0].when > held[0].when and restored(file)):
        return
    raise CoverplateError(
        f"the ledger {file} is not the one that this workspace had on {held[0].when[:10]}: {wrong}",
        expected=f"the {held[0].events:,} events that the logbook knows of, and others after them",
        to_do="put the folder back from a copy, or move it away and bring back a back-up with "
        "`coverplate ledger restore BACKUP`; where this very ledger is meant, `coverplate ledger "
        "backup` it, move it away and restore that back-up: so it stands written that it was "
        "changed on purpose. Nothing was built",
    )


def held_when_built(workspace: Workspace) -> list[Held]:
    """What the workspace's ledger held, as the logbook last says; nothing of another ledger."""
    last = _last_ledger(workspace)
    if last is None or not _held_here(last):
        return []
    lines = [e.content for e in logbook.read(workspace).lines if e.content.get("ledger") == last]
    return [Held(last["events"], last["hash"], str(lines[-1].get("at", "")), "logbook")]


def _last_ledger(workspace: Workspace) -> dict[str, Any] | None:
    heads = _heads(logbook.read(workspace))
    return heads[-1][1] if heads else None


def _heads(book: Logbook) -> list[tuple[int, dict[str, Any] | None]]:
    """Number of each line that says how far the ledger had come, and what it says."""
    return [(e.number, e.content["ledger"]) for e in book.lines if "ledger" in e.content]


def _held_here(last: dict[str, Any] | None) -> bool:
    """Whether events of this very ledger are known of."""
    return bool(last and last["events"] and last["place"] == ledger_place())


def _was(last: dict[str, Any] | None) -> str:
    return f"it held {last['events']:,} events" if last else ""


def _shorter(ledger: Ledger, last: dict[str, Any] | None) -> str:
    """How a ledger falls short of what it was; "" where it does not, or is another one."""
    if last is None or not _held_here(last):
        return ""
    then = head_of(ledger, last["events"])
    if then.events < last["events"]:
        return f"{_was(last)} and holds {then.events:,}"
    return "" if then.hash == last["hash"] else "its first events are not those that it held"


def check_warehouse(workspace: Workspace) -> Checked:
    """Hold the current warehouse against what was built; writes nothing."""
    version, last = store.current_version(workspace), logbook.read(workspace).last_built()
    if version is None:
        found = "nothing is built yet, or it was removed: run `coverplate build`"
        return Checked("", str(workspace.warehouse), "none", found, "warehouse")
    path = str(store.warehouse_path(workspace, version))
    if last is None:
        found = "built before a logbook was kept; the next build enters its hash"
        return Checked("", path, "none", found, "warehouse")
    wrong = store.damage(workspace, version)
    if not wrong and last["version"] != version:
        wrong = f"it is not the one that was built last, {last['version']}"
    if wrong:
        wrong += "; run `coverplate build`"
    digest = str(last["sha256"])
    return Checked(digest, path, "damaged" if wrong else "whole", wrong, "warehouse")


def check_ledger(workspace: Workspace, rule_book: RuleBook) -> Checked:
    """Follow the ledger's chains and hold it against how far it had come; writes nothing."""
    last, path = _last_ledger(workspace), str(workspace.ledger)
    file = ledger_file(None, workspace.root)
    held = held_before(file) if file else []
    try:
        with unwritten(workspace.root, rule_book) as ledger:
            if ledger is None:
                gone = _held_here(last) or any(each.events for each in held)
                found = _was(last) or "; ".join(b.what for b in fallen_short([], held))
                found = found if gone else ""
                return Checked("", path, "lost" if gone else "none", found, "ledger")
            breaks = ledger.verify(held=held) + heads_gone(file, held_when_built(workspace))
            now, shorter = head_of(ledger), _shorter(ledger, last)
    except (CoverplateError, sa.exc.SQLAlchemyError) as fault:
        told = fault.found if isinstance(fault, CoverplateError) else str(fault)
        return Checked("", path, "lost", told, "ledger")
    wrong = [b.said for b in breaks[:_NAMED]]
    if len(breaks) > _NAMED:
        wrong.append(f"{len(breaks) - _NAMED} more such places")
    wrong += [shorter] if shorter else []
    cut = [f"line {n} of the logbook has fewer events than line {m}" for m, n in _cuts(workspace)]
    other = last is not None and last["place"] != now.place
    said = ["not the ledger that the logbook speaks of, so not held against it"] if other else []
    return Checked(
        now.hash,
        path,
        "altered" if wrong else "whole",
        "; ".join([*(wrong or [f"{now.events:,} events"]), *cut, *said]),
        "ledger",
    )


def check_kept_files(workspace: Workspace, rule_book: RuleBook) -> Checked:
    """Whether the files kept with visits and findings are what the ledger says of them."""
    path = str(folder_of(workspace))
    try:
        with unwritten(workspace.root, rule_book) as ledger:
            broken = [] if ledger is None else attachment_breaks(ledger, workspace)
    except (CoverplateError, sa.exc.SQLAlchemyError):
        broken = []  # a ledger that cannot be read is told as such
    wrong = [b.said for b in broken[:_NAMED]]
    if len(broken) > _NAMED:
        wrong.append(f"{len(broken) - _NAMED} more such files")
    verdict: Verdict = "altered" if wrong else "whole"
    return Checked("", path, verdict, "; ".join(wrong), "store of kept files")


def _cuts(workspace: Workspace) -> list[tuple[int, int]]:
    """Numbers of two lines, one after the other, between which the same ledger lost events."""
    heads = _heads(logbook.read(workspace))
    return [
        (m, n)
        for (m, before), (n, after) in pairwise(heads)
        if before is not None
        and (after or before)["place"] == before["place"]
        and (after or {"events": 0})["events"] < before["events"]
    ]

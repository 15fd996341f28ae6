"""What a warehouse is built from, as one hash, and the rule book in force; without the model."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

from pipeline.evidence.current_record import current_hash
from pipeline.landing import Workspace
from pipeline.warehouse import store
from pipeline.warehouse.repairs import KnownRepairs, known_repairs
from shared.rule_book import RuleBook, load_rule_book

Progress = Callable[[str, float], None]
"""Called with the step's name and the fraction of that step done."""


def workspace_rule_book(workspace: Workspace) -> RuleBook:
    """The workspace's own rule book if it has one, else the default."""
    own = workspace.root / "rule_book.toml"
    return load_rule_book(own if own.is_file() else None)


def inputs_version(
    workspace: Workspace,
    rule_book: RuleBook,
    repairs: KnownRepairs | None = None,
) -> str:
    """Hash of everything that a warehouse is built from, the current learned record included.

    Args:
        workspace: the workspace.
        rule_book: the rule book.
        repairs: what the ledger says of repairs; read from it when None.
    """
    repairs = repairs or known_repairs(workspace, rule_book)
    record = current_hash(workspace.learned)
    return version_of(landed_digest(workspace, rule_book, repairs), record)


def landed_digest(workspace: Workspace, rule_book: RuleBook, repairs: KnownRepairs) -> str:
    """Hash of everything that a warehouse is built from but the learned record."""
    digest = hashlib.sha256(f"{store.MODEL_VERSION}\n{rule_book.hash}\n".encode())
    for manifest in workspace.manifests():
        digest.update(f"{manifest.sequence} {manifest.sha256}\n".encode())
        for part in manifest.parts:
            digest.update(f"{part.model_dump_json()}\n".encode())
        digest.update(f"{sorted(manifest.files.items())}\n".encode())
    digest.update(repairs.digest.encode())
    return digest.hexdigest()


def version_of(landed: str, record: str | None) -> str:
    """The version of a warehouse: hash of ``landed_digest`` and the hash of the record."""
    return hashlib.sha256(f"{landed}\n{record}\n".encode()).hexdigest()[:16]


def told_since_build(workspace: Workspace, repairs: KnownRepairs) -> list[str]:
    """The findings of danger that a person wrote down since the warehouse was built, and did not
    set aside: no list or plan of the warehouse has it yet. ``repairs`` is what the ledger says."""
    if repairs.written.empty:
        return []
    with store.reading(workspace) as con:
        known = set(con.execute("FROM told_by_hand").fetchall())
    written = set(repairs.written.itertuples(index=False, name=None)) - known
    return sorted({finding for finding, _ in written} - {*repairs.set_aside["finding_id"]})

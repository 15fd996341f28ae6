"""The ledger's database: its tables and how it is opened, SQLite (WAL) or PostgreSQL.

Triggers in the database itself refuse to change or remove an event.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from shared.faults import CoverplateError

URL_VARIABLE = "COVERPLATE_LEDGER_URL"
"""Environment variable that names another database than the workspace's own."""

FILE_NAME = "ledger.sqlite"
FILE_MARK = b"SQLite format 3\0"
"""What an SQLite file begins with."""

BUSY_SECONDS = 120
"""How long a writer waits for its turn."""
METADATA = sa.MetaData()

FINDINGS = sa.Table(
    "findings",
    METADATA,
    sa.Column("finding_id", sa.String(40), primary_key=True),
    sa.Column("building_id", sa.Text, nullable=False),
    sa.Column("unit_id", sa.Text, nullable=False),
    sa.Column("opening_id", sa.Text, nullable=False),
    sa.Column("family", sa.Text, nullable=False),
    sa.Column("occurrence", sa.Integer, nullable=False),
    sa.Column("head_sequence", sa.Integer, nullable=False),
    sa.Column("head_hash", sa.String(64), nullable=False),
    sa.UniqueConstraint("building_id", "unit_id", "opening_id", "family", "occurrence"),
)
"""Identity of each finding and the head of its chain."""

EVENTS = sa.Table(
    "events",
    METADATA,
    sa.Column(
        "position",
        sa.BigInteger().with_variant(sa.Integer, "sqlite"),
        primary_key=True,
        autoincrement=True,
    ),
    sa.Column("finding_id", sa.String(40), sa.ForeignKey("findings.finding_id"), nullable=False),
    sa.Column("sequence", sa.Integer, nullable=False),
    sa.Column("recorded_at", sa.String(27), nullable=False),
    sa.Column("kind", sa.String(30), nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("origin", sa.Text, nullable=False),
    sa.Column("payload", sa.Text, nullable=False),
    sa.Column("previous_hash", sa.String(64), nullable=False),
    sa.Column("hash", sa.String(64), nullable=False),
    sa.UniqueConstraint("finding_id", "sequence"),
    sqlite_autoincrement=True,
)
"""The history. Triggers refuse to change or remove a row."""

CURRENT_STATES = sa.Table(
    "current_states",
    METADATA,
    sa.Column("finding_id", sa.String(40), sa.ForeignKey("findings.finding_id"), primary_key=True),
    sa.Column("sequence", sa.Integer, nullable=False),
    sa.Column("form", sa.Integer, nullable=False),
    sa.Column("content", sa.Text, nullable=False),
)
"""What the events of each finding amount to as of its last one (``current_states``)."""

BY_KIND = sa.Index("events_by_kind", EVENTS.c.kind)
"""Lists read the events of a few kinds only."""

IMPORTED_ROWS = sa.Table(
    "fix_report_rows",
    METADATA,
    sa.Column("file_sha256", sa.String(64), primary_key=True),
    sa.Column("sheet", sa.Text, primary_key=True),
    sa.Column("row", sa.Integer, primary_key=True),
    sa.Column("file_name", sa.Text, nullable=False),
    sa.Column("recorded_at", sa.String(27), nullable=False),
    sa.Column("outcome", sa.String(20), nullable=False),
    sa.Column("cells", sa.Text, nullable=False),
    sa.Column("reasons", sa.Text, nullable=False),
    sa.Column("finding_id", sa.String(40)),
)
"""What became of rows of fix reports that were imported before these landed like other exports;
nothing writes to it any more. ``outcome`` is reported, duplicate, set_aside or corrected (set aside
once, reported by a later file)."""

RULE_BOOKS = sa.Table(
    "rule_books",
    METADATA,
    sa.Column("hash", sa.String(64), primary_key=True),
    sa.Column("text", sa.Text, nullable=False),
    sa.Column("first_used_at", sa.String(27), nullable=False),
)
"""Every rule book that judged an event, whole, so that it can judge it again: ``RuleBook.text``."""

IMPORTS = sa.Table(
    "imports",
    METADATA,
    sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("file_name", sa.Text, nullable=False),
    sa.Column("file_sha256", sa.String(64), nullable=False),
    sa.Column("who", sa.Text, nullable=False),
    sa.Column("recorded_at", sa.String(27), nullable=False),
    sa.Column("events_read", sa.Integer, nullable=False),
    sa.Column("events_written", sa.Integer, nullable=False),
    sa.Column("events_standing", sa.Integer, nullable=False),
    sa.Column("lines_set_aside", sa.Integer, nullable=False),
    sa.Column("rule_books_vouched", sa.Text, nullable=False),
    sa.Column("events_before", sa.Integer, nullable=False),
    sa.Column("head_before", sa.String(64), nullable=False),
    sa.Column("events_after", sa.Integer, nullable=False),
    sa.Column("head_after", sa.String(64), nullable=False),
    sa.Column("previous_hash", sa.String(64), nullable=False),
    sa.Column("hash", sa.String(64), nullable=False),
)
"""Every file of events that was brought in, chained like events; ``events_before`` and
``head_before`` say how far the ledger had come, ``rule_books_vouched`` is a JSON list of hashes."""

SET_ASIDE = sa.Table(
    "events_set_aside",
    METADATA,
    sa.Column("import_number", sa.Integer, primary_key=True),
    sa.Column("line", sa.Integer, primary_key=True),
    sa.Column("file_name", sa.Text, nullable=False),
    sa.Column("file_sha256", sa.String(64), nullable=False),
    sa.Column("finding_id", sa.Text, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("text", sa.Text, nullable=False),
)
"""Lines of imported files that were not written, with the reason; ``finding_id`` is blank where a
line names none."""

_APPEND_ONLY = (EVENTS, RULE_BOOKS, IMPORTS, SET_ASIDE)

_SQLITE_TRIGGERS = [
    f"CREATE TRIGGER IF NOT EXISTS {table.name}_no_{verb.lower()} BEFORE {verb} ON {table.name} "
    f"BEGIN SELECT RAISE(ABORT, '{table.name} are append-only'); END"
    for table in _APPEND_ONLY
    for verb in ("UPDATE", "DELETE")
]


def _postgresql_triggers(table: str) -> list[str]:
    return [
        f"CREATE OR REPLACE FUNCTION {table}_append_only() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION '{table} are append-only'; END $$",
        f"CREATE OR REPLACE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE ON {table} "
        f"FOR EACH ROW EXECUTE FUNCTION {table}_append_only()",
    ]


def ledger_url(location: str | Path | None, workspace: Path | None = None) -> str:
    """Return the database URL of a ledger.

    Args:
        location: a URL, a path of an SQLite file, or None for the environment variable
            ``COVERPLATE_LEDGER_URL`` and else the workspace's own file.
        workspace: the workspace's folder.
    """
    where = location or os.environ.get(URL_VARIABLE)
    if where is None:
        if workspace is None:
            raise CoverplateError(
                "no ledger is named",
                expected="a workspace, a file or a database URL",
                to_do="give --workspace or --ledger",
            )
        where = workspace / "ledger" / FILE_NAME
    text = str(where)
    if "://" not in text:
        return f"sqlite:///{Path(text).absolute()}"
    return text.replace("postgresql://", "postgresql+psycopg://", 1)


def ledger_file(location: str | Path | None, workspace: Path | None = None) -> Path | None:
    """Return the file of an SQLite ledger, None for another database; see ``ledger_url``."""
    try:
        url = sa.make_url(ledger_url(location, workspace))
    except sa.exc.ArgumentError:
        return None  # said where it is opened
    return Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None


def make_engine(url: str) -> Engine:
    """Return the engine of a database; nothing is opened yet.

    Raises:
        CoverplateError: the URL is none, or of a database that is not supported.
    """
    try:
        parsed = sa.make_url(url)
        kind = parsed.get_backend_name()
        if kind == "sqlite":
            if parsed.database:
                Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
            engine = sa.create_engine(url, connect_args={"timeout": BUSY_SECONDS})
            sa.event.listen(engine, "connect", _configure_sqlite)
            sa.event.listen(engine, "begin", _begin_sqlite)
            return engine
        if kind == "postgresql":
            return sa.create_engine(url, pool_pre_ping=True)
    except (sa.exc.ArgumentError, sa.exc.NoSuchModuleError) as fault:
        raise CoverplateError(
            f"the ledger's URL cannot be read: {fault}",
            expected="sqlite:///path or postgresql://user@host/database",
            to_do="check --ledger or COVERPLATE_LEDGER_URL",
        ) from fault
    except ModuleNotFoundError as fault:
        raise CoverplateError(
            "the PostgreSQL driver is not installed",
            to_do="install it: pip install 'psycopg[binary]'",
        ) from fault
    raise CoverplateError(
        f"{kind} is not supported",
        expected="SQLite or PostgreSQL",
        to_do="check --ledger or COVERPLATE_LEDGER_URL",
    )


def _configure_sqlite(connection: Any, _record: object) -> None:  # noqa: ANN401 - the driver's
    # the driver would begin transactions by itself, too late to take the database before reading
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000}")
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")  # what was acknowledged survives a power cut
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("coverplate_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def prepare(engine: Engine) -> None:
    """Make tables and triggers where they are missing.

    Raises:
        CoverplateError: the database cannot be reached.
    """
    try:
        with transaction(engine, writes=True) as con:
            if engine.dialect.name == "postgresql":
                # two that open a new ledger at once would both try to make its tables
                con.execute(sa.text("SELECT pg_advisory_xact_lock(20240501)"))
            METADATA.create_all(con)
            BY_KIND.create(con, checkfirst=True)
            if engine.dialect.name == "sqlite":
                for statement in _SQLITE_TRIGGERS:
                    con.exec_driver_sql(statement)
            else:
                for table in _APPEND_ONLY:
                    if not _has_trigger(con, table.name):
                        for statement in _postgresql_triggers(table.name):
                            con.exec_driver_sql(statement)
    except (sa.exc.DatabaseError, UnicodeDecodeError) as fault:
        raise unreachable(engine, fault) from fault


def _has_trigger(con: Connection, table: str) -> bool:
    found = con.execute(
        sa.text(
            "SELECT count(*) FROM pg_trigger WHERE tgname = :trigger "
            "AND tgrelid = CAST(:table AS regclass)"
        ),
        {"trigger": f"{table}_append_only", "table": table},
    )
    return bool(found.scalar_one())


def unreachable(engine: Engine, fault: Exception) -> CoverplateError:
    """Return the refusal of a database that cannot be opened."""
    shown = engine.url.render_as_string(hide_password=True)
    return CoverplateError(
        f"the ledger {shown} cannot be opened: {getattr(fault, 'orig', fault)}",
        expected="a database that can be reached and written",
        to_do="check the path or URL, and that the server runs; if the file is damaged, "
        "`coverplate ledger verify` says what can still be read",
    )


@contextmanager
def transaction(engine: Engine, *, writes: bool) -> Iterator[Connection]:
    """Open a transaction; one that writes takes an SQLite database before it reads."""
    with engine.connect() as plain:
        con = plain.execution_options(coverplate_writes=writes)
        with con.begin():
            yield con

"""The first steps of a build, up to what is plainly urgent: no model takes part in them."""

from __future__ import annotations

from importlib import resources

import duckdb
import pandas as pd

from pipeline.evidence.likelihood import likelihoods_of
from pipeline.landing import Workspace, create_views, danger_aside
from pipeline.landing.own_notes import any_note
from pipeline.landing.places import create_place_macro
from pipeline.ledger.families import create_urgent_family
from pipeline.warehouse.contradicted import drop_contradicted
from pipeline.warehouse.repairs import (
    KnownRepairs,
    that_stand,
    write_looks_by_hand,
    write_repairs,
)
from pipeline.warehouse.report_subjects import create_macros
from shared.fire_facts import told_sql
from shared.rule_book import RuleBook
from shared.vocabulary import WET_ROOM_WORDS


def sql_step(name: str) -> str:
    """Text of one of the SQL steps that lie beside this module."""
    return resources.files("pipeline.warehouse").joinpath("sql", name).read_text(encoding="utf-8")


def rule_tables(con: duckdb.DuckDBPyConnection, rule_book: RuleBook) -> None:
    """The rule book as a table, and ``rule(path)`` to read it in SQL."""
    numbers = pd.DataFrame(
        rule_book.numbers(), columns=["path", "value", "unit", "meaning", "source"]
    )
    con.register("numbers_frame", numbers)
    con.execute("CREATE TABLE rule_numbers AS SELECT * FROM numbers_frame")
    con.unregister("numbers_frame")
    words = "|".join(WET_ROOM_WORDS)
    con.execute("CREATE TABLE rule_texts (name VARCHAR, text VARCHAR)")
    con.execute("INSERT INTO rule_texts VALUES ('wet_rooms', ?)", [rf"\b({words})s?\b"])
    # A sum of fractions that comes out the same in whatever order threads add up, to 1e-18.
    con.execute("CREATE MACRO total(x) AS (coalesce(sum((x * 1e18)::HUGEINT), 0)::DOUBLE / 1e18)")
    con.execute(
        f"CREATE MACRO fire_facts(wiring_metal, panel_condition, fuses_oversized) AS ({told_sql()})"
    )
    con.execute("CREATE MACRO rule(wanted) AS (SELECT value FROM rule_numbers WHERE path = wanted)")
    con.execute(
        "CREATE MACRO rule_text(wanted) AS (SELECT text FROM rule_texts WHERE name = wanted)"
    )


def plainly_told(
    con: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    repairs: KnownRepairs,
    rule_book: RuleBook,
    *,
    ledger_of: Workspace | None = None,
) -> tuple[str, ...]:
    """Take the steps up to what is plainly urgent: functions of the landed rows, the ledger and the
    rule book, without a model. A build begins with them, and what an intake foretells ends there.

    Args:
        con: an empty connection.
        workspace: whose landed rows.
        repairs: what the ledger says.
        rule_book: the rule book.
        ledger_of: whose ledger, where it is another's.

    Returns:
        What is to be told of proofs in doubt.
    """
    create_views(con, workspace)
    rule_tables(con, rule_book)
    papers = con.execute("SELECT 1 FROM building_reports_valid LIMIT 1").fetchall()
    notes = any_note(con, "observations_history") or bool(repairs.looks["note"].notna().any())
    create_macros(con, any_notes=notes, any_papers=bool(papers))
    danger_aside.create_macro(con)
    create_place_macro(con)
    con.execute(sql_step("01_buildings.sql"))
    con.execute(sql_step("02_observations.sql"))
    write_looks_by_hand(con, repairs)
    create_urgent_family(con)
    for step in ("looks_ever", "told", "set_aside", "elsewhere", "put_otherwise"):
        con.execute(sql_step(f"02_{step}.sql"))
    stand, in_doubt = that_stand(con, repairs, ledger_of or workspace, rule_book)
    write_repairs(con, stand)
    drop_contradicted(con, likelihoods_of(rule_book), rule_book)
    con.execute(sql_step("02_urgent.sql"))
    con.execute(sql_step("02_reports.sql"))
    return in_doubt

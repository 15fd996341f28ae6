"""How words for rooms and circuits are compared: the one rule of intake and warehouse."""

from __future__ import annotations

import duckdb


def form_sql(text: str) -> str:
    """Return SQL for what is compared of a place's name: letters and digits, NULL for none."""
    return f"nullif(regexp_replace(lower({text}), '[^\\pL\\pN]+', '', 'g'), '')"


def create_place_macro(con: duckdb.DuckDBPyConnection) -> None:
    """Make the macro ``place_form(name)`` of ``form_sql``."""
    con.execute(f"CREATE OR REPLACE TEMP MACRO place_form(name) AS {form_sql('name')}")

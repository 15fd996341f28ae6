"""The insurer's exports: a policy schedule, surveys in Parquet, letters typed up by hand."""

from __future__ import annotations

from collections.abc import Sequence

import pyarrow as pa

from data_demo.generator import Portfolio
from data_demo.mess import Column, Record, Style, Table, records
from data_demo.reckoning import Export
from data_demo.styles import OBSERVATIONS, SCHEDULE, SURVEY_LETTERS, itself
from data_demo.writers import delimited, parquet
from shared.records import OPENING_OBSERVATIONS, ColumnType
from shared.vocabulary import RecordKind

TYPED: dict[ColumnType, pa.DataType] = {
    "text": pa.string(),
    "identifier": pa.string(),
    "choice": pa.string(),
    "integer": pa.int64(),
    "decimal": pa.float64(),
    "date": pa.date32(),
}
SURVEYS = Style(
    OBSERVATIONS, tuple(Column(name, name, itself) for name in OPENING_OBSERVATIONS.columns)
)
SURVEYS_SCHEMA = pa.schema(
    [(field.name, TYPED[field.type]) for field in OPENING_OBSERVATIONS.fields]
)


def insurer_exports(portfolio: Portfolio) -> Sequence[Export]:
    """Make the exports in the order in which they are taken in."""
    register = records(portfolio.register, RecordKind.BUILDING_REGISTER)
    looks = records(portfolio.observations, RecordKind.OPENING_OBSERVATIONS)
    return (
        _schedule(register),
        _surveys(_by(looks, "Surveyor 14", "Surveyor 20")),
        _letters(_by(looks, "Surveyor 11", "Surveyor 17")),
    )


def _by(looks: list[Record], *inspectors: str) -> list[Record]:
    return [look for look in looks if look["inspector"] in inspectors]


def _schedule(register: list[Record]) -> Export:
    rows = SCHEDULE.rows(register)
    rows[9] = SCHEDULE.spoil(rows[9], "insured_value", "to be agreed")
    rows[21] = SCHEDULE.spoil(rows[21], "latitude", "141.03")
    rows.append(rows[5])
    table = Table(SCHEDULE, tuple(rows), mapping="schedule")
    text = delimited(table, delimiter="|", preamble=("Schedule of property, renewal 2026",))
    return Export("01_schedule.txt", (table,), text.encode())


def _surveys(looks: list[Record]) -> Export:
    rows = SURVEYS.rows(looks)
    rows[7] = SURVEYS.spoil(rows[7], "ground_path_ohms", -1.0)
    rows[30] = SURVEYS.spoil(rows[30], "method", "dowsing")
    rows.extend(rows[place] for place in (0, 1, 2))
    table = Table(SURVEYS, tuple(rows), source="02_surveys")
    return Export("02_surveys.parquet", (table,), parquet(table, SURVEYS_SCHEMA))


def _letters(looks: list[Record]) -> Export:
    rows = SURVEY_LETTERS.rows(looks)
    rows[15] = SURVEY_LETTERS.spoil(rows[15], "observed_on", "31-Jun-2024")
    rows[48] = SURVEY_LETTERS.spoil(rows[48], "result", "see letter")
    table = Table(SURVEY_LETTERS, tuple(rows), mapping="letters")
    text = delimited(table, delimiter="\t")
    return Export("03_letters.tsv", (table,), text.encode())

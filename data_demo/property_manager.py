"""The property manager's exports: a register, the office's own checks, a crew's phone, papers."""

from __future__ import annotations

from collections.abc import Sequence

from data_demo.generator import Portfolio
from data_demo.mess import Record, Table, corrected, default_style, records
from data_demo.reckoning import Export
from data_demo.styles import CERTIFICATES, CREW_PHONE
from data_demo.writers import delimited, json_array, workbook
from shared.vocabulary import RecordKind

REGISTER = default_style(RecordKind.BUILDING_REGISTER)
OBSERVATIONS = default_style(RecordKind.OPENING_OBSERVATIONS)


def property_manager_exports(portfolio: Portfolio) -> Sequence[Export]:
    """Make the exports in the order in which they are taken in."""
    register = records(portfolio.register, RecordKind.BUILDING_REGISTER)
    looks = records(portfolio.observations, RecordKind.OPENING_OBSERVATIONS)
    houses = REGISTER.rows(register)
    houses[4] = REGISTER.spoil(houses[4], "storeys", "two and a half")
    return (
        _plain("01_houses.csv", Table(REGISTER, tuple(houses), source="01_houses")),
        _plain("02_checks.csv", _checks(_by(looks, "P. Corrow"))),
        _crew_phone(_by(looks, "crew phone 3")),
        _certificates(_by(looks, "L. Fennadine")),
    )


def _by(looks: list[Record], inspector: str) -> list[Record]:
    return [look for look in looks if look["inspector"] == inspector]


def _plain(path: str, table: Table) -> Export:
    return Export(path, (table,), delimited(table).encode())


def _checks(looks: list[Record]) -> Table:
    rows = OBSERVATIONS.rows(looks)
    rows[10] = OBSERVATIONS.spoil(rows[10], "gfci_protected", "maybe")
    rows[44] = OBSERVATIONS.spoil(rows[44], "observed_on", "2024-00-17")
    again = corrected(OBSERVATIONS, rows[60], result="open_ground", note="wrong button pressed")
    return Table(OBSERVATIONS, (*rows, rows[3], again), source="02_checks")


def _crew_phone(looks: list[Record]) -> Export:
    rows = CREW_PHONE.rows(looks)
    rows[12] = CREW_PHONE.spoil(rows[12], "result", "weird")
    rows[40] = CREW_PHONE.spoil(rows[40], "building_id", None)
    rows.append(rows[2])
    table = Table(CREW_PHONE, tuple(rows), mapping="crew_phone")
    return Export("03_crew_phone.json", (table,), json_array(table).encode())


def _certificates(looks: list[Record]) -> Export:
    rows = CERTIFICATES.rows(looks)
    rows[18] = CERTIFICATES.spoil(rows[18], "ground_path_ohms", "over range")
    rows[52] = CERTIFICATES.spoil(rows[52], "observed_on", "end of May")
    table = Table(CERTIFICATES, tuple(rows), "Certificates", "certificates")
    return Export("04_certificates.xlsx", (table,), workbook((table,)))

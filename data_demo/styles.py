"""The layouts that the invented senders use: their headers, their words, their dates and numbers.

None of them is any product's layout; they are the habits of people with spreadsheets, phones and
old databases.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping

import pyarrow as pa

from data_demo.mess import Cell, Column, Style, Value, as_text
from shared.vocabulary import RecordKind

OBSERVATIONS = RecordKind.OPENING_OBSERVATIONS
REGISTER = RecordKind.BUILDING_REGISTER

Writer = Callable[[Value], Cell]


def said(words: Mapping[str, Cell], blank: Cell = "") -> Writer:
    """Write a canonical word as the sender says it; KeyError for a word without a saying."""
    return lambda value: blank if value is None else words[str(value)]


def dated(pattern: str) -> Writer:
    """Write a date by a ``strftime`` pattern."""
    return lambda value: value.strftime(pattern) if isinstance(value, dt.date) else ""


def month_first(value: Value) -> Cell:
    """Write a date as 3/31/2024."""
    return f"{value.month}/{value.day}/{value.year}" if isinstance(value, dt.date) else ""


def decimal_comma(value: Value) -> Cell:
    """Write a number with a decimal comma."""
    return as_text(value).replace(".", ",")


def thousands(value: Value) -> Cell:
    """Write a number with thousands separators."""
    return "" if value is None else f"{value:,.0f}"


def as_decimal(value: Value) -> Cell:
    """Write a whole number as spreadsheets export it: 1971.0."""
    return None if value is None else float(str(value))


def itself(value: Value) -> Cell:
    """Leave the value as it is, for formats that have types."""
    return value


def capital(value: Value) -> Cell:
    """Write a word with a capital."""
    return as_text(value).capitalize()


YES_NO_SHORT = said({"yes": "Y", "no": "N"})

CONTRACTOR = Style(
    OBSERVATIONS,
    (
        Column("Bldg", "building_id"),
        Column("Apt", "unit_id"),
        Column("Area", "room", capital),
        Column("Outlet", "opening_id"),
        Column("Ckt", "circuit_id"),
        Column("Tested", "observed_on", dated("%d.%m.%Y")),
        Column("By", "inspector"),
        Column(
            "Tool",
            "method",
            said(
                {
                    "visual": "eyes",
                    "three_lamp_tester": "lamps",
                    "voltmeter_under_load": "meter + load",
                    "ground_impedance_meter": "loop meter",
                    "cover_off_inspection": "box opened",
                    "upstream_box_seen": "box + box before",
                    "neutral_lifted_test": "N lifted",
                }
            ),
        ),
        Column(
            "Why",
            "selection",
            said(
                {
                    "random": "drawn",
                    "targeted": "suspect",
                    "complaint": "tenant call",
                    "survey": "all outlets",
                    "unknown": "n/k",
                }
            ),
        ),
        Column(
            "Face", "slots", said({"two_slot": "2-slot", "three_slot": "3-slot", "other": "odd"})
        ),
        Column(
            "Finding",
            "result",
            said(
                {
                    "correct": "OK",
                    "open_ground": "OG",
                    "open_neutral": "ON",
                    "open_hot": "OH",
                    "hot_neutral_reversed": "HN rev",
                    "hot_ground_reversed": "HG rev",
                    "false_ground": "bootleg",
                    "reversed_false_ground": "rev bootleg",
                    "false_ground_upstream": "bootleg before",
                    "poor_ground": "weak G",
                    "abnormal_voltage": "odd V",
                    "no_power": "dead",
                    "not_accessible": "no access",
                    "not_tested": "n/t",
                }
            ),
        ),
        Column("Cover off", "cover_removed", YES_NO_SHORT),
        Column("EGC in box", "ground_present", YES_NO_SHORT),
        Column("N-G jumper", "neutral_ground_jumper", YES_NO_SHORT),
        Column("Polarity", "polarity", said({"correct": "ok", "reversed": "rev"})),
        Column("N-G V", "neutral_ground_volts", decimal_comma),
        Column("Load A", "load_amps", decimal_comma),
        Column("Ground ohm", "ground_path_ohms", decimal_comma),
        Column("H-N V", "hot_neutral_volts", decimal_comma),
        Column("Plate-earth V", "plate_earth_volts", decimal_comma),
        Column("G-earth V", "ground_contact_earth_volts", decimal_comma),
        Column("Pen", "non_contact_detector", YES_NO_SHORT),
        Column("Scorched", "heat_or_scorch", YES_NO_SHORT),
        Column("GFI", "gfci_protected", YES_NO_SHORT),
        Column(
            "Label",
            "marking",
            said(
                {
                    "no_equipment_ground": "NEG",
                    "gfci_protected": "GFCI prot.",
                    "both": "GFCI prot. + NEG",
                }
            ),
        ),
        Column("Remarks", "note"),
    ),
)
"""An electrical contractor: Windows-1252, semicolons, decimal commas, day.month.year."""

OFFICE_OUTLETS = Style(
    OBSERVATIONS,
    (
        Column(" Building ", "building_id"),
        Column("Unit", "unit_id"),
        Column("Room ", "room", capital),
        Column("Outlet #", "opening_id"),
        Column("Date", "observed_on", month_first),
        Column("Inspector", "inspector"),
        Column("Device", "method", said({"three_lamp_tester": "plug-in tester"})),
        Column("Type", "slots", said({"two_slot": 2, "three_slot": 3, "other": "special"})),
        Column(
            "Result",
            "result",
            said(
                {
                    "correct": "Pass",
                    "open_ground": "Fail - no ground",
                    "open_neutral": "Fail - no neutral",
                    "open_hot": "Fail - no hot",
                    "hot_neutral_reversed": "Fail - H/N swapped",
                    "hot_ground_reversed": "Fail - H/G swapped",
                    "abnormal_voltage": "Fail - all lights",
                    "no_power": "No power",
                    "not_accessible": "Locked",
                    "not_tested": "Skipped",
                }
            ),
        ),
        Column("GFCI ", "gfci_protected", YES_NO_SHORT),
        Column("Notes", "note"),
        Column("Notes", ""),
    ),
)
"""A district office's workbook: month/day/year, padded and repeated headers."""

OFFICE_BUILDINGS = Style(
    REGISTER,
    (
        Column("Bldg No.", "building_id"),
        Column(" Name", "name"),
        Column("Street address", "address"),
        Column("Yr built", "year_built", itself),
        Column("Yr rewired ", "year_rewired", itself),
        Column("Apts", "dwelling_units", itself),
        Column("Residents", "occupants", itself),
        Column("Office", "manager"),
    ),
)

PHONE_APP = Style(
    OBSERVATIONS,
    (
        Column("siteId", "building_id", itself),
        Column("aptNo", "unit_id", itself),
        Column("roomName", "room", itself),
        Column("outletTag", "opening_id", itself),
        Column("checkedOn", "observed_on", itself),
        Column("checkedBy", "inspector", itself),
        Column(
            "checkMethod",
            "method",
            said({"three_lamp_tester": "tester", "visual": "look only"}),
        ),
        Column(
            "pickedHow",
            "selection",
            said(
                {
                    "random": "random pick",
                    "targeted": "looked bad",
                    "complaint": "reported",
                    "survey": "every outlet",
                    "unknown": "not said",
                },
                blank=None,
            ),
        ),
        Column("holes", "slots", said({"two_slot": 2, "three_slot": 3, "other": 4}, blank=None)),
        Column(
            "outcome",
            "result",
            said(
                {
                    "correct": "ok",
                    "open_ground": "fail – open gnd",
                    "open_neutral": "fail – open neu",
                    "open_hot": "fail – open hot",
                    "hot_neutral_reversed": "fail – hot/neu rev",
                    "hot_ground_reversed": "fail – hot/gnd rev",
                    "abnormal_voltage": "fail – all lamps",
                    "no_power": "no power",
                    "not_accessible": "could not get in",
                    "not_tested": "not tested",
                }
            ),
        ),
        Column("gaveShock", "shock_reported", said({"yes": True, "no": False}, blank=None)),
        Column("scorched", "heat_or_scorch", said({"yes": True, "no": False}, blank=None)),
        Column("gfci", "gfci_protected", said({"yes": True, "no": False}, blank=None)),
        Column(
            "sticker",
            "marking",
            said(
                {
                    "no_equipment_ground": "no equip gnd",
                    "gfci_protected": "gfci",
                    "both": "gfci + no equip gnd",
                },
                blank=None,
            ),
        ),
        Column("comment", "note", itself),
    ),
)
"""A phone app's export: camelCase keys, missing keys for blanks, an en dash in the words."""

OLD_DATABASE = Style(
    OBSERVATIONS,
    (
        Column("BUILDING_I", "building_id"),
        Column("UNIT_ID", "unit_id"),
        Column("ROOM", "room", lambda value: as_text(value).upper()),
        Column("OPENING_ID", "opening_id"),
        Column("OBSERVED_O", "observed_on", dated("%d/%m/%Y")),
        Column("INSPECTOR", "inspector"),
        Column("SELECTION", "selection", lambda value: as_text(value).upper()),
        Column("SLOTS", "slots", said({"two_slot": "2P", "three_slot": "3P", "other": "OTH"})),
        Column(
            "RESULT_COD",
            "result",
            said(
                {
                    "correct": "01",
                    "open_ground": "02",
                    "open_neutral": "03",
                    "open_hot": "04",
                    "hot_neutral_reversed": "05",
                    "hot_ground_reversed": "06",
                    "abnormal_voltage": "07",
                    "no_power": "10",
                    "not_accessible": "11",
                    "not_tested": "12",
                }
            ),
        ),
        Column("GFCI_PROTE", "gfci_protected", said({"yes": "T", "no": "F"})),
        Column("REMARKS", "note"),
    ),
    constants={"method": "three_lamp_tester"},
)
"""An old database: headers cut at ten characters, result codes, no column for the method."""

INSURER_PROPERTIES = Style(
    REGISTER,
    (
        Column("property_ref", "building_id", itself),
        Column("construction_year", "year_built", as_decimal),
        Column("units_insured", "dwelling_units", itself),
        Column("sum_insured", "insured_value", itself),
        Column("policy_class", "", lambda _: "residential block"),
    ),
)
INSURER_PROPERTIES_SCHEMA = pa.schema(
    [
        ("property_ref", pa.string()),
        ("construction_year", pa.float64()),
        ("units_insured", pa.int64()),
        ("sum_insured", pa.float64()),
        ("policy_class", pa.string()),
    ]
)
"""An insurer's extract: typed, whole years as floating-point numbers."""

CREW_PHONE = Style(
    OBSERVATIONS,
    (
        Column("house", "building_id", itself),
        Column("flat", "unit_id", itself),
        Column("room", "room", itself),
        Column("socketNo", "opening_id", itself),
        Column("when", "observed_on", itself),
        Column("who", "inspector", itself),
        Column(
            "slotType",
            "slots",
            said({"two_slot": "two", "three_slot": "three", "other": "other"}, None),
        ),
        Column(
            "lamps",
            "result",
            said(
                {
                    "correct": "good",
                    "open_ground": "no ground",
                    "open_neutral": "no neutral",
                    "open_hot": "no hot",
                    "hot_neutral_reversed": "backwards",
                    "hot_ground_reversed": "hot on ground side",
                    "abnormal_voltage": "all lamps",
                    "no_power": "no power",
                    "not_accessible": "tenant out",
                    "not_tested": "not done",
                }
            ),
        ),
        Column("remark", "note", itself),
    ),
    constants={"method": "three_lamp_tester"},
)
"""A repair crew's phone: a JSON array, one method throughout."""

CERTIFICATES = Style(
    OBSERVATIONS,
    (
        Column("Property", "building_id"),
        Column("Flat", "unit_id"),
        Column("Location", "room", capital),
        Column("Point", "opening_id"),
        Column("Circuit", "circuit_id"),
        Column("Date of inspection", "observed_on", itself),
        Column("Signed", "inspector"),
        Column(
            "Method",
            "method",
            said(
                {
                    "cover_off_inspection": "Cover off",
                    "ground_impedance_meter": "Impedance",
                    "upstream_box_seen": "Cover off, and the box before",
                }
            ),
        ),
        Column("Front", "slots", said({"two_slot": "2", "three_slot": "3", "other": "other"})),
        Column(
            "Condition found",
            "result",
            said(
                {
                    "correct": "Satisfactory",
                    "open_ground": "No earth path",
                    "open_neutral": "Neutral open",
                    "open_hot": "Hot open",
                    "hot_neutral_reversed": "Polarity reversed",
                    "hot_ground_reversed": "Hot and ground crossed",
                    "false_ground": "Neutral bridged to ground",
                    "reversed_false_ground": "Neutral bridged to ground, polarity reversed",
                    "false_ground_upstream": "Neutral bridged to ground in the box before",
                    "poor_ground": "Earth path of high resistance",
                    "abnormal_voltage": "Supply voltage not normal",
                    "not_accessible": "No access",
                    "not_tested": "Not inspected",
                    "no_power": "Not energised",
                }
            ),
        ),
        Column("Cover off", "cover_removed", capital),
        Column("Ground found", "ground_present", capital),
        Column("Bridge found", "neutral_ground_jumper", capital),
        Column("Polarity", "polarity", capital),
        Column("Ground path (ohm)", "ground_path_ohms", itself),
        Column("GFCI", "gfci_protected", capital),
    ),
)
"""An electrician's certificates: a workbook with real dates and long sentences for findings."""

SCHEDULE = Style(
    REGISTER,
    (
        Column("Policy item", "building_id"),
        Column("Risk address", "address"),
        Column("Town", "city"),
        Column("Postcode", "postal_code"),
        Column("Lat", "latitude"),
        Column("Lon", "longitude"),
        Column("Built", "year_built", lambda value: "" if value is None else f"{value}.0"),
        Column("Rewired", "year_rewired"),
        Column("No. dwellings", "dwelling_units"),
        Column("Persons", "occupants"),
        Column("Sum insured", "insured_value", thousands),
        Column("Insured party", "owner"),
        Column("Agent", "manager"),
    ),
)
"""An insurer's schedule: pipes, thousands separators, years written 1971.0."""

SURVEY_LETTERS = Style(
    OBSERVATIONS,
    (
        Column("Item", "building_id"),
        Column("Dwelling", "unit_id"),
        Column("Room", "room", capital),
        Column("Position", "opening_id"),
        Column("Survey date", "observed_on", dated("%d-%b-%Y")),
        Column("Surveyor", "inspector"),
        Column(
            "How",
            "method",
            said(
                {
                    "visual": "seen",
                    "three_lamp_tester": "lamp tester",
                    "voltmeter_under_load": "volts under load",
                }
            ),
        ),
        Column("Slots", "slots", said({"two_slot": "2", "three_slot": "3", "other": "x"})),
        Column(
            "Found",
            "result",
            said(
                {
                    "correct": "in order",
                    "open_ground": "ground missing",
                    "open_neutral": "neutral missing",
                    "open_hot": "hot missing",
                    "hot_neutral_reversed": "hot/neutral reversed",
                    "hot_ground_reversed": "hot/ground reversed",
                    "abnormal_voltage": "voltage not normal",
                    "false_ground": "false ground",
                    "no_power": "no power",
                    "not_accessible": "no admittance",
                    "not_tested": "not tested",
                }
            ),
        ),
        Column("Volts N-G", "neutral_ground_volts"),
        Column("Amps", "load_amps"),
        Column("Scorch marks", "heat_or_scorch", YES_NO_SHORT),
        Column("GFCI", "gfci_protected", YES_NO_SHORT),
    ),
)
"""Surveyors' letters typed up: tabs, dates as 06-May-2024."""

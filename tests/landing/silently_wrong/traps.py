"""Trap files: their bytes, what every row of theirs truly says, and whether they must be read.

Each is made from a few invented looks. ``must`` says what an honest intake does: ``read`` it (the
file has one reading), ``ask`` (it has two, or is about something else), or either.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import openpyxl

Must = Literal["read", "ask", "either"]
Row = dict[str, Any]


@dataclass(frozen=True)
class Trap:
    """One file.

    Attributes:
        name: of the trap.
        file: name of the file.
        content: its bytes.
        rows: (sheet and table as reported, "" for any; row number) to what that row truly says, in
            canonical columns; columns that are absent may hold anything.
        must: what an honest intake does.
        settings: answers that a person would give beside it.
    """

    name: str
    file: str
    content: bytes
    rows: dict[int, Row | list[Row]]
    must: Must = "read"
    settings: tuple[str, ...] = field(default=())


CANON = (
    *("building_id", "unit_id", "opening_id", "observed_on", "inspector", "method", "slots"),
    "result",
)
HUMAN = (
    *("Building", "Apt", "Outlet no", "Test date", "Inspected by", "Test method", "Outlet type"),
    "Test result",
)
WORDS = {
    "three_lamp_tester": "plug-in tester",
    "cover_off_inspection": "Cover off",
    "three_slot": "3-prong",
    "two_slot": "2-prong",
    "correct": "OK",
    "open_ground": "Open ground",
    "false_ground": "Bootleg",
    "hot_neutral_reversed": "Reversed polarity",
    "no_power": "Dead",
    "reversed_false_ground": "Reversed bootleg",
}


def look(number: int, **changes: Any) -> Row:
    """One invented look."""
    row = dict(
        zip(
            CANON,
            (
                *("B-12", "1A", f"{number:02}", "2024-03-25", "Ada Quill", "three_lamp_tester"),
                *("three_slot", "correct"),
            ),
            strict=True,
        )
    )
    return {**row, **changes}


def looks(count: int, **changes: Any) -> list[Row]:
    """Some invented looks; every third finds no ground."""
    return [
        look(n, **{"result": "open_ground" if n % 3 == 0 else "correct", **changes})
        for n in range(1, count + 1)
    ]


def cells(row: Row, columns: Sequence[str] = CANON) -> list[str]:
    """A look as a person writes it."""
    return [WORDS.get(str(row[name]), str(row[name])) for name in columns]


def plain(row: Row, columns: Sequence[str] = CANON) -> list[str]:
    """A look in the words of the default layout."""
    return [str(row[name]) for name in columns]


def lines(rows: Iterable[Sequence[str]], delimiter: str = ",") -> str:
    """Rows of cells as text, quoted only where they must be."""
    out = []
    for row in rows:
        out.append(
            delimiter.join(
                '"' + cell.replace('"', '""') + '"' if delimiter in cell or "\n" in cell else cell
                for cell in row
            )
        )
    return "\n".join(out) + "\n"


def human(rows: Sequence[Row], first: int = 2, **kw: Any) -> tuple[str, dict[int, Row]]:
    """A file with the usual headers, and its truth."""
    text = lines([HUMAN, *(cells(row) for row in rows)], **kw)
    return text, {first + n: row for n, row in enumerate(rows)}


def workbook(sheets: dict[str, Sequence[Sequence[Any]]]) -> bytes:
    """A workbook of sheets of rows."""
    book = openpyxl.Workbook()
    book.remove(book.active)  # type: ignore[arg-type]
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _numbered(rows: Iterable[Row], first: int) -> dict[int, Row]:
    return {first + n: row for n, row in enumerate(rows)}


def _joined() -> Iterable[Trap]:
    """Several tables in one file."""
    top = looks(6, method="cover_off_inspection", result="reversed_false_ground")
    low = looks(9, building_id="B-13")
    first, second = [HUMAN, *map(cells, top)], [HUMAN, *map(cells, low)]
    truth = _numbered(top, 2) | _numbered(low, 9)
    yield Trap("two exports joined, same header", "a.csv", lines(first + second).encode(), truth)
    yield Trap(
        "two exports joined, a blank line between",
        "a.csv",
        lines([*first, [""], *second]).encode(),
        _numbered(top, 2) | _numbered(low, 10),
    )
    yield Trap(
        "two exports joined, the second better named",
        "a.csv",
        lines([*first, list(CANON), *map(plain, low)]).encode(),
        truth,
    )
    yield Trap(
        "two exports joined, other order of columns",
        "a.csv",
        lines([*first, HUMAN[::-1], *(cells(row, CANON[::-1]) for row in low)]).encode(),
        truth,
    )
    register = [("Building", "Year built", "Units"), ("B-12", "1948", "6"), ("B-13", "1951", "9")]
    both = lines([*register, [""], *second]).encode()
    facts = {
        2: {"building_id": "B-12", "year_built": 1948, "dwelling_units": 6},
        3: {"building_id": "B-13", "year_built": 1951, "dwelling_units": 9},
    }
    yield Trap("a register above the looks", "a.csv", both, facts | _numbered(low, 6))
    yield Trap(
        "a register above the looks on one sheet",
        "a.xlsx",
        workbook({"S": [*register, [], *second]}),
        facts | _numbered(low, 6),
    )
    wide = [(*a, "", *b) for a, b in zip([*register, *[("", "", "")] * 7], second, strict=True)]
    beside = {**_numbered(low, 2), 2: [low[0], facts[2]], 3: [low[1], facts[3]]}
    yield Trap("a register beside the looks", "a.xlsx", workbook({"S": wide}), beside)
    headless = [cells(row) for row in top]
    yield Trap(
        "rows above the header", "a.csv", lines([*headless, *second]).encode(),
        _numbered(top, 1) | _numbered(low, 8),
    )  # fmt: skip


def _around() -> Iterable[Trap]:
    """Lines about a table among its rows."""
    rows = looks(6)
    text, truth = human(rows)
    blank = [""] * len(HUMAN)
    ends = {
        "total": ["Total", *blank[2:], "6"],
        "grand total with a colon": ["Grand total: 6", *blank[1:]],
        "count of rows": ["6 rows", *blank[1:]],
        "generated by": ["Generated 2024-04-02 by Ada Quill", *blank[1:]],
        "printed on": ["Printed on", "2024-04-02", *blank[2:]],
        "page": ["Page 1 of 1", *blank[1:]],
        "end of report": ["*** End of report ***", *blank[1:]],
        "a sentence": ["Outlets behind furniture were not looked at", *blank[1:]],
        "a rule": ["-----", *blank[1:]],
    }
    for name, end in ends.items():
        yield Trap(f"ends with {name}", "a.csv", (text + ",".join(end) + "\n").encode(), truth)
    sheet = [HUMAN, *map(cells, rows), blank, ["Total", "", "6"], ["Generated by Ada Quill"]]
    yield Trap("a sheet that ends with totals", "a.xlsx", workbook({"S": sheet}), truth)
    register = "Building,Year built,Units,Owner\nB-1,1950,4,Ann\nB-2,1960,6,Bo\n"
    facts = {
        2: {"building_id": "B-1", "year_built": 1950, "dwelling_units": 4},
        3: {"building_id": "B-2", "year_built": 1960, "dwelling_units": 6},
    }
    for end in ("Total,,10,\n", "Generated 2024-04-02 by Ada Quill,,,\n", "Totals:,2,10,\n"):
        yield Trap(f"a register that ends with {end.split(',')[0]!r}", "register.csv",
                   (register + end).encode(), facts)  # fmt: skip
    again = lines([HUMAN, *map(cells, rows[:3]), ["Page 2"], HUMAN, *map(cells, rows[3:])]).encode()
    yield Trap(
        "the header again on page two", "a.csv", again,
        _numbered(rows[:3], 2) | _numbered(rows[3:], 7),
    )  # fmt: skip
    above = "Building: B-12\nInspection report\n\n" + lines(
        [HUMAN[1:], *(cells(row, CANON[1:]) for row in rows)]
    )
    yield Trap("the building stands above the table", "a.csv", above.encode(), _numbered(rows, 5))
    pair = [["Building", "B-12"], ["Inspected by", "Ada Quill"], [], HUMAN[1:4] + HUMAN[5:]]
    pair += [cells(row, CANON[1:4] + CANON[5:]) for row in rows]
    yield Trap(
        "building and inspector stand above the sheet's table", "a.xlsx",
        workbook({"S": pair}), _numbered(rows, 5),
    )  # fmt: skip
    sections = [["Flat 1A"], *(cells(r, ("building_id", *CANON[2:])) for r in rows[:3])]
    other = [{**row, "unit_id": "1B"} for row in looks(3)]
    sections += [["Flat 1B"], *(cells(r, ("building_id", *CANON[2:])) for r in other)]
    text = lines([(HUMAN[0], *HUMAN[2:]), *sections])
    yield Trap("dwellings as titles between the rows", "a.csv", text.encode(),
               _numbered(rows[:3], 3) | _numbered(other, 7), "ask")  # fmt: skip
    meant = [{**row, "unit_id": "Flat 1A"} for row in rows[:3]]
    others = [{**row, "unit_id": "Flat 1B"} for row in other]
    yield Trap("dwellings as titles, answered", "a.csv", text.encode(),
               _numbered(meant, 3) | _numbered(others, 7), "read",
               ("unit_id=title above the row",))  # fmt: skip
    grouped = [["", "", "", "First visit", "", "Second visit", ""]]
    grouped += [["Building", "Apt", "Outlet no", "Date", "Result", "Date", "Result"]]
    grouped += [["B-12", "1A", "01", "2024-03-25", "OK", "2024-04-25", "Open ground"]] * 2
    yield Trap("two visits side by side under merged names", "a.xlsx",
               workbook({"S": grouped}), {}, "ask")  # fmt: skip


def _columns() -> Iterable[Trap]:
    """Columns that could be another."""
    rows = [look(n, result="open_ground") for n in range(1, 51)]

    def table(headers: Sequence[str], values: Sequence[Sequence[str]]) -> bytes:
        return lines([headers, *values]).encode()

    base = HUMAN[:-1]
    told = [cells(row)[:-1] for row in rows]
    yield Trap(
        "condition good beside finding open ground", "a.csv",
        table((*base, "Condition", "Finding"), [[*t, "Good", "Open ground"] for t in told]),
        _numbered(rows, 2), "ask",
    )  # fmt: skip
    yield Trap(
        "condition beside finding, answered", "a.csv",
        table((*base, "Condition", "Finding"), [[*t, "Good", "Open ground"] for t in told]),
        _numbered(rows, 2), "read", ("result=Finding", "ignore=Condition"),
    )  # fmt: skip
    yield Trap(
        "open ground in a column nobody reads", "a.csv",
        table((*base, "Test result", "Extra"), [[*t, "OK", "open ground"] for t in told]),
        {}, "ask",
    )  # fmt: skip
    default = [plain(row)[:-1] for row in rows]
    yield Trap(
        "default layout with a second opinion", "a.csv",
        table((*CANON, "Second look"), [[*t, "correct", "bootleg"] for t in default]), {}, "ask",
    )  # fmt: skip
    yield Trap(
        "result twice", "a.csv",
        table((*CANON, "result"), [[*t, "correct", "no_power"] for t in default]), {}, "ask",
    )  # fmt: skip
    yield Trap(
        "status on and off", "a.csv",
        table((*base, "Status"), [[*t, "On" if n % 2 else "Off"] for n, t in enumerate(told)]),
        {}, "ask",
    )  # fmt: skip
    yield Trap(
        "condition good and nothing else", "a.csv",
        table((*base, "Condition"), [[*t, "Good"] for t in told]), {}, "ask",
    )  # fmt: skip
    dated = [[*t[:3], "2024-06-30", *t[4:], "OK", "2024-03-25"] for t in told]
    right = [{**row, "result": "correct"} for row in rows]
    yield Trap(
        "the day of the report before the day of the test", "a.csv",
        table((*base[:3], "Date", *base[4:], "Test result", "Tested"), dated),
        _numbered(right, 2), "ask",
    )  # fmt: skip
    yield Trap(
        "report date and test date", "a.csv",
        table((*base[:3], "Report date", *base[4:], "Test result", "Date of test"), dated),
        _numbered(right, 2),
    )  # fmt: skip
    loaded = [[*t, "OK", "45"] for t in told]
    yield Trap(
        "load in per cent", "a.csv", table((*base, "Test result", "Load %"), loaded),
        _numbered([{**row, "load_amps": None} for row in right], 2),
        settings=("ignore=Load %",),
    )  # fmt: skip
    testers = [[*t[:4], "3 lamp", *t[6:], "OK"] for t in told]
    yield Trap(
        "the tester is an instrument", "a.csv",
        table((*base[:4], "Tester", base[6], "Test result"), testers),
        _numbered([{**row, "inspector": None} for row in right], 2),
    )  # fmt: skip
    alarms = [["B-12", "1A", f"smoke alarm {n}", "2024-03-25", "Ada", "visual", "OK"]
              for n in range(20)]  # fmt: skip
    yield Trap(
        "smoke alarms", "a.csv",
        table(("Building", "Apt", "Device", "Test date", "Inspected by", "Method", "Result"),
              alarms), {}, "ask",
    )  # fmt: skip
    doors = [["B-12", "1A", str(n), "2024-03-25", "Ada", "visual", "Good"] for n in range(20)]
    yield Trap(
        "doors", "a.csv",
        table(("Building", "Apt", "Door", "Test date", "Inspected by", "Method", "Condition"),
              doors), {}, "ask",
    )  # fmt: skip
    mixed = [[*cells(row), "receptacle" if n % 2 else "fire extinguisher"]
             for n, row in enumerate(rows)]  # fmt: skip
    yield Trap(
        "receptacles among extinguishers", "a.csv", table((*HUMAN, "Asset type"), mixed), {}, "ask"
    )
    yield Trap(
        "camel case and codes", "a.csv",
        table(("BuildingID", "UnitNo", "OutletNo", "InspDate", "InspectedBy", "TestMethod",
               "OutletType", "TestResult"), [[*t, "Open ground"] for t in told]),
        _numbered(rows, 2),
    )  # fmt: skip
    yield Trap(
        "nothing names the method", "a.csv",
        table((*base[:5], base[6], "Test result"), [[*t[:5], t[6], "OK"] for t in told]), {}, "ask",
    )  # fmt: skip


def _dates() -> Iterable[Trap]:
    """Days and months."""

    def table(texts: Sequence[str], days: Sequence[str | None]) -> tuple[bytes, dict[int, Row]]:
        rows = [look(n, observed_on=text) for n, text in enumerate(texts, 1)]
        truth = [{**row, "observed_on": day} for row, day in zip(rows, days, strict=True)]
        return lines([HUMAN, *map(cells, rows)]).encode(), _numbered(truth, 2)

    typo = [f"{d:02}/{m:02}/2026" for m in (3, 4, 5) for d in (2, 5, 9, 11)]
    content, _ = table([*typo, "04/13/2026"], [None] * 13)
    yield Trap("one typo among days first", "a.csv", content, {}, "ask")
    content, _ = table(["25/03/2024", "04/13/2024", "03/04/2024"], [None] * 3)
    yield Trap("orders that contradict one another", "a.csv", content, {}, "ask")
    content, _ = table(["03/04/2024", "05/06/2024"], [None] * 2)
    yield Trap("either order", "a.csv", content, {}, "ask")
    content, truth = table(["25/03/2024", "26/03/2024", "04/03/2024"],
                           ["2024-03-25", "2024-03-26", "2024-03-04"])  # fmt: skip
    yield Trap("days first, plainly", "a.csv", content, truth)
    content, truth = table(["25 mars 2024", "3 avril 2024"], ["2024-03-25", "2024-04-03"])
    yield Trap("French months", "a.csv", content, truth)
    content, truth = table(["25. März 2024", "3. Dezember 2023"], ["2024-03-25", "2023-12-03"])
    yield Trap("German months", "a.csv", content, truth)
    content, truth = table(["25 de marzo de 2024", "3 enero 2024"], ["2024-03-25", "2024-01-03"])
    yield Trap("Spanish months", "a.csv", content, truth)
    content, truth = table(["1900-01-01", "2024-03-25"], [None, "2024-03-25"])
    yield Trap("a date that means none", "a.csv", content, truth, "read",
               ("no_answer=1900-01-01",))  # fmt: skip
    content, truth = table(["2024-03-25", "2031-01-01"], ["2024-03-25", None])
    yield Trap("a day to come", "a.csv", content, truth)


def _values() -> Iterable[Trap]:
    """Single cells."""
    rows = looks(6)

    def extra(header: str, values: Sequence[str], column: str, truth: Sequence[Any],
              **kw: Any) -> Trap:  # fmt: skip
        pairs = zip(rows, values, strict=True)
        text = lines([(*HUMAN, header), *([*cells(r), v] for r, v in pairs)])
        rows_ = [{**r, column: t} for r, t in zip(rows, truth, strict=True)]
        name = kw.pop("name")
        return Trap(name, "a.csv", text.encode(), _numbered(rows_, 2), **kw)

    six = ["yes", "no", "yes", "no", "", ""]
    told = ["yes", "no", "yes", "no", None, None]
    yield extra("GFCI", ["✓", "✗", "✓", "✗", "", ""], "gfci_protected", told, name="ticks")
    yield extra("GFCI", ["oui", "non", "ja", "nein", "", "-"], "gfci_protected", told,
                name="yes in other languages")  # fmt: skip
    yield extra("GFCI", ["maybe", "no", "yes", "no", "", ""], "gfci_protected", [None, *told[1:]],
                name="an optional cell that cannot be read")  # fmt: skip
    yield extra("GFCI", six, "gfci_protected", told, name="plain yes and no")
    yield extra("Ground ohms", ["999", "0.4", "0.5", "999", "", "12"], "ground_path_ohms",
                [None, 0.4, 0.5, None, None, 12.0], name="999 means none",
                settings=("no_answer=999",))  # fmt: skip
    yield extra("Ground ohms", ["1,250", "2,500", "0.4", "3", "", ""], "ground_path_ohms",
                [1250.0, 2500.0, 0.4, 3.0, None, None], name="thousands")  # fmt: skip
    yield extra("Ground ohms", ["1,250", "2,500", "4", "3", "", ""], "ground_path_ohms",
                [None] * 6, name="a comma with two meanings", must="ask")  # fmt: skip
    yield extra("Plate volts", ["12O", "0", "", "", "", ""], "plate_earth_volts",
                [None, 0.0, None, None, None, None],
                name="a letter in the volts of a plate")  # fmt: skip
    yield extra("Remarks", ['box 3" deep', "fine", '2" x 4" box', "", "", ""], "note",
                ['box 3" deep', "fine", '2" x 4" box', None, None, None],
                name="inches in a remark")  # fmt: skip
    yield extra("N-G mV", ["3680", "50", "", "", "", ""], "neutral_ground_volts",
                [3.68, 0.05, None, None, None, None], name="millivolts")  # fmt: skip
    spelt = {
        "BG": "false_ground",
        "rev pol": "hot_neutral_reversed",
        "Rev. Pol.": "hot_neutral_reversed",
        "no gnd": "open_ground",
        "H/N rev": "hot_neutral_reversed",
        "N/A": None,
        "FAIL": None,
        "bootleg ground": "false_ground",
        "open gnd": "open_ground",
        "RPBG": "reversed_false_ground",
    }
    odd = [look(n, result=word) for n, word in enumerate(spelt, 1)]
    truth = [look(n, result=meant) for n, meant in enumerate(spelt.values(), 1)]
    yield Trap("how the trade spells results", "a.csv",
               lines([HUMAN, *map(cells, odd)]).encode(),
               _numbered(truth, 2), "either")  # fmt: skip
    yield Trap("the same in the default layout", "a.csv",
               lines([CANON, *map(plain, odd)]).encode(), _numbered(truth, 2))  # fmt: skip
    for number, copies in ((10, 20), (300, 600), (6_000, 6_001)):
        many = [look(n) for n in range(1, copies + 1)]
        text = [[*plain(row), 'box 3" deep' if n < number else "shut"]
                for n, row in enumerate(many)]  # fmt: skip
        notes = [{**row, "note": 'box 3" deep' if n < number else "shut"}
                 for n, row in enumerate(many)]  # fmt: skip
        yield Trap(f"inches in {number} of {copies} rows", "a.csv",
                   lines([(*CANON, "note"), *text]).encode(), _numbered(notes, 2))  # fmt: skip
    big = [look(n) for n in range(1, 7_001)]
    body = [plain(row) for row in big]
    total = ["Total", *[""] * 6, "7000"]
    yield Trap("a large file that ends with a total", "a.csv",
               lines([CANON, *body, total]).encode(), _numbered(big, 2))  # fmt: skip
    second = [list(HUMAN), *(cells(row) for row in looks(3, building_id="B-99"))]
    yield Trap("a large file with a second table", "a.csv",
               lines([CANON, *body, *second]).encode(),
               _numbered(big, 2) | _numbered(looks(3, building_id="B-99"), 7_003))  # fmt: skip
    quoted = [[*plain(row)[:-1], "correct", '"a, b"'] for row in rows]
    raw = ",".join((*CANON, "note")) + "\n" + "\n".join(",".join(r) for r in quoted) + "\n"
    noted = [{**r, "result": "correct", "note": "a, b"} for r in rows]
    yield Trap("quoted cells", "a.csv", raw.encode(), _numbered(noted, 2))
    open_quote = lines([(*CANON, "note"), *([*plain(r), "fine"] for r in rows)])
    open_quote = open_quote.replace("fine", '"12 inch', 1).replace("fine", '5"', 1)
    inches = ("12 inch", '5"', "fine")
    meant = [{**row, "note": inches[min(n, 2)]} for n, row in enumerate(rows)]
    yield Trap("a quote that swallows a row", "a.csv", open_quote.encode(),
               _numbered(meant, 2), "either")  # fmt: skip


def _files() -> Iterable[Trap]:
    """Whole files."""
    rows = looks(6)
    body = [cells(row) for row in rows]
    sheet = workbook({"S": [HUMAN, *body]})
    book = openpyxl.load_workbook(io.BytesIO(sheet))
    book["S"].cell(row=1_048_576, column=16_384, value="x")
    out = io.BytesIO()
    book.save(out)
    yield Trap("a stray cell at the end of the sheet", "a.xlsx", out.getvalue(), _numbered(rows, 2))
    yield Trap("an empty sheet and a cover", "a.xlsx",
               workbook({"Cover": [["Report"]], "E": [], "S": [HUMAN, *body]}),
               _numbered(rows, 2))  # fmt: skip
    other = looks(3, building_id="B-77")
    yield Trap("one sheet a building, named so", "a.xlsx",
               workbook({
                   name: [HUMAN[1:], *(cells(row, CANON[1:]) for row in group)]
                   for name, group in {"B-12": rows, "B-77": other}.items()
               }), {}, "ask")  # fmt: skip
    text, truth = human(rows)
    for encoding in ("utf-8-sig", "utf-16", "utf-16-le", "cp1252"):
        yield Trap(f"in {encoding}", "a.csv", text.encode(encoding), truth)
    names = text.replace("Ada Quill", "Łucja Żak")
    renamed = {n: {**row, "inspector": "Łucja Żak"} for n, row in truth.items()}
    yield Trap("Polish letters in code page 1250", "a.csv", names.encode("cp1250"), renamed,
               "either")  # fmt: skip
    japanese = text.replace("Ada Quill", "山田 太郎")
    renamed = {n: {**row, "inspector": "山田 太郎"} for n, row in truth.items()}
    yield Trap("Japanese in Shift-JIS", "a.csv", japanese.encode("shift_jis"), renamed, "either")
    mac = text.replace("Ada Quill", "Zoé Ängström")
    renamed = {n: {**row, "inspector": "Zoé Ängström"} for n, row in truth.items()}
    yield Trap("Mac Roman", "a.csv", mac.encode("mac_roman"), renamed, "either")
    yield Trap("ends of line that are a return only", "a.csv",
               text.replace("\n", "\r").encode(), truth)  # fmt: skip
    objects = [dict(zip(HUMAN, row, strict=True)) for row in body]
    document = {"made": "2024", "remark": "plate live in 1A", "looks": objects}
    yield Trap("JSON with a remark of danger", "a.json", json.dumps(document).encode(),
               _numbered(rows, 1), "either")  # fmt: skip
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.csv", text)
        archive.writestr("notes.txt", "nothing of note here\n")
    yield Trap("a ZIP with a note", "a.zip", packed.getvalue(), truth)


def _identities() -> Iterable[Trap]:
    """One building under two spellings."""
    for one, other in (("0042", "42"), ("42", "42.0"), ("B-7", "b-07")):
        rows = [*looks(3, building_id=one), *looks(3, building_id=other, unit_id="2B")]
        text = lines([HUMAN, *map(cells, rows)]).encode()
        yield Trap(f"{one} and {other}", "a.csv", text, _numbered(rows, 2), "ask")
        joined = [{**row, "building_id": one} for row in rows]
        yield Trap(f"{one} and {other}, answered as one", "a.csv", text, _numbered(joined, 2),
                   "read", (f"building_id:{other}={one}",))  # fmt: skip
        yield Trap(f"{one} and {other}, answered as two", "a.csv", text, _numbered(rows, 2),
                   "read", (f"different={other}",))  # fmt: skip
    for one, other in (
        ("12", "Bldg 12"), ("Building No. 12", "12"), ("1.20E+03", "1200"),
        ("12 Rowan St", "12 Rowan Street"), ("Rowan Hse.", "Rowan House"),
    ):  # fmt: skip
        rows = [look(1, building_id=one), look(1, building_id=other, result="open_ground")]
        text = lines([HUMAN, *map(cells, rows)]).encode()
        yield Trap(f"{one} and {other}", "a.csv", text, {}, "ask")
    rows = [look(1, building_id=f"Building {letter}") for letter in "AB"]
    yield Trap("Building A and Building B", "a.csv",
               lines([HUMAN, *map(cells, rows)]).encode(), _numbered(rows, 2))  # fmt: skip
    for name in ("K1-K6", "all", "1 to 6", "All outlets", "K1 & K2", "1\u20136"):
        text = lines([HUMAN, cells(look(1, opening_id=name))])
        yield Trap(f"{name} as an opening", "a.csv", text.encode(), {}, "ask")
    rows = [look(1, opening_id=name) for name in ("C4-K2", "3-1", "Hall", "GFCI-1", "Allen 2")]
    yield Trap("marks within the name of an opening", "a.csv",
               lines([HUMAN, *map(cells, rows)]).encode(), _numbered(rows, 2))  # fmt: skip
    for name, spelt in {
        "composed and decomposed letters": "Mu\u0308hle",
        "a zero-width space": "M\u200b\u00fchle",
        "a mark of writing direction": "M\u00fchle\u200e",
        "a space that does not break": "\u00a0M\u00fchle",
    }.items():
        rows = [*looks(3, building_id="M\u00fchle"), *looks(3, building_id=spelt, unit_id="2B")]
        truth = [{**row, "building_id": "M\u00fchle"} for row in rows]
        yield Trap(name, "a.csv", lines([HUMAN, *map(cells, rows)]).encode(), _numbered(truth, 2))


def _found_by_others() -> Iterable[Trap]:
    """Files that went in silently wrong when people who had not made the reader tried it."""
    first, second = looks(3), looks(3, building_id="B-13", result="correct")
    named = CANON[1:]

    def block(building: str, rows: Sequence[Row], header: bool) -> list[Sequence[str]]:
        body = [cells(row, named) for row in rows]
        return [(f"Building: {building}",), *([HUMAN[1:]] if header else []), *body]

    text = lines([*block("B-12", first, True), *block("B-13", second, True)])
    yield Trap("a block for each building, its header again", "a.csv", text.encode(),
               _numbered(first, 3) | _numbered(second, 8))  # fmt: skip
    text = lines([*block("B-12", first, True), *block("B-13", second, False)])
    yield Trap("a block for each building, one header", "a.csv", text.encode(),
               _numbered(first, 3) | _numbered(second, 7))  # fmt: skip
    volts = ("plate_earth_volts", "case_earth_volts")
    one = [look(1, result="open_ground", plate_earth_volts=0.0, case_earth_volts=1.0)]
    two = [look(2, result="open_ground", plate_earth_volts=118.0, case_earth_volts=2.0)]
    swapped = (*CANON, *reversed(volts))
    text = lines([
        (*CANON, *volts), [*plain(one[0]), "0", "1"], swapped, [*plain(two[0]), "2", "118"],
    ])  # fmt: skip
    yield Trap("the header again with two columns swapped", "a.csv", text.encode(),
               _numbered(one, 2) | _numbered(two, 4))  # fmt: skip
    passed = [plain(look(n)) for n in range(1, 4)]
    for header, value in {
        "Open ground": "Y", "Ground OK": "N", "Hazard": "Y", "Pass/Fail": "Fail",
        "Status": "see report", "Shock hazard": "Y", "Extra": "BG", "Extra 2": "no grd",
        "N-G": "118", "PE": "fehlt", "Tested?": "N", "Phase": "planned", "Temp": "88 C",
        "Seen": "child got a jolt here", "Extra 3": "FAIL",
        "Extra 4": "pas de terre", "Extra 5": "hot & neutral reversed",
    }.items():  # fmt: skip
        text = lines([(*CANON, header), *([*row, value] for row in passed)])
        yield Trap(f"{header} = {value} beside correct", "a.csv", text.encode(), {}, "ask")
    for other in ("Plate volts", "plate_earth_volts"):
        text = lines([(*CANON, "plate_earth_volts", other), *([*r, "0", "118"] for r in passed)])
        yield Trap(f"volts of the plate twice, as {other}", "a.csv", text.encode(), {}, "ask")
    text = lines([(*CANON, "N-G volts"), [""] * 8 + ["mV"], [*passed[0], "50"]])
    yield Trap("units in a row of their own", "a.csv", text.encode(),
               {3: look(1, neutral_ground_volts=0.05)}, "either")  # fmt: skip
    text = "Test result: PASS\n" + lines([HUMAN[:-1], *(cells(r, CANON[:-1]) for r in first)])
    yield Trap("a result above the table", "a.csv", text.encode(), {}, "ask")
    text = lines([(*CANON, "ground_present"), [*passed[0], "none"]])
    yield Trap("no ground wire, said as none", "a.csv", text.encode(),
               {2: look(1, ground_present="no")})  # fmt: skip
    register = "building_id,year_built,dwelling_units\nNB-01,1950,2\nTotal Plaza,1951,4\n"
    facts = {2: {"building_id": "NB-01"}, 3: {"building_id": "Total Plaza"}}
    yield Trap("buildings called NB-01 and Total Plaza", "r.csv", register.encode(), facts)
    text, _ = human([look(n, observed_on="05/04/2024") for n in range(39)])
    text += lines([cells(look(99, observed_on="05/14/2024"))])
    yield Trap("one typo among one day", "a.csv", text.encode(), {}, "ask")
    alarms = lines([CANON, *(plain(look(0, opening_id=f"Smoke alarm {n}")) for n in range(5))])
    yield Trap("smoke alarms in the default layout", "a.csv", alarms.encode(), {}, "ask")
    twice = '{"building_id":"B-1","opening_id":"1","observed_on":"2024-03-05","method":"visual",'
    twice += '"result":"open_ground","result":"correct"}\n'
    good = dict(zip(CANON, plain(look(1)), strict=True))
    yield Trap("a key twice in one object", "a.jsonl", (json.dumps(good) + "\n" + twice).encode(),
               {1: look(1), 2: look(2)})  # fmt: skip


SAID = {
    "OK": "correct", "open ground": "open_ground", "rev pol": "hot_neutral_reversed",
    "not tested": "not_tested", "bootleg": "false_ground",
}  # fmt: skip
"""Words in the cells of a sheet with one column an opening."""


def _sheet(
    headers: Sequence[str],
    rows: Sequence[Sequence[str]],
    fixed: Sequence[str] = ("Building", "Apt"),
) -> tuple[str, dict[int, Row | list[Row]]]:
    """A sheet with one column an opening, and its truth by row and place of the column."""
    names = (*fixed, "Test date", "Test method", *headers)
    text, truth = [names], {}
    canon = {"Building": "building_id", "Apt": "unit_id", "Room": "room"}
    for number, row in enumerate(rows, 2):
        own, said = row[: len(fixed)], row[len(fixed) :]
        text.append((*own, "2024-03-25", "plug-in tester", *said))
        for place, word in enumerate(said, len(fixed) + 3):
            if word not in ("", "-"):
                told = dict(zip(map(canon.__getitem__, fixed), own, strict=True))
                header = headers[place - len(fixed) - 3]
                opening = f"{told['room']}-{header}" if "room" in told else header
                told |= {"opening_id": opening, "observed_on": "2024-03-25"}
                truth[number * 1000 + place] = told | {"result": SAID.get(word)}
    return lines(text), truth  # type: ignore[return-value]


def _wide() -> Iterable[Trap]:
    """One row a dwelling, room or visit, one column an opening."""
    outlets = [f"Outlet {n}" for n in (1, 2, 3)]
    rows = [
        ("B-1", "1A", "OK", "open ground", ""), ("B-1", "1B", "rev pol", "OK", "-"),
        ("B-2", "2A", "OK", "OK", "bootleg"), ("B-2", "2B", "", "not tested", "OK"),
    ]  # fmt: skip
    text, truth = _sheet(outlets, rows)
    yield Trap("one column an outlet", "a.csv", text.encode(), truth)
    sheet = workbook({"S": [line.split(",") for line in text.splitlines()]})
    yield Trap("one column an outlet on a sheet", "a.xlsx", sheet, truth)
    many = [(f"B-{n}", f"{n}A", "OK", "open ground" if n % 7 == 0 else "OK", "") for n in
            range(1, 6_001)]  # fmt: skip
    text, truth = _sheet(outlets, many)
    yield Trap("one column an outlet, many rows", "a.csv", text.encode(), truth)
    text, truth = _sheet(outlets, [*rows, ("B-3", "3A", "OK", "hm", "OK?")])
    yield Trap("one column an outlet, words that nobody knows", "a.csv", text.encode(), truth)
    text, truth = _sheet(outlets, rows)
    text += "B-3,3A,2024-03-25,plug-in tester,OK,OK,OK,open ground\n"
    text += "B-3,3B,2024-03-25,plug-in tester,,,,open ground\n"
    wider = truth | {
        6000 + place: {"building_id": "B-3", "result": "correct"} for place in (5, 6, 7)
    }  # fmt: skip
    yield Trap("one column an outlet, rows too long", "a.csv", text.encode(),
               wider | {7005: {"building_id": "B-3"}})  # fmt: skip
    rooms = [
        ("B-1", "1A", "Kitchen", "OK", "open ground"), ("B-1", "1A", "Hall", "bootleg", "OK"),
        ("B-1", "1B", "Kitchen", "OK", "rev pol"),
    ]  # fmt: skip
    text, truth = _sheet(outlets[:2], rooms, ("Building", "Apt", "Room"))
    yield Trap("one row a room, one column an outlet", "a.csv", text.encode(), truth)
    for kind, headers in {
        "room": ["Kitchen", "Bedroom 1", "Hall"],
        "visit": ["Visit 1", "Visit 2", "Visit 3"],
        "day": ["March", "April", "May"],
        "result": ["Result", "Result 2", "Result 3"],
    }.items():
        text, truth = _sheet(headers, rows)
        yield Trap(f"one column a {kind}", "a.csv", text.encode(), {}, "ask")
    text, truth = _sheet(["Kitchen", "Bedroom 1", "Hall"], rows)
    for row in truth.values():
        row["room"] = row["opening_id"]  # type: ignore[call-overload,index]
    yield Trap("one column a room, answered", "a.csv", text.encode(), truth, "read",
               ("wide=Kitchen..Hall",))  # fmt: skip
    passed = [(*row[:4], "OK") for row in rows]
    text, _ = _sheet([*outlets[:2], "Den"], passed)
    yield Trap("two outlets and a room that passes", "a.csv", text.encode(), {}, "ask")
    alarms, _ = _sheet(["Outlet 1", "Outlet 2", "Smoke alarm"], rows)
    yield Trap("outlets and a smoke alarm", "a.csv", alarms.encode(), {}, "ask")


def _half_names() -> Iterable[Trap]:
    """A header that begins the name of a column, and what else could be meant."""
    row = look(1)
    for header, value in {
        "Appliance": "60", "Voltage": "yes", "Tenant": "Y", "Proximity": "N", "Ground pin": "60",
        "Breaker amps": "15", "Amps": "20", "GFCI tripped": "yes", "GFCI button": "yes",
    }.items():  # fmt: skip
        text = lines([(*HUMAN, header), (*cells(row), value)])
        yield Trap(f"{header} beside the look", "a.csv", text.encode(), {}, "ask")
    none = dict.fromkeys(("dwelling_units", "vulnerable_occupants", "name", "address"))
    text = "Building,Year built,Number,Children\nB-1,1950,4,2\n"
    facts = {2: {"building_id": "B-1", "year_built": 1950, **none}}
    yield Trap("a number and children of a building", "a.csv", text.encode(), facts)
    named = {"neutral_ground_volts": 1.5, "circuit_id": "C4", "load_amps": 12.5}
    text = lines(
        [(*HUMAN, "N-G volts", "Circuit", "Load amps"), (*cells(row), "1.5", "C4", "12.5")]
    )
    yield Trap("units behind names that are known", "a.csv", text.encode(), {2: {**row, **named}})


def _wrapped() -> Iterable[Trap]:
    """Rows that a spreadsheet program took for one text, and wrote in quotes."""

    def wrap(line: str) -> str:
        return '"' + line.replace('"', '""') + '"'

    for number in (20, 6_000):
        rows = looks(number)
        text, truth = human(rows)
        head, *body = text.splitlines()
        for name, written in {
            "all rows": [head, *map(wrap, body)],
            "all rows and the header": list(map(wrap, [head, *body])),
            "all rows but the first": [head, body[0], *map(wrap, body[1:])],
            "one row": [head, *body[:-1], wrap(body[-1])],
        }.items():
            yield Trap(f"{name} of {number} wrapped in quotes", "a.csv",
                       ("\n".join(written) + "\n").encode(), truth)  # fmt: skip
    rows = [look(1, inspector='Quill, "Ada"', result="open_ground"), *looks(4)[1:]]
    said = [wrap(",".join('"' + cell.replace('"', '""') + '"' for cell in cells(r))) for r in rows]
    text = "\n".join([",".join(HUMAN), *said]) + "\n"
    yield Trap("rows with quotes of their own wrapped in quotes", "a.csv", text.encode(),
               _numbered(rows, 2))  # fmt: skip
    packed = [HUMAN, *([",".join(cells(row))] for row in looks(5)), cells(looks(6)[5])]
    yield Trap("rows of a sheet that were not parted", "a.xlsx", workbook({"S": packed}),
               _numbered(looks(6), 2))  # fmt: skip


def _put_together() -> Iterable[Trap]:
    """Openings that have building, dwelling and name alike and are several."""
    first, then = look(1, result="open_ground"), look(1, observed_on="2024-03-26")
    for header, words in {
        "Floor": ("1", "2"), "Wing": ("N", "S"), "House": ("1", "2"), "Location": ("Hall", "Den"),
        "Treppenhaus": ("A", "B"),
    }.items():  # fmt: skip
        rows = [(*cells(row), word) for row, word in zip((first, then), words, strict=True)]
        text = lines([(*HUMAN, header), *rows])
        yield Trap(f"one opening in two of {header}", "a.csv", text.encode(), {}, "ask")
    sheets = {f"Apt 1{n}": [HUMAN[:1] + HUMAN[2:], cells(row, CANON[:1] + CANON[2:])]
              for n, row in zip("AB", (first, then), strict=True)}  # fmt: skip
    yield Trap("one sheet a dwelling", "a.xlsx", workbook(sheets), {}, "ask")
    text = lines([HUMAN[:1] + HUMAN[2:], cells(first, CANON[:1] + CANON[2:])])
    yield Trap("a dwelling in the name of the file", "B-12 apt 1B.csv", text.encode(), {}, "ask")
    rows = [(*cells(row), "Kitchen") for row in (first, then)]
    told = {n: {**row, "room": "Kitchen"} for n, row in enumerate((first, then), 2)}
    yield Trap("a retest in the same room", "a.csv",
               lines([(*HUMAN, "Room"), *rows]).encode(), told)  # fmt: skip


def traps() -> list[Trap]:
    """All of them, in order."""
    groups = (
        *(_joined, _around, _columns, _dates, _values, _files, _identities, _found_by_others),
        *(_wide, _half_names, _wrapped, _put_together),
    )
    return [trap for group in groups for trap in group()]

"""Files for spreadsheet programs run nothing and lose nothing."""

from __future__ import annotations

import csv
import datetime as dt
import io

import numpy as np
import openpyxl
import pandas as pd
import pytest

from pipeline.screens.tables import as_csv, as_xlsx, harmless

FORMULAS = ["=1+1", "+1+1", "-1-1", "@SUM(A1)", "\t=1", " =1", "\n@x"]


@pytest.mark.parametrize("text", FORMULAS)
def test_texts_that_look_like_formulas_are_made_harmless(text):
    frame = pd.DataFrame({text: [text, "plain"]})
    rows = list(csv.reader(io.StringIO(as_csv(frame).decode("utf-8-sig"), newline="")))
    assert rows[1][0].startswith("'")
    assert rows[0][0].startswith("'")
    sheet = openpyxl.load_workbook(io.BytesIO(as_xlsx(frame))).active
    assert sheet["A2"].data_type == "s"
    assert sheet["A2"].value.startswith("'")


def test_numbers_days_and_gaps_stay_what_they_are():
    frame = pd.DataFrame(
        {
            "n": [-2.5, float("nan")],
            "i": pd.array([-3, None], dtype="Int64"),
            "d": [pd.Timestamp("2024-05-03"), pd.NaT],
            "l": [["a", "b"], []],
            "b": [True, False],
        }
    )
    sheet = openpyxl.load_workbook(io.BytesIO(as_xlsx(frame))).active
    row = [cell.value for cell in sheet[2]]
    assert row[0] == -2.5 and row[1] == -3
    assert row[2].date() == dt.date(2024, 5, 3)
    assert row[3] == "a; b" and row[4] is True
    assert [cell.value for cell in sheet[3]][:3] == [None, None, None]
    assert "-2.5,-3,2024-05-03,a; b,True" in as_csv(frame).decode("utf-8-sig")


def test_letters_of_any_script_survive_and_control_characters_are_told():
    assert harmless("Ω ground\x07") == "Ω ground⟨U+0007⟩"
    assert harmless("\r=1") == "⟨U+000D⟩=1"
    assert "Ω" in as_csv(pd.DataFrame({"a": ["Ω"]})).decode("utf-8-sig")
    assert harmless(np.int64(4)) == 4
    assert harmless({"a": 1}) == "a: 1"


def test_a_frame_without_rows_keeps_its_header():
    frame = pd.DataFrame({"a": [], "b": []})
    assert as_csv(frame).decode("utf-8-sig").strip() == "a,b"
    sheet = openpyxl.load_workbook(io.BytesIO(as_xlsx(frame))).active
    assert [c.value for c in sheet[1]] == ["a", "b"]


def test_what_was_said_reads_as_words_in_a_download():
    said = [{"says": "60 V from plate to earth", "inspector": None, "sheet": "", "row": 3}]
    assert harmless(said) == "says: 60 V from plate to earth, row: 3"

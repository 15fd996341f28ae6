"""Characters that nobody sees are told by their code, and only they."""

import json
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.offline import connect
from shared.shown import (
    as_html,
    as_markdown,
    escaped_in_json,
    for_spreadsheet,
    from_spreadsheet,
    from_spreadsheet_sql,
    hides_something,
    hides_something_sql,
    visible,
)

CON = connect()
DRAWN = {*range(0x600, 0x606), 0x6DD, 0x890, 0x891, 0x8E2, 0x110BD, 0x110CD}
"""Of the class of formatting characters, those that are drawn."""


def test_every_control_and_formatting_character_is_shown_by_its_code():
    for code in range(sys.maxunicode + 1):
        letter = chr(code)
        unseen = unicodedata.category(letter) in ("Cc", "Cf", "Zl", "Zp", "Cs")
        if unseen and letter not in "\t\n" and code not in DRAWN:
            assert visible(letter) == f"⟨U+{code:04X}⟩"
        elif unicodedata.category(letter) not in ("Cn", "Cc"):
            assert visible(letter) == letter, hex(code)


@pytest.mark.parametrize(
    "raw,shown",
    [
        ("\x1b[31mred", "⟨U+001B⟩[31mred"),
        ("bell\x07", "bell⟨U+0007⟩"),
        ("\x1b]8;;http://evil.example\x1b\\x", "⟨U+001B⟩]8;;http://evil.example⟨U+001B⟩\\x"),
        ("\x9b31m", "⟨U+009B⟩31m"),
        ("a\u202eb", "a⟨U+202E⟩b"),
        ("two\nlines\tand a tab", "two\nlines\tand a tab"),
        ("two\r\nlines\rover", "two\nlines⟨U+000D⟩over"),
        ("Žižkov 🏠 中文", "Žižkov 🏠 中文"),
    ],
)
def test_visible(raw, shown):
    assert visible(raw) == shown


@given(st.text())
def test_json_holds_the_same_value(text):
    packed = escaped_in_json(json.dumps(text, ensure_ascii=False))
    assert json.loads(packed) == text
    assert visible(packed) == packed


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_sql_says_the_same_as_python(text):
    said = CON.execute(f"SELECT {hides_something_sql('$1::VARCHAR')}", [text]).fetchone()
    assert said == (hides_something(text),)


FORMULAS = ("=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "'=1", "＝1")


@pytest.mark.parametrize("text", FORMULAS)
def test_no_cell_is_taken_for_a_formula(text):
    assert for_spreadsheet(text) == "'" + text


@pytest.mark.parametrize(
    "text", ["-5", "+1,250.5", "-", "1e-3", "-1.5e+3", "plain", "", "'s", "a=b"]
)
def test_numbers_and_words_stay(text):
    assert for_spreadsheet(text) == text


@given(st.text(alphabet="'=+-@ \t\r\n5a＝,e") | st.text())
def test_what_was_written_for_a_spreadsheet_reads_back_to_the_same(text):
    cell = for_spreadsheet(text)
    assert from_spreadsheet(cell) == text


@given(st.text(alphabet="'=+-@ \t\r\n5a＝,e"))
def test_sql_takes_it_back_like_python(text):
    said = CON.execute(f"SELECT {from_spreadsheet_sql('$1::VARCHAR')}", [text]).fetchone()
    assert said == (from_spreadsheet(text),)


@pytest.mark.parametrize(
    "text,markup",
    [
        (
            "![x](http://evil.example/x.png)",
            "\\!\\[x\\]\\(http\\:\u2060\\/\\/evil\\.example\\/x\\.png\\)",
        ),
        ("$x$ *b* `c`", "\\$x\\$ \\*b\\* \\`c\\`"),
        (":material/home:", "\\:\u2060material\\/home\\:"),
        ("- a\n# b", "\\- a \\# b"),
        ("www.evil.example", "www\u2060\\.evil\\.example"),
        ("Ostrava 42", "Ostrava 42"),
    ],
)
def test_markdown_shows_text_as_it_is(text, markup):
    assert as_markdown(text) == markup


def test_html_shows_text_as_it_is():
    assert as_html("<img src=x>\u202e\"'") == "&lt;img src=x&gt;⟨U+202E⟩&quot;&#x27;"

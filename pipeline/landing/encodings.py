"""Says whether a text that is not UTF-8 can be Windows-1252, or must be asked about.

Every byte means something in every code page, so a wrong one shows only in words that nobody
writes: a pound sign before a letter, a capital in the middle of a word, a quotation mark between
two letters. Letters of another language that happen to be letters here as well cannot be told; the
report of the intake therefore always names the code page and shows such a word.
"""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.landing.open_question import OpenQuestionError, Question

ASSUMED = "cp1252"
"""The code page that most spreadsheet programs of the west write. Common practice, no source."""

OTHERS = ("cp1250", "mac_roman", "shift_jis", "cp1251", "cp437", "iso8859_15", "gb18030")
"""Code pages that are shown beside it when it is asked."""

MOST_WORDS = 5_000

_WORD = re.compile(r"[^\s,;|\t\"]*[^\x00-\x7f][^\s,;|\t\"]*")

_STRANGE = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x80-\x9f]"  # control characters
    r"|[a-zà-öø-ÿ][À-ÖØ-ÞŒŠŽŸ](?![À-ÖØ-ÞA-Z])"  # a capital within a word
    r"|[À-ÖØ-ÞŒŠŽŸ][A-Z][^\x00-\x7f]"
    r"|\w[“”„‹›«»]\w|[£¥¢€¤¯¨´¸¬¦¶†‡ˆ˜‰©®™§µ±×÷¹²³ªº¼½¾]\w*[a-zA-Zà-öø-ÿ]"
    r"|[a-zA-Zà-öø-ÿ][£¥¢€¤¯¨´¸¬¦¶†‡ˆ˜‰×÷¡¿][a-zA-Zà-öø-ÿ]"
)


def strange_words(text: str) -> list[str]:
    """Return words of a text, read as Windows-1252, that nobody writes."""
    words = dict.fromkeys(match[0] for match in _WORD.finditer(text))
    return [word for word in list(words)[:MOST_WORDS] if _STRANGE.search(word)]


def telling_word(text: str) -> str:
    """Return the first word of a text that is not ASCII, or ""."""
    match = _WORD.search(text)
    return match[0] if match else ""


def ask_encoding(name: str, original: Path, words: list[str]) -> OpenQuestionError:
    """Return the refusal that asks for a code page, with one word as each would read it."""
    raw = words[0].encode(ASSUMED, errors="replace")
    with original.open("rb") as handle:
        content = handle.read(1 << 24)
    if raw not in content:
        raw = next(iter(re.findall(rb"[^\s,;\"]*[\x80-\xff][^\s,;\"]*", content)), raw)
    shown = []
    for encoding in (ASSUMED, *OTHERS):
        try:
            shown.append(f"{encoding}: {raw.decode(encoding)!r}")
        except UnicodeDecodeError:
            continue
    found = f"the text is not UTF-8, and {words[0]!r} is no word in {ASSUMED}"
    question = Question(
        "encoding", "", found, tuple(f"encoding={name}" for name in (*OTHERS, ASSUMED))
    )
    return OpenQuestionError(
        f"{name}: {found}; it reads as {', '.join(shown)}",
        expected="UTF-8, or a code page in which every word can be read",
        to_do="say which one with --set encoding=NAME, or save the file again as CSV in UTF-8",
        questions=[question],
    )

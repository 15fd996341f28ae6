"""Says whether a text that is not UTF-8 can be Windows-1252, or must be asked about.

Every byte means something in every code page, so a wrong one shows only in words that nobody
writes: a pound sign before a letter, a capital in the middle of a word, a quotation mark between
two letters. Letters of another language that happen to be letters here as well cannot be told:
where they stand in the name of a place, which evidence hangs on, it is asked.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from pipeline.landing.open_question import OpenQuestionError, Question

ASSUMED = "cp1252"
"""The code page that most spreadsheet programs of the west write. Common practice, no source."""

OTHERS = (
    *("cp1250", "mac_roman", "shift_jis", "cp1251", "cp437", "iso8859_15", "gb18030", "cp1257"),
    *("cp1253", "koi8_r"),
)
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


_OTHER_SCRIPTS = ("cp1251", "cp1253")
RIVALS = ("cp1250", "cp1257", *_OTHER_SCRIPTS)
"""Code pages whose letters are letters of Windows-1252 as well."""

_RUN = re.compile(r"[^\W\d_]+")


def rival_word(names: Sequence[str]) -> str:
    """Return a name, read as Windows-1252, that another code page reads as letters too; or "".

    A code page is a rival only where it reads every such name: letters for letters, and no word of
    two scripts, so that ``Mühle`` is not asked about.
    """
    runs = {run: name for name in names for run in _RUN.findall(name) if not run.isascii()}
    for rival in RIVALS:
        read = {run: run.encode(ASSUMED).decode(rival, errors="replace") for run in runs}
        letters = all(other.isalpha() for other in read.values())
        mixed = rival in _OTHER_SCRIPTS and any(each.isascii() for run in runs for each in run)
        differing = [run for run, other in read.items() if other != run]
        if letters and not mixed and differing:
            return runs[differing[0]]
    return ""


def is_utf8_with_halves(original: Path) -> bool:
    """Say whether a text is UTF-8 but for halves of characters (surrogates), which some programs
    write for what they cannot."""
    try:
        with original.open("r", encoding="utf-8", errors="surrogatepass", newline="") as handle:
            while handle.read(1 << 20):
                pass
    except UnicodeDecodeError:
        return False
    return True


def ask_encoding(name: str, original: Path, words: list[str], why: str = "") -> OpenQuestionError:
    """Return the refusal that asks for a code page, with one word as each would read it.

    Args:
        name: of the file.
        original: its bytes.
        words: read as Windows-1252; the first is shown.
        why: what makes it open; that the word is none by default.
    """
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
    found = f"the text is not UTF-8, and {words[0]!r} {why or f'is no word in {ASSUMED}'}"
    question = Question(
        "encoding", "", found, tuple(f"encoding={name}" for name in (*OTHERS, ASSUMED))
    )
    return OpenQuestionError(
        f"{name}: {found}; it reads as {', '.join(shown)}",
        expected="UTF-8, or a code page in which every word can be read",
        to_do="say which one with --set encoding=NAME, or save the file again as CSV in UTF-8",
        questions=[question],
    )

"""What a row's own note says against it: one definition, for whatever a look may settle, and for
the report of a repair.

A row with complete good cells and the note "copied from last year" or "breaker locked" shows
nothing. It takes no opening off the urgent list, answers no report and proves no repair, until
somebody looks whose note agrees with the cells. A danger that the row itself tells stands all the
same, and whatever text tells one (``shared.report_words``) speaks against its row: both are asked
of the note as ``without_past`` leaves it. Where words can be read two ways they are read against
the row: a second look is what that costs. A repair is not done where the note of its report says
so, or speaks of danger; what was wrong with the wiring before is named there and says nothing
against it. The words stand in ``note_words``. Common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

import duckdb

from pipeline.landing.note_words import (
    DEAD,
    ELSEWHERE,
    LEFT_UNDONE,
    LOOKED,
    NO_ENTRY,
    NOT_IN,
    NOT_SEEN,
    ONLY_PAPER,
    PAST,
    STILL_UNGROUNDED,
    STILL_WRONG,
    words,
)
from pipeline.landing.row_kinds import (
    has_danger_words,
    has_danger_words_sql,
    speaks_of_danger,
)
from pipeline.landing.voided import SAYS_UNREAL, SAYS_UNTESTED, SAYS_VOID
from shared.records import literal
from shared.report_words import is_urgent, is_urgent_sql
from shared.vocabulary import Result

_NOT_DONE = words(
    r"(before|prior to)( the| any| our)? (fix|repairs?|work)",
    rf"(will|shall|must|needs?|have|has)( to)?( be)? {LOOKED}",
    r"(should|ought to|must|might|may|could|probably|presumably|seems?( to be)?|appears?( to be)?)"
    r"( be| is)? (ok(ay)?|fine|good|safe|fixed|done|alright|all right|dead|live)",
    r"(un|not )sure|uncertain|guess(ed|ing)?|(re-? ?(test|check|look))( is| was)? (needed|required|"
    r"pending|later)",
    r"loose (wires?|wiring|conductors?|connections?|terminals?)",
)
"""That the look is of no use."""

_NO_WORK = words(*LEFT_UNDONE, *STILL_WRONG, *NO_ENTRY, *ELSEWHERE, *ONLY_PAPER)
"""Against a look and against the report of a repair alike."""

TAKEN_BACK = "|".join(
    (DEAD, words(*NOT_SEEN), _NOT_DONE, _NO_WORK, NOT_IN, SAYS_VOID, SAYS_UNTESTED, SAYS_UNREAL)
)
"""Words over lower case by which a note takes its own row back."""

_ON_A_LIVE_CIRCUIT = words(
    r"(circuit|line|supply|feed|branch|breaker|power)"
    r"( (is|was|were|while|when|being|kept|left|still|power))* (live|energi[sz]ed|on)",
    r"(tested|checked|measured|looked at)( (is|was|were|while|when|being|still))*( with)?( the)?"
    r" (live|energi[sz]ed|power( still)? on)",
)
"""That the circuit was live, as it has to be: no words of danger."""

AGREES: dict[Result, str] = {
    Result.OPEN_GROUND: words(
        r"(still( (is|reads?|shows?|has|tests?|as))* )?(un-?(grounded|earthed)|not (grounded|"
        r"earthed)|(2|two)[ -]wires?( only)?)",
        r"(still( (is|reads?|shows?|has|tests?|as|an?))* )?(no|open|missing|"
        r"without( an?| any)?) (equipment )?(ground(ing)?|gnd|grd|earth)( wire| conductor| path)?",
    ),
    Result.FALSE_GROUND: words(
        r"boot[ _-]?leg\w*|false[ _-]grounds?( found| seen)?|jumper(s|ed)?( wire)?( (is|was|seen|"
        r"found|present|fitted|installed|behind|still|there|in place|between|from|across|to|"
        r"remains))*",
    ),
    Result.OPEN_NEUTRAL: words(r"open neutral( found| seen)?"),
}
"""Words that say no more than what the row found: they tell of no other danger."""

NO_REPAIR = "|".join(
    (
        _NO_WORK,
        words(
            r"left( (it|them|the|jumper|bootleg))* (in( place)?|as (it )?(is|was|found))"
            r"( *[.,;].*)?$"
        ),
        NOT_IN,
        SAYS_VOID,
        SAYS_UNREAL,
    )
)
"""Words over lower case by which the note of a repair's report says that there was none."""

_PUT_RIGHT = (
    *AGREES.values(),
    _ON_A_LIVE_CIRCUIT,
    words(
        r"rev(erse[d]?)?[ -]polarity|polarity( (is|was))? rev\w*|(no|without|missing|lost) ground",
        r"(hot|h)[ /&-]*(and)?[ /&-]*(neutral|n)( (is|was|were))?[ /-]*(rev|swap)\w*|mis-?wir\w*",
        r"(replaced|removed|exchanged|renewed|changed|swapped|cut out)"
        r"( (the|an?|old|and|burn(t|ed)|scorched|charred|melted|blackened|discolou?red|damaged|"
        r"defective|broken))*",
    ),
)
"""What the note of a repair's report may name as found before: no live metal, shock or heat that is
left."""

_FIT = (Result.CORRECT, Result.POOR_GROUND, *AGREES)
"""What a row may find that words of danger contradict; any other result tells of one itself."""


_NAMES = ("firm", "worker")
_NUMBERS = ("licence", "permit", "invoice")
_SENTENCE = words(
    r"still|again|gets?|got|has|had|is|are|was|were|feels?|felt|when|from|reports?|reported|says?|"
    r"tenants?|child(ren)?|touch\w*|not|no|noch|todav[ií]a|encore"
)
_MARKS = r"^\s*\S*\s*$"
_FILE = r"[/\\]|\.[a-z0-9]{2,5}\s*$"
"""A firm may be called "Spark Electric", a permit "ARC-12", a file "burnt_plate.jpg": what stands
there speaks of danger only where it is no name, no number and no file."""


def _now(note: str) -> str:
    """A note as its words are asked of it: lower case, without what is past."""
    said = note.lower().replace("’", "'")
    for past in PAST:
        said = re.sub(past, " , ", said)
    return said


def without_past(note: str) -> str:
    """Return SQL for a note in lower case without what says nothing of how things are now."""
    said = f"replace(lower({note}), '’', {literal(chr(39))})"
    for past in PAST:
        said = f"regexp_replace({said}, {literal(past)}, ' , ', 'g')"
    return said


def speaks_against(note: str, found: Result) -> bool:
    """Say whether a note speaks against the row that it stands in.

    Args:
        note: the note.
        found: the result that the row reports, or that its repair is to leave.
    """
    said = plain = _now(note)
    for agrees in (AGREES.get(found), _ON_A_LIVE_CIRCUIT):
        plain = re.sub(agrees, " , ", plain) if agrees else plain
    if re.search(TAKEN_BACK, plain):
        return True
    return found in _FIT and (is_urgent(said) or has_danger_words(plain))


def left_of_report(text: str) -> str:
    """Return SQL for a text of a repair's report without what it may name as put right: what
    then speaks of danger speaks of what is left."""
    said = without_past(text)
    for right in _PUT_RIGHT:
        said = f"regexp_replace({said}, {literal(right)}, ' , ', 'g')"
    return said


DANGER_LEFT = "speaks of danger"


def report_speaks_against(note: str, *, ungrounded: bool = False) -> str:
    """Say what the note of a repair's report says against it, in words; "" where nothing.

    Args:
        note: the note.
        ungrounded: the repair may leave no ground.
    """
    said = _now(note)
    against = [DANGER_LEFT] if _danger_left(said) else []
    if re.search(NO_REPAIR, said) or (not ungrounded and re.search(STILL_UNGROUNDED, said)):
        against.append("says that it was not done, or takes the report back")
    return " and ".join(against)


def _danger_left(said: str) -> bool:
    for right in _PUT_RIGHT:
        said = re.sub(right, " , ", said)
    return speaks_of_danger(said)


def danger_beside(report: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the columns of a repair's report beside its note that speak of danger that is left,
    with what stands there.

    Args:
        report: firm, worker, licence, permit, invoice and attachments (a sequence of them).
    """
    files: Sequence[str] = report.get("attachments") or ()
    cells = [(name, report.get(name)) for name in (*_NAMES, *_NUMBERS)]
    cells += [("attachments", each) for each in files]
    return [
        (name, cell)
        for name, cell in cells
        if cell and not _is_name(name, cell.lower()) and _danger_left(_now(cell))
    ]


def _is_name(column: str, cell: str) -> bool:
    if column in _NAMES:
        return not re.search(_SENTENCE, cell)
    return bool(re.search(_FILE if column == "attachments" else _MARKS, cell))


def texts_of_reports(rows: str) -> str:
    """Return a SELECT of what is asked for danger in reports of repairs: all columns of the row,
    ``name`` of the column, ``said`` as it stands there and ``t`` as it is asked.

    Args:
        rows: SQL table of landed reports.
    """
    sentence, file = literal(_SENTENCE), literal(_FILE)
    asked = {"note": "true"}
    asked |= {n: f"regexp_matches(lower({n}), {sentence})" for n in (*_NAMES, "remedy")}
    asked |= {n: f"NOT regexp_matches({n}, {literal(_MARKS)})" for n in _NUMBERS}
    said = [
        f"SELECT *, '{name}' AS name, {name} AS said FROM {rows} WHERE {name} <> '' AND {when}"
        for name, when in asked.items()
    ]
    said.append(
        "FROM (SELECT *, 'attachments' AS name, "
        f"trim(unnest(string_split_regex(attachments, '[;\\n]'))) AS said FROM {rows} "
        f"WHERE attachments <> '') WHERE NOT regexp_matches(lower(said), {file})"
    )
    return f"SELECT *, {left_of_report('said')} AS t FROM ({' UNION ALL '.join(said)})"


def any_note(con: duckdb.DuckDBPyConnection, looks: str) -> bool:
    """Whether any row of a table of looks bears a note."""
    return bool(con.execute(f"SELECT 1 FROM {looks} WHERE note IS NOT NULL LIMIT 1").fetchall())


def create_macro(con: duckdb.DuckDBPyConnection, *, any_notes: bool = True) -> None:
    """Make the macros ``note_of_now(note)``, what is asked for danger, and
    ``note_against(note, result)``, by the same rules; false for NULL. Ask them of distinct notes.
    Their words take a tenth of a second wherever they are asked, even of nothing: where there are
    no notes they are made without them."""
    now = without_past("said") if any_notes else "said"
    con.execute(f"CREATE OR REPLACE TEMP MACRO note_of_now(said) AS {now}")
    if not any_notes:
        con.execute("CREATE OR REPLACE TEMP MACRO note_against(said, found) AS false")
        return
    cases = " ".join(
        f"WHEN {literal(found.value)} THEN regexp_replace({now}, {literal(agrees)}, ' , ', 'g')"
        for found, agrees in AGREES.items()
    )
    plain = f"CASE found {cases} ELSE {now} END"
    plain = f"regexp_replace({plain}, {literal(_ON_A_LIVE_CIRCUIT)}, ' , ', 'g')"
    fit = ", ".join(literal(each.value) for each in _FIT)
    con.execute(
        "CREATE OR REPLACE TEMP MACRO note_against(said, found) AS "
        f"coalesce(regexp_matches({plain}, {literal(TAKEN_BACK)}), false) "
        f"OR (coalesce(found IN ({fit}), false) "
        f"AND coalesce({is_urgent_sql(now)} OR {has_danger_words_sql(plain)}, false))"
    )

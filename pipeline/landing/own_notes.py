"""What a row's own note says against it: one definition, for whatever a look may settle, and for
the report of a repair.

A row with complete good cells and the note "copied from last year" or "breaker locked" shows
nothing. It takes no opening off the urgent list, answers no report and proves no repair, until
somebody looks whose note agrees with the cells. A danger that the row itself tells stands all the
same. Where words can be read two ways they are read against the row: a second look is what that
costs. A repair is not done where the note of its report says so, or speaks of danger; what was
wrong with the wiring before is named there and says nothing against it. Common practice, no source.
"""

from __future__ import annotations

import re

import duckdb

from pipeline.landing.row_kinds import speaks_of_danger, speaks_of_danger_sql
from pipeline.landing.voided import SAYS_UNREAL, SAYS_UNTESTED, SAYS_VOID
from shared.records import literal
from shared.vocabulary import Result

_OPENING = (
    r"(one|outlet|receptacle|socket|opening|box|room|unit|apartment|flat|building|address|plug)"
)
_OTHERS = (
    r"(electrician|contractor|worker|workman|firm|company|super(intendent)?|landlord|landlady|"
    r"owner|manager|foreman|office|inspector|colleague|apprentice)"
)
_LOOK = r"(re-? ?)?(check|test|verif|inspect|look|measur|confirm|visit)\w*"


def _words(*words: str) -> str:
    return rf"(^|[^a-z])({'|'.join(words)})($|[^a-z])"


_DEAD = _words(
    r"(power|current|mains?|electricity|supply)( (is|was|were|still|had been|has been|all))*"
    r"( (turned|switched|shut))? (off|out|down|cut|isolated|disconnected)",
    r"(turned|switched|shut) off( at)?( the)? (mains?|panel|breaker|fuse)",
    r"off at( the)? (mains?|panel|breaker|fuse ?box)",
    r"(breaker|fuse|disconnect)( (is|was|were|still|found|left|had been))*"
    r"( (turned|switched|shut))? (off|out|locked|pulled|removed|open|missing)",
    r"breaker (is|was|found|had) tripped|locked[ -]?(out|off)|lock[ -]?out|loto",
    r"de-? ?energi[sz]ed|(not|un) ?-?energi[sz]ed|not live|(not|no longer) (powered|on)",
    r"(circuit|line|outlet|receptacle|socket|opening|everything|feed|box|branch|unit|building)"
    r"( (is|was|were|still|found|completely|all))* (dead|off|isolated)",
    r"dead (circuit|line|feed|outlet|receptacle|socket|opening|box|when|at)|(tested|checked) dead",
    r"(no|without|lost) (power|supply|mains|electricity|current|juice)|unpowered",
    r"no (voltage|volts)( present| there| at all)?( at( the)? "
    r"(outlet|receptacle|socket|opening|breaker|panel))?\s*($|[.,;:])",
    r"continuity( test(ed|s)?| check(ed)?)? only|only( (for|by|a))? continuity",
    r"sin (corriente|luz|energ[ií]a|electricidad)|(luz|corriente|breaker) (cortad[oa]|apagad[oa])",
    r"spannungsfrei|spannungslos|stromlos|abgeschaltet|sicherung (raus|heraus|aus|ausgeschaltet)",
    r"kein strom|hors tension|sans courant|(courant|disjoncteur) coup[ée]e?|bez napi[eę]cia",
)
"""That the circuit was dead: then no reading of it tells anything."""

_NOT_SEEN = _words(
    rf"not (the |at the )?(same|this|that|right|correct) {_OPENING}",
    rf"(wrong|different|another) {_OPENING}",
    rf"(as )?per( the| an?| my| our)? ({_OTHERS}|phone|e-?mail|invoice|tenant|report|records?)",
    r"according to|hear-? ?say|second[ -]hand|(told|reported|stated|confirmed|said) by"
    rf"( the| an?)? ({_OTHERS}|tenant)",
    rf"{_OTHERS} (says?|said|told|tells|claims?|claimed|reports?|reported|states?|stated|"
    r"confirms?|confirmed|assures?|assured)",
    r"(not|never)( been)? (seen|witnessed|done|checked|tested|looked at)( personally)? by (me|us|"
    r"myself)|(by|over the|on the) (tele)?phone|from (a )?(photo(graph)?s?|memory|records?)"
    r"|(photos?|paper(work)?|desk(top)?|remote(ly)?) only",
    r"(from|as|like|of) (the )?last (year|time|report|visit|inspection)"
    r"|last year'?s? (report|values?|readings?|list|file)|same (readings?|values|results?) as",
    r"(not|never|un)( been| be| yet)*[ -]?(verified|confirmed|measured)",
    r"(did|could|can|was|were) ?(not|n['’]?t)( able to| be)? (open|verify|measure|confirm|enter|"
    r"visit|see inside|remove|see in)\w*|unable to (open|verify|measure|confirm|enter|remove)",
    r"(cover|plate|faceplate)( was| is)? ((left|stayed|kept|still) )?(on|closed|shut|painted shut)",
    r"without (opening|removing|taking|testing|looking|seeing|measuring)",
    r"no es (el|la) mism[oa]|otr[oa] (toma|enchufe|contacto)|no (verificad|revisad|abiert)[oa]s?"
    r"|copiad[oa]|anulad[oa]|seg[uú]n el electricista",
    r"nicht (dieselbe|die gleiche|diese|gesehen|ge[öo]ffnet|gemessen)|falsche (dose|steckdose)"
    r"|laut (elektriker|mieter|firma)|kopiert|ung[üu]ltig|storniert|annahme",
    r"pas (la m[eê]me|cette prise|vu|ouvert|v[ée]rifi[ée]e?)|selon l['’ ]?[ée]lectricien"
    r"|copi[ée]e?|annul[ée]e?",
)
"""That whoever wrote the row did not see or measure it at this opening."""

_LEFT_UNDONE = (
    r"(not|never|n['’]t)( been| be| yet| fully| quite)* (removed|taken off|opened|finished|done|"
    r"completed?|repaired|fixed|replaced|corrected|ready|working|made|started|carried out)",
    r"(cover|plate) (is |was )?(not|never) (off|open)|unfinished|incomplete",
    r"still (in place|there|present|open|loose|missing|wrong|in( the)? (box|circuit)|connected)",
    r"(jumper|bootleg|defect|fault|problem)s? (still )?remains?",
    r"(fix|repairs?|work) (is |was |still )?(pending|outstanding|to follow|not)",
    r"(still )?to be (done|finished|repaired|replaced|completed|corrected|verified|confirmed|"
    r"(re-? ?)?(checked|tested))",
    r"temporar(y|ily)|(todav[ií]a|a[uú]n) no|sin terminar|noch nicht|pas encore",
)
_NOT_DONE = _words(
    *_LEFT_UNDONE,
    r"(before|prior to)( the| any| our)? (fix|repairs?|work)",
    rf"(will|shall|must|needs?|have|has)( to)?( be)? {_LOOK}",
    r"(should|ought to|must|might|may|could|probably|presumably|seems?( to be)?|appears?( to be)?)"
    r"( be| is)? (ok(ay)?|fine|good|safe|fixed|done|alright|all right|dead|live)",
    r"(un|not )sure|uncertain|guess(ed|ing)?|(re-? ?(test|check|look))( is| was)? (needed|required|"
    r"pending|later)",
    r"loose (wires?|wiring|conductors?|connections?|terminals?)",
)
"""That work or look was left undone."""

TAKEN_BACK = rf"{_DEAD}|{_NOT_SEEN}|{_NOT_DONE}|{SAYS_VOID}|{SAYS_UNTESTED}|{SAYS_UNREAL}"
"""Words over lower case by which a note takes its own row back."""

_ON_A_LIVE_CIRCUIT = _words(
    r"(circuit|line|supply|feed|branch|breaker|power|tested|checked|measured|looked at)"
    r"( (is|was|were|while|when|being|kept|left|still|with|power))* (live|energi[sz]ed|on)",
)
"""That the circuit was live, as it has to be: no words of danger."""

AGREES: dict[Result, str] = {
    Result.OPEN_GROUND: _words(
        r"un-?(grounded|earthed)|not (grounded|earthed)|(2|two)[ -]wires?( only)?",
        r"(no|open|missing|without( an?| any)?) (equipment )?(ground(ing)?|gnd|grd|earth)"
        r"( wire| conductor| path)?",
    ),
    Result.FALSE_GROUND: _words(
        r"boot[ _-]?leg\w*|false[ _-]grounds?( found| seen)?|jumper(s|ed)?( wire)?( (is|was|seen|"
        r"found|present|fitted|installed|behind|still|there|in place|between|from|across|to|"
        r"remains))*",
    ),
    Result.OPEN_NEUTRAL: _words(r"open neutral( found| seen)?"),
}
"""Words that say no more than what the row found: they tell of no other danger."""

NO_REPAIR = "|".join(
    (
        _words(
            *_LEFT_UNDONE,
            r"(did|could|can|was|were) ?(not|n['’]?t)( be| able to)? (do|finish|complete|repair|"
            r"fix|replace|start|enter|get (in|to|at))\w*|unable to (do|finish|complete|repair|"
            r"fix|replace|start|enter|get (in|to|at))",
            r"(half|partly|partially|only part) (done|finished|completed?|repaired|fixed)",
            r"left( (it|them|the|jumper|bootleg))* (in( place)?|as (it )?(is|was|found))"
            r"( *[.,;].*)?$",
            r"(no|refused|denied) (access|entry)|(refused|denied) (us|me)|nobody (at )?home",
            r"(will|shall|must|need to|have to) (come|go|be) back|to be continued",
        ),
        SAYS_VOID,
        SAYS_UNREAL,
    )
)
"""Words over lower case by which the note of a repair's report says that there was none."""

_PUT_RIGHT = (
    *AGREES.values(),
    _ON_A_LIVE_CIRCUIT,
    _words(
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


def speaks_against(note: str, found: Result) -> bool:
    """Say whether a note speaks against the row that it stands in.

    Args:
        note: the note.
        found: the result that the row reports, or that its repair is to leave.
    """
    said = note.lower()
    if re.search(TAKEN_BACK, said):
        return True
    if found not in _FIT:
        return False
    for agrees in (AGREES.get(found), _ON_A_LIVE_CIRCUIT):
        said = re.sub(agrees, " , ", said) if agrees else said
    return speaks_of_danger(said)


def left_of_report(note: str) -> str:
    """Return SQL for the note of a repair's report without what it may name as put right: what
    then speaks of danger speaks of what is left."""
    said = f"lower({note})"
    for words in _PUT_RIGHT:
        said = f"regexp_replace({said}, {literal(words)}, ' , ', 'g')"
    return said


def report_speaks_against(note: str) -> str:
    """Say what the note of a repair's report says against it, in words; "" where nothing."""
    said = note.lower()
    if re.search(NO_REPAIR, said):
        return "says that it was not done, or takes the report back"
    for words in _PUT_RIGHT:
        said = re.sub(words, " , ", said)
    return "speaks of danger" if speaks_of_danger(said) else ""


def any_note(con: duckdb.DuckDBPyConnection, looks: str) -> bool:
    """Whether any row of a table of looks bears a note."""
    return bool(con.execute(f"SELECT 1 FROM {looks} WHERE note IS NOT NULL LIMIT 1").fetchall())


def create_macro(con: duckdb.DuckDBPyConnection, *, any_notes: bool = True) -> None:
    """Make the macro ``note_against(note, result)``, by the same rules; false for NULL. Ask it of
    distinct notes. Its words take a tenth of a second wherever they are asked, even of nothing:
    where there are no notes it is made without them."""
    if not any_notes:
        con.execute("CREATE OR REPLACE TEMP MACRO note_against(said, found) AS false")
        return
    cases = " ".join(
        f"WHEN {literal(found.value)} "
        f"THEN regexp_replace(lower(said), {literal(words)}, ' , ', 'g')"
        for found, words in AGREES.items()
    )
    plain = f"CASE found {cases} ELSE lower(said) END"
    plain = f"regexp_replace({plain}, {literal(_ON_A_LIVE_CIRCUIT)}, ' , ', 'g')"
    fit = ", ".join(literal(each.value) for each in _FIT)
    con.execute(
        "CREATE OR REPLACE TEMP MACRO note_against(said, found) AS "
        f"coalesce(regexp_matches(lower(said), {literal(TAKEN_BACK)}), false) "
        f"OR (coalesce(found IN ({fit}), false) AND {speaks_of_danger_sql(plain)})"
    )

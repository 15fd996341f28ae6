"""Tells what a single row of a file is: a header, a total, a remark, a pair of key and value, data.

The words are common practice, no source: collected from how spreadsheets and printed reports are
usually headed, summed up and signed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import lru_cache

import duckdb

from shared.records import literal
from shared.report_words import is_urgent, is_urgent_sql

Cells = Sequence[str | None]
"""One row of text cells."""

IsKnown = Callable[[str], bool]
"""Says whether a normalised name is a header that some layout or mapping knows."""

_NUMBER_OR_DATE = re.compile(r"[\s\d.,:/+\-eE%]*\d[\s\d.,:/+\-eE%]*")

_FIGURE = re.compile(r"[\s\d.,:/+\-%$€£]*")

_TOTAL = re.compile(
    r"(grand|sub)[\s\-]*totals?\b.*|(grand|sub|page|report|over-?all)?[\s\-]*totals?\s*[:=#]?\s*"
    r"([\d.,]+.*|(of|for|number|no\.?|rows|records|outlets|openings|receptacles|buildings|units)\b.*)?"
    r"|.{1,60}\s(sub)?totals?\s*:?|sums? of .*"
    r"|(sum|summe|gesamt|gesamtsumme|insgesamt|zwischensumme|totaal|totale|suma|somme|"
    r"average|avg\.?|mean|median|count|row count|record count|"
    r"no\.? of (rows|records|outlets|openings)|"
    r"(rows|records)( (read|exported|total))?)\s*([:=].*)?"
    r"|total g[ée]n[ée]ral.*|[\d.,]+ (rows|records|row\(s\)|record\(s\)|entries)( .*)?",
    re.I,
)

_REMARK = re.compile(
    r"(report |file |list |data |sheet )?(generated|printed|exported|created|produced|downloaded|"
    r"extracted|prepared|compiled|checked|approved|reviewed|signed|issued)\b.*"
    r"|(generated|printed|exported|created|prepared) (by|on|at|from)\b.*"
    r"|page \d+.*|end( of .*)?|-+ *end.*|eof|source\s*:.*|legend\s*:.*|key\s*:.*"
    r"|notes?\s*:.*|n\.?b\.?[:\s]\s.*"
    r"|disclaimer.*|confidential.*|copyright.*|signature.*|©.*|\*+.*|[-=_*#~.]{3,}"
    r"|version\b.*|as (of|at)\b.*|filter(s|ed)?\b.*|all rights.*|continued.*|\(?cont(inue)?d\.?\)?",
    re.I,
)

GFCI_FAULT = (
    r"(gf?ci|rcd|rcbo)( (outlet|receptacle|device|breaker|protection|test|button))?"
    r"( (is|was|has been|found|now|seems))* "
    r"(dead|removed|missing|defective|broken|bad|stuck|inoperative|bypassed|gone|expired|"
    r"(not|no longer) (working|tripping|protect\w+|present|functional|there)|(does|did|do|will|"
    r"would|could|wo|ca)( not|n'?t) (work|trip|reset|protect|function)|replaced (by|with) (a )?"
    r"(plain|ordinary|standard|regular|normal))|no longer gf?ci"
    r"|(dead|defective|broken|bypassed|missing|faulty) gf?ci"
)
"""Words that a GFCI protects no longer: no look reports it by its result."""

DANGER = re.compile(
    r"(^|[^a-z])(open[\s_\-]*(ground|gnd|earth|neutral|hot)|no[\s_\-]*(ground|gnd|earth)"
    r"|boot[\s_\-]*leg(ged)?|false[\s_\-]*(ground|gnd|earth)|rev(erse[d]?)?[\s_\-]*pol(arity)?"
    r"|polarity[\s_\-]*rev(ersed)?|hot[\s_\-/]*(and[\s_\-]*)?neu(tral)?[\s_\-]*(rev|swap)\w*"
    r"|h[\s_\-/]*n[\s_\-]*rev\w*|(hot|h)[\s_\-/]*(ground|gnd|g)[\s_\-]*rev\w*"
    r"|(plate|case|cover|metal|chassis|enclosure|screw)[\s_\-]*(is[\s_\-]*|was[\s_\-]*)?"
    r"(live|hot|energi[sz]ed)|live[\s_\-]*(plate|case|cover|metal|chassis)|energi[sz]ed"
    r"|electric[\s_\-]*shock|got a shock|shocks?[\s_\-]*(felt|reported|from)|ungrounded"
    r"|mis[\s_\-]?wir(ed|e|ing)|not (grounded|earthed)|jumpered|rpbg|bootlegs?|no grd"
    r"|neutral[\s_\-]*((to|and|&)[\s_\-]*)?ground[\s_\-]*(jumper|tied|bonded|connected)"
    r"|hot[\s_\-]*(&|and)[\s_\-]*neutral[\s_\-]*(rev|swap)\w*|(lost|missing) (ground|neutral|earth)"
    r"|(ground|neutral|earth) (is )?(missing|lost)|got shocked|shock(ed|ing)|tingl(e|es|ing)|zapped"
    r"|sparks?|sparking|shocks?|hot to (the )?touch|arc(s|ed|ing)|melt(s|ed|ing)?|buzz(es|ing)?"
    r"|jumper (wire )?(was )?(found|seen|present|fitted|installed|behind)"
    r"|burnt|burned|scorch(ed)?|(is|was|were) live|fail(ed|s|ure)?|unsafe|dangerous"
    r"|jumper(s|ed|ing)?( wire)? (between|from|across|to)"
    r"|(bonds?|bonded|bonding|tied|strapped) (the )?(neutral|ground|earth|n|g) (to|and|with)"
    r"|(neutral|ground|earth|n|g) (is |was )?(bonded|tied|jumpered|strapped|connected) (to|with) "
    r"(the )?(neutral|ground|earth|n|g)"
    r"|(ground|grounding|earth|egc|pe)( wire| conductor| prong| pin)? (is |was )?(not|never|isn'?t|"
    r"wasn'?t|snapped|broken|cut|loose|disconnected)"
    r"|[1-9][0-9][0-9.]* ?(v|vac|volts?) (between |from )?(the )?(neutral|ground|earth|n|g)"
    r"( to | and |[ /-])(the )?(neutral|ground|earth|n|g|plate|case|metal|screw)"
    r"|[1-9][0-9][0-9.]* ?(v|vac|volts?) (on|at|to) (the )?(plate|case|cover|metal|screw|radiator|"
    r"pipe|sink|fridge|stove)"
    r"|hanging( out| loose| off)|crackl(es?|ing)|fizz(es|ing)|flicker(s|ed|ing)?|jolt(s|ed)?"
    r"|smok(ed|ing)|smoke (seen|from|came|out|coming)|bites|zap(s|ping)?|charred|blackened"
    r"|(warm|hot) (plate|cover|receptacle|outlet|plug|socket|wall)"
    r"|(receptacle|outlet|socket|plug|plate|cover|wall)( is| was| feels| gets)? (warm|hot)"
    r"|(brown|black|dark) ?(burn )?(marks?|stains?|around)|discolou?red"
    r"|(exposed|bare) (live |hot )?(wires?|wiring|parts?|conductors?|copper|terminals?)"
    r"|live (parts?|wires?|conductors?)|water damaged?|wet (box|outlet|receptacle|wall)"
    r"|(would|will|did|does)( not|n'?t) trip|(won'?t|never|failed to) trip"
    r"|(2|two)[ -]wires? only|only (2|two)[ -]wires?|no new wires?|cheater"
    r"|(amber|lamps?|lights?|glow(s|ed)?) (only|dim|faint(ly)?)"
    r"|kein(en?)? (schutzleiter|erdung|pe)|(schutzleiter|erdung|erde|pe) fehlt|fehlt|nullung"
    r"|(nulleiter|neutralleiter) gebr(ü|ue)ckt|angeschmort|verschmort|verbrannt|funken|kribbelt"
    r"|no hay tierra|quemad[oa]s?|pelad[oa]s?|chispas?|calambre|puenteado"
    r"|br[ûu]l[ée]e?s?|[ée]tincelles?|d[ée]nud[ée]s?|bez uziemienia"
    r"|(neutral|n)( (reads?|is|at|shows?|has|measure[sd]|still))* [1-9][0-9][0-9.]* ?(v|vac|volts?)"
    r" (to|from|against|and|vs) (the )?(ground|earth|g|plate|case|metal|screw)"
    r"|(neutral|n)( to |[ /-])(the )?(ground|earth|g)( (is|reads?|at|of|shows?|=))* "
    r"[1-9][0-9][0-9.]* ?(v|vac|volts?)|overheat(s|ed|ing)?"
    r"|(noch|weiter(hin)?) unter (spannung|strom)"
    r"|(was|were|got|been|gets?) (badly |slightly )?(hurt|injured|hospitali[sz]ed)"
    rf"|sin tierra|pas de (la )?terre|keine erde|ohne schutzleiter|{GFCI_FAULT})"
    r"($|[^a-z])|接地なし|нет заземления",
    re.I,
)
"""Words of danger or of a result, beside those that make a report urgent (``report_subjects``):
what stands in a column or line that nobody reads is never passed over in silence when it matches.
Common practice, no source."""

SUBJECTS: dict[str, re.Pattern[str]] = {
    name: re.compile(rf"(^|[^a-z])({words})($|[^a-z])", re.I)
    for name, words in {
        "smoke or gas alarms": r"smoke|smoke[\s_\-]*(alarm|detector)s?|co[\s_\-]*(alarm|detector)s?"
        r"|carbon[\s_\-]*monoxide[\s_\-]*(alarm|detector)?s?|heat[\s_\-]*detectors?"
        r"|gas[\s_\-]*(alarm|detector)s?",
        "doors and windows": r"(fire|entry|front|exit)?[\s_\-]*doors?|windows?"
        r"|door[\s_\-]*closers?",
        "fire equipment": r"(fire[\s_\-]*)?extinguishers?|sprinklers?|fire[\s_\-]*hoses?|hydrants?",
        "lights": r"luminaires?|lights?|light[\s_\-]*(fixture|switch)(e?s)?|exit[\s_\-]*signs?",
        "heating and plumbing": r"boilers?|radiators?|furnaces?|water[\s_\-]*heaters?|faucets?"
        r"|taps?|toilets?|drains?",
        "meters and controls": r"(water|gas|heat)[\s_\-]*meters?|thermostats?|doorbells?"
        r"|(ev|car)[\s_\-]*chargers?",
        "alarms": r"rauchmelder|d[ée]tecteurs? de fum[ée]e|detector(es)? de humo",
        "lifts": r"elevators?|lifts?",
        "locks": r"locks?|padlocks?|intercoms?",
        "portable appliances": r"kettles?|toasters?|microwaves?|extension[\s_\-]*(cord|lead)s?"
        r"|appliance[\s_\-]*(id|no|type)",
    }.items()
}
"""Things that exports list which are no receptacles, by name."""


@lru_cache(maxsize=1 << 16)
def normalised(name: str) -> str:
    """Return a header in the form that is compared: lower case, words joined by one ``_``.

    ``BuildingID`` and ``buildingId`` are two words, as ``building id`` is.
    """
    split = re.sub(r"(?<=[a-z0-9])(?=[A-Z][a-z]|ID\b|[A-Z]{2,}\b)", " ", name.replace("№", "#"))
    return re.sub(r"[^0-9a-zà-öø-ÿ#%]+", "_", split.casefold()).strip("_")


def filled(cells: Cells) -> list[int]:
    """Return the places of the cells that hold anything."""
    return [place for place, cell in enumerate(cells) if cell and cell.strip()]


def all_words(cells: Cells) -> bool:
    """Say whether no cell is a number or a date."""
    return not any(_NUMBER_OR_DATE.fullmatch(cell.strip()) for cell in cells if cell)


def count_known(cells: Cells, is_known: IsKnown) -> int:
    """Return how many cells are names of columns that somebody knows."""
    return sum(is_known(normalised(cell)) for cell in cells if cell and cell.strip())


def is_heading(cells: Cells, is_known: IsKnown) -> bool:
    """Say whether a row names columns: two known names at least, half of its cells, no figures."""
    if not all_words(cells):
        return False
    there = len(filled(cells))
    return there >= 2 and (known := count_known(cells, is_known)) >= 2 and 2 * known >= there


def is_total(cells: Cells) -> bool:
    """Say whether a row sums the others up: a word of summing first, figures or nothing behind."""
    texts = [cell.strip() for cell in cells if cell and cell.strip()]
    if not texts or not _TOTAL.fullmatch(texts[0]):
        return False
    return all(_FIGURE.fullmatch(text) or _TOTAL.fullmatch(text) for text in texts[1:])


def is_remark(cells: Cells, width: int) -> bool:
    """Say whether a row of a table is a line about the table: who printed it, when, page three.

    Args:
        cells: the row.
        width: columns of the table.
    """
    there = filled(cells)
    if not there or len(there) > 2 or width < 3:
        return False
    first = (cells[there[0]] or "").strip()
    if _REMARK.fullmatch(first):
        return True
    return len(there) == 1 and len(first.split()) >= 4


def is_title(cells: Cells, width: int) -> bool:
    """Say whether a row of a table holds one text only, as the title of a section does."""
    there = filled(cells)
    return width >= 3 and len(there) == 1 and there[0] == 0 and not is_number(cells[0] or "")


def is_packed(cells: Cells, width: int) -> bool:
    """Say whether a row of a table holds nothing but a first cell with as many marks that part
    cells as the table has columns: a row that was not parted, and no title."""
    if width < 4 or filled(cells) != [0]:
        return False
    return max((cells[0] or "").count(mark) for mark in ",;\t|") >= width - 1


def shape(text: str) -> str:
    """Return what a text looks like: runs of letters as ``a``, of digits as ``9``."""
    return re.sub(r"[0-9]+", "9", re.sub(r"[^\W\d_]+", "a", text.strip()))


_UNITS = frozenset(
    {"v", "mv", "volt", "volts", "a", "ma", "amp", "amps", "ω", "ohm", "ohms", "kω", "kohm", "mω"}
)


def are_units(cells: Cells) -> bool:
    """Say whether a row below a header gives units and nothing else: ``V``, ``mV``, ``Ω``."""
    texts = [cell.strip(" \t()[]").lower() for cell in cells if cell and cell.strip()]
    return bool(texts) and all(text in _UNITS for text in texts)


def is_number(text: str) -> bool:
    """Say whether a text is a number or a date."""
    return bool(_NUMBER_OR_DATE.fullmatch(text.strip()))


def pairs(cells: Cells, is_known: IsKnown) -> dict[str, str]:
    """Return what a line above a table says of all its rows: ``Building: B-12``, ``Unit | 3``.

    Only keys that are known names of columns count. What says where or who is kept by its name; any
    other (a date may be the report's, a result nobody's) by a name that is taken for nothing.
    """
    texts = [cell.strip() for cell in cells if cell and cell.strip()]
    found: dict[str, str] = {}
    place = 0
    while place < len(texts):
        key, colon, value = texts[place].partition(":")
        if colon and value.strip() and is_known(normalised(key)):
            found[_told(key)] = value.strip()
        elif place + 1 < len(texts) and is_known(normalised(key)) and (colon or len(texts) == 2):
            found[_told(key)] = texts[place + 1]
            place += 1
        place += 1
    return found


_PLACE_OR_PERSON = re.compile(
    r"(^|_)(building|bldg|property|site|house|block|unit|apt|apartment|flat|suite|dwelling|room|"
    r"inspector|inspected|tester|tested_by|electrician|technician|surveyor|circuit)"
)


ABOVE = " above the table"
"""What is added to the name of a pair that says neither where nor who."""


def _told(key: str) -> str:
    name = " ".join(key.split())
    return name if _PLACE_OR_PERSON.search(normalised(name)) else f"{name}{ABOVE}"


_NEGATED = re.compile(
    r"(^|[^a-z])(no|not|without|never|none|nobody|no[\s_\-]one)[\s_\-]+"
    r"((any|an?|sign of|signs of|got|had|felt|was|more|longer|further|electric)[\s_\-]+){0,3}"
    r"(open[\s_\-]*(ground|gnd|neutral|hot)|boot[\s_\-]*legs?|false[\s_\-]*grounds?|reversed"
    r"|shock(s|ed)?"
    r"|burn\w*|scorch\w*|spark\w*|fail\w*|jumper\w*|swapped|miswir\w*|live|energi[sz]ed|arc\w*"
    r"|smok\w*|melt\w*|bare|exposed|flicker\w*|tingl\w*|zap\w*|jolt\w*|buzz\w*|crackl\w*)"
    r"|(^|[^a-z])(re|de)[\s_\-]*energi[sz]ed",
    re.I,
)


def has_danger_words(text: str) -> bool:
    """Say whether a text holds a word of ``DANGER`` that nothing before it denies."""
    return bool(DANGER.search(_NEGATED.sub(" ", text)))


def has_danger_words_sql(text: str) -> str:
    """Return SQL for ``has_danger_words``, NULL for NULL."""
    plain = f"regexp_replace({text}, {literal(_NEGATED.pattern)}, ' ', 'gi')"
    return f"regexp_matches({plain}, {literal(DANGER.pattern)}, 'i')"


def speaks_of_danger(text: str) -> bool:
    """Say whether a text holds words of danger or of a result that nothing before them denies."""
    return has_danger_words(text) or is_urgent(text)


def speaks_of_danger_sql(text: str) -> str:
    """Return SQL for ``speaks_of_danger``, false for NULL; ask it of distinct texts."""
    return f"coalesce({has_danger_words_sql(text)} OR {is_urgent_sql(text)}, false)"


FEW_TEXTS = 300
"""So few texts are faster looked through here than by SQL, which takes long to prepare."""


def find_dangerous(con: duckdb.DuckDBPyConnection, texts: str) -> bool:
    """Make the table ``dangerous_texts`` (t) of those texts that speak of danger.

    Args:
        con: any connection.
        texts: SELECT of one column, ``t``, each text once.

    Returns:
        whether there are any.
    """
    con.execute(f"CREATE OR REPLACE TEMP TABLE dangerous_texts AS {texts}")
    few = con.execute(f"SELECT t FROM dangerous_texts LIMIT {FEW_TEXTS + 1}").fetchall()
    if len(few) <= FEW_TEXTS:
        fine = [text for (text,) in few if not speaks_of_danger(text or "")]
        con.execute("DELETE FROM dangerous_texts WHERE t IN (SELECT unnest(?::VARCHAR[]))", [fine])
        return len(fine) < len(few)
    con.execute(f"DELETE FROM dangerous_texts WHERE NOT {speaks_of_danger_sql('t')}")
    return bool(con.execute("SELECT EXISTS (FROM dangerous_texts)").fetchall()[0][0])


EVIDENCE_NAMES = re.compile(
    r"(^|_)(pass|fail|failed|hazard|hazards|safe|unsafe|status|condition|result|results|finding|"
    r"findings|defect|defects|fault|faults|outcome|verdict|reading|shock|shocks|burn|burns|scorch|"
    r"heat|plate|polarity|reversed|jumper|bootleg|grounded|ungrounded|earthed|live|energized|"
    r"energised|ok|severity|priority|urgency|action|actions|follow_up|followup|flag|alert|lights|"
    r"lamps|gnd|egc|pe|earth|swapped|loose|hot|missing|concern|concerns|problem|problems|issue|"
    r"issues|deficiency|violation|violations)(_|$)"
    r"|(^|_)(open|no|false|missing)_(ground|neutral|hot|earth)|ground_(ok|wire|present|missing|"
    r"verified)|^ground$|volts?(_|$)"
)
"""Names of columns that speak of what was found at an opening, whatever their cells hold."""

_HARMLESS_ANYWHERE = (
    r"phone|telephone|mobile|fax|e_?mail|gps|lat|latitude|lon|lng|longitude|url|link|photo|"
    r"photos|picture|image|file|filename|price|cost|costs|amount|invoice|paid|fee|rent|floor|floors|"
    r"storey|story|street|address|city|town|zip|postcode|borough|district|ward|county|"
    r"block|lot|parcel|owner|tenant|occupant|resident|manager|super|landlord|contractor|company|"
    r"firm|vendor|brand|make|maker|manufacturer|model|serial|material|printed|exported|"
    r"created|updated|modified|entered|uploaded|synced|version|revision|guid|uuid|key|barcode|"
    r"page|row|index|sheet|seq|sequence|time|hour|date|day|week|month|year|season|weather|"
    r"duration|minutes|height|width|depth|area|sqft|bedrooms|beds|baths|language|licen[cs]e|badge|"
    r"age|size|survey|batch|route|team|crew|shift|project|program|programme|job|contract|po"
)
_HARMLESS_AT_END = r"id|no|num|nr|number|ref|reference|name|count|qty|quantity|tag|by"
HARMLESS_NAMES = re.compile(rf"(^|_)({_HARMLESS_ANYWHERE})(_|$)|(^|_)({_HARMLESS_AT_END})$|^[#_]*$")
"""Names of columns that tell nothing of the state of an opening. Judgement."""


def subject(text: str) -> str | None:
    """Return what a text is about where that is no receptacle, or None."""
    return next((name for name, pattern in SUBJECTS.items() if pattern.search(text)), None)

"""What the words of a citation, complaint, work order or permit are about: declared rules.

Such a report was written by somebody who mostly looked at no receptacle. It proves nothing of one
opening; but a shock, live metal or heat that somebody reported is urgent until somebody able to
tell has looked, and a finished permit for rewiring a whole building says more of the wiring than
the year of construction does. The words are common practice, no source. Where words can be read
two ways, a danger is read from them and a rewiring is not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from shared.standing import UrgentDefect
from shared.vocabulary import Condition, ReportKind, ReportSubject

NOT_DENIED = r"not only|not without"
"""Words that deny nothing although they begin so; they are taken for *with*."""


@dataclass(frozen=True)
class SubjectRule:
    """Words that make a report be about something, as regular expressions over lower case.

    Attributes:
        words: found as whole words.
        unless: taken out of the text first, because it means something else or denies it.
    """

    words: str
    unless: str = ""


_DENIES = (
    r"(no|not|without|never|denies|nobody|none|didn't|did not|wasn't|isn't)"
    r"( (one|was|were|is|got|get|feel|felt|any|a|an|of|the|sign|signs|more|have|had)){0,4}"
)
_OUTLET = (
    r"(outlets?|receptacles?|sockets?|plugs?|wall ?plates?|cover ?plates?|switch(es)?|"
    r"breakers?|fuse ?box(es)?)"
)
_GROUND_PART = (
    r"(ground(ing)?|gnd|earth|u)[ -](contacts?|pins?|prongs?|holes?|slots?|terminals?|screws?|"
    r"wires?|conductors?|straps?|clips?|lugs?)|egc|equipment ground"
)
_BOX = (
    r"((metal|outlet|wall|back|device|junction|switch|receptacle|steel|gem|handy)[ -])?box(es)?"
    r"|conduits?|yokes?|straps?|raceways?|emt|bx|armou?r|sheath"
)
_CASING = (
    rf"plates?|faceplates?|cases?|casings?|cabinets?|covers?|metal\w*|chassis|enclosures?|skins?|"
    rf"screws?|frames?|housings?|handles?|shells?|{_BOX}|{_GROUND_PART}"
)
"""What is neither hot to the touch nor under voltage where all is well."""
_METAL = (
    rf"({_CASING}|(water|gas|steam|ground) ?pipes?|pipes?|pipework|plumbing|sinks?|faucets?|taps?|"
    r"radiators?|fridges?|refrigerators?|freezers?|stoves?|cookers?|ranges?|ovens?|microwaves?|"
    r"(dish)?washers?|washing machines?|dryers?|heaters?|boilers?|air conditioners?|appliances?|"
    r"(bath)?tubs?|showers?|toasters?|kettles?|lamps?|fixtures?|irons?|tools?|computers?|"
    r"railings?|counter ?tops?)"
)
_LIVE = r"(live|energi[sz]ed|electrified)"
_VOLTS = r"(([5-9]\d|[1-9]\d{2,}|line|full|mains) ?(volts?|voltage|vac|v ?ac|v)|\d+ ?kv)"
"""Fifty volts and more; decimals are taken off before (see ``shared.report_words``).
"""
_FEW_VOLTS = r"(0+|zero|[0-4]?\d) ?(volts?|vac|v ?ac|v|mv|millivolts?)"
_SEVERAL = r"( [\w'/-]+){0,3}"
_POLARITY = (
    r"((revers\w*|rev|swapped)([ -]+(of )?polarity|[ -]+pol)?"
    r"|polarity[ -]*(is |was )?(rev\w*|swap\w*)|h ?[/&-]? ?n ?[/-]?(rev\w*|swap\w*)"
    r"|(hot|neutral)[ /&+-]*(and|with)?[ /&+-]*(neutral|hot)[ /-]*(is |are |were )?"
    r"(rev\w*|swap\w*|crossed))"
)
_JUMPERED = r"(bootleg\w*|false[ -]grounds?|jumper\w*)"
_APART = r"( [\w'/&+,-]+){0,4}[ ,&+/-]+"
_MEASURED = (
    r"(reads?|reading|measur\w+|show(s|ed|ing)?|gives?|gave|has|had|with|at|is|was|carr\w+|tests?|"
    r"tested|found|to|earth|ground|sink|pipe|water|radiator|about|approx\w*|over|nearly|around)"
)
_TESTER = (
    r"(tick tracer|ticker|(voltage )?detector|ncv|ncvt|non[ -]?contact|volt ?stick|test ?lamp|neon|"
    r"(voltage )?tester)"
)
_TELLS = (
    r"(light(s|ed)?( up)?|lit( up)?|beep(s|ed)?|glow(s|ed)?|indicat(es|ed)|chirp(s|ed)?|"
    r"alarm(s|ed)?|goes off|went off|alert(s|ed)?|sound(s|ed)?)"
)

SUBJECT_RULES: Mapping[ReportSubject, SubjectRule] = {
    ReportSubject.SHOCK: SubjectRule(
        r"shock\w*|shoked|shokd|electro?i?cut\w*|tingl\w*|zap(s|ped|ping)?|jolt(s|ed)?"
        r"|tickl(es|ed|ing)|(got|was|were|been|gets?|getting) (a )?(bit|bitten) by"
        r"|(bites?|bit|biting) (you|me|him|her|us|them|people|when|if|hands?|fingers?)"
        r"|(g[ia]ves?|gave|giving|got|gets?|getting|felt)( \w+){0,2} (a |an )"
        r"(small |little |mild )?(buzz|tickle|bite|kick|zing|belt|nip|sting)"
        r"|(felt|feels?|feeling) (a |an |the |some )?(current|electric\w*)|pins and needles"
        r"|descarga el[eé]ctrica|(dio|da|dan|dieron) (un )?toques?|calambr(azo|e)s?"
        r"|d[eé]charges? [eé]lectriques?|stromschl[aä]ge?|kribbel\w*|sh0ck\w*|shks?|s h o c k"
        r"|(bekommt|bekam|bekommen|kriegt|erhielt|sp[uü]rt)( \w+){0,3} (schlag|schl[aä]ge)"
        r"|(recib\w*|dio|da|dan|sufr\w+|sient\w+)( \w+){0,2} descargas?"
        r"|descargas? (todav[ií]a|a[uú]n|al tocar)"
        r"|(prend|prends|prennent|pris|re[cç]oit|re[cç]u|sent|senti)( \w+){0,3} (d[eé]charges?|jus)"
        r"|coups? de (jus|courant)",
        rf"{_DENIES} (electric(al)? )?(shock\w*|tingl\w*|zap\w*|jolt\w*|electrocut\w*)"
        r"|shock absorbers?|door shocks?|culture shock|static( electric(ity)?)? shocks?"
        r"|shocked out of|shocking (state|condition|price|appearance)|shock ?proof|gas shocks?"
        r"|bit by (a |an |the )?(dogs?|bed ?bugs?|mouse|mice|rats?|insects?|bugs?)",
    ),
    ReportSubject.LIVE_METAL: SubjectRule(
        rf"{_METAL}{_SEVERAL} (is |are |was |were |reads? |found )?({_LIVE}|carr\w+ (a )?voltage)"
        rf"|{_LIVE}{_SEVERAL} {_METAL}"
        rf"|({_CASING}|ground(ing)?)( is| was| are| were)? hot|hot ({_CASING}|ground)"
        rf"|({_VOLTS}|voltage|volts|current|electricity|potential)( [\w'/-]+){{0,2}}"
        rf" (on|at|in|from|through|between)( [\w'/-]+){{0,3}} {_METAL}"
        rf"|{_VOLTS} (to|across)( [\w'/-]+){{0,2}} {_METAL}|{_VOLTS} {_METAL} to \w+"
        rf"|({_CASING})( {_MEASURED}){{0,4}} {_VOLTS}|{_METAL}( {_MEASURED}){{1,4}} {_VOLTS}"
        rf"|({_VOLTS}|voltage|volts)( (present|found|measured|showing|is))? on (the )?"
        r"(equipment )?(ground(ing)?|gnd|earth)"
        r"|(touch|stray) (voltage|potential)"
        rf"|{_TESTER}{_SEVERAL} {_TELLS}{_SEVERAL} {_METAL}"
        r"|(hot|h)[ /&-]*(and|to)?[ /&-]*(ground|gnd|g)[ /-]*(rev\w*|swap\w*)"
        rf"|{_POLARITY}{_APART}{_JUMPERED}|{_JUMPERED}( grounds?)?{_APART}{_POLARITY}"
        rf"|{_POLARITY}[ -]{_JUMPERED}|rpbg"
        r"|live (parts?|wires?|conductors?|ground(ing)?)|(exposed|bare) (live|energi[sz]ed)"
        r"|cables? pelados?|fils? d[ée]nud[ée]s?"
        r"|(geh[äa]use|gehaeuse|abdeckung|deckel|blech\w*|rahmen|schutzleiter|herd|k[üu]hlschrank|"
        r"heizk[öo]rper|rohr|wasserhahn|schrauben?)( \w+){0,3} unter (spannung|strom)"
        r"|(carcasse|bo[iî]tier|plaque|masse|ch[âa]ssis|cuisini[eè]re|frigo|radiateur)( \w+){0,2}"
        r" sous tension|(carcasa|tapa|placa|chasis|estufa|nevera)( \w+){0,3} "
        r"(con (corriente|voltaje|tensi[oó]n)|energizad[oa])",
        rf"{_DENIES} ({_LIVE}|voltage|volts|current|electricity)( [\w'/-]+){{0,2}}"
        rf"|{_DENIES} {_TELLS}( [\w'/-]+){{0,3}}|(cover|plate) off|{_FEW_VOLTS}"
        r"|(fuse|breaker|panel|service|meter) ?box(es)?|(ground|earth)[ -](floor|level|fault)s?"
        r"|no (hot|touch|stray)( \w+)?|live-in|live in (super\w*|maid|nurse|carer|caretaker|aide)"
        r"|live load|live[ -]work|hot[ -]?water"
        rf"|{_OUTLET} (behind|by|near|next to|under|above|beside|over|for|at)( the| a)? {_METAL}"
        r"|(tested|checked) live|unter (spannung|strom) (gepr[üu]ft|geprueft|getestet|gemessen)",
    ),
    ReportSubject.HEAT: SubjectRule(
        rf"{_OUTLET}{_SEVERAL} (is |are |was |were |feels? |gets? |getting )?"
        r"((very|too|so|extremely) )?(hot|warm|smok\w*|melt\w*|burn\w*|charred|scorch\w*|"
        r"arc(s|ed|ing)?|spark(s|ed|ing)?|buzz\w*|blackened|on fire|caught fire|overheat\w*)"
        r"|(hot|warm|smok\w*|melt\w*|burn\w*|charred|scorch\w*|arcing|arcs|sparks?|sparking|"
        rf"buzz\w*|blackened|fire|overheat\w*)( [\w'/-]+){{0,4}} {_OUTLET}"
        r"|burn(t|ed|ing)? (smell|odou?r|marks?)|scorch(ed|ing)?( marks?)?|electrical fire"
        r"|smells? (hot|burn(t|ed)|scorched)|(hot|warm) to (the )?touch|burnt|burned|melted|charred"
        r"|spark(s|ed)?|arc(s|ed)|popped and|smoke (seen|came|comes|coming|from|out)|smoking"
        r"|smell(s|ed)?( of| like)? smoke|overheat\w*( [\w'/-]+){0,3} (panel|wir\w+|cables?|"
        r"terminals?|connections?)|(panel|wiring|cables?|terminals?)( is| was| are| were)? "
        r"overheat\w*"
        r"|(brown|black|burn) marks?|discolou?r\w*( [\w'/-]+){0,2} heat|(warm|hot) plates?"
        r"|prise br[uû]l[ée]e|steckdose (verschmort|verbrannt|hei[sß])|crackl(es|ed|ing)"
        r"|arc flash|arcing|sparking|smells?( like)?( something| of)? burning"
        r"|(toma( ?corriente)?|outlet|enchufe|contacto) quemad\w*",
        rf"{_DENIES} (hot|warm|burn\w*|scorch\w*|spark\w*|arc\w*|smok\w*|melt\w*|overheat\w*)"
        r"|hot water|hot[ /&-]*(and|to)?[ /&-]*(neutral|ground|gnd|wires?|legs?|conductors?|side)"
        r"|spark plugs?|smoke (alarms?|detectors?)|fire (alarms?|extinguishers?|doors?|escapes?)"
        r"|(burnt|burned)[ -]?out (bulbs?|lights?|lamps?)",
    ),
    ReportSubject.FALSE_GROUND: SubjectRule(
        r"bootleg\w*|false grounds?|(ground|neutral) (jumpered|tied|bonded) to (neutral|ground)"
        r"|neutral[ -](to[ -])?ground jumper|jumpered grounds?|neutral bonded at receptacle"
    ),
    ReportSubject.REVERSED_POLARITY: SubjectRule(
        r"rev\w*[ -]+polarity|polarity( is)? rev\w*|hot[ /&-]*(and)?[ /&-]*neutral[ /-]*"
        r"(rev\w*|swap\w*)"
    ),
    ReportSubject.NO_GROUND: SubjectRule(
        r"open grounds?|no (equipment )?ground(ing)?|ungrounded|not grounded|missing grounds?"
        r"|without (a )?ground|lacks? (a )?ground",
        r"no grounds? for",
    ),
    ReportSubject.REWIRING: SubjectRule(
        r"(complete(ly)?|full(y)?|whole|total(ly)?|entire)( house| building| dwelling)? "
        r"re-?wir(e|ed|ing)"
        r"|re-?wir(e|ed|ing)( of)?( the)?( whole| entire| complete)? (building|house|dwelling)"
        r"|replace(d|ment of)? all( branch| electrical| existing)? wiring",
        r"(no|not|without|partial|partly)( [\w'/-]+){0,2} re-?wir\w*"
        r"|re-?wir\w*( [\w'/-]+){0,3} not( [\w'/-]+){0,2}"
        r"|(building|house)( [\w'/-]+){0,1} (signs?|lights?|entrance|exterior|lobby|laundry|panel|"
        r"service|meter\w*|intercom|alarm\w*)",
    ),
    ReportSubject.OUTLETS: SubjectRule(
        r"outlets?|receptacles?|gfc?i|wiring|electric\w*|breakers?|knob[ -](and|&)[ -]tube"
        r"|re-?wir\w*|power"
    ),
}
"""Rules in order: the first whose words stand in a text says what it is about; else ``other``."""

DEFECT_OF: Mapping[ReportSubject, str] = {
    ReportSubject.SHOCK: UrgentDefect.SHOCK_REPORTED,
    ReportSubject.LIVE_METAL: UrgentDefect.LIVE_METAL,
    ReportSubject.HEAT: UrgentDefect.HEAT_OR_SCORCH,
    ReportSubject.FALSE_GROUND: Condition.FALSE_GROUND,
    ReportSubject.REVERSED_POLARITY: Condition.REVERSED,
    ReportSubject.NO_GROUND: Condition.UNGROUNDED,
}
"""What a paper reports, by what it is about: it becomes a suspected finding of its building, or of
the unit that it names, at no opening. All other papers become none."""

REPORTING_KINDS = (ReportKind.CITATION, ReportKind.COMPLAINT, ReportKind.WORK_ORDER)
"""Papers that report a defect of the wiring; a permit asks for work and reports what is urgent
only."""

URGENT_SUBJECTS = (ReportSubject.SHOCK, ReportSubject.LIVE_METAL, ReportSubject.HEAT)
"""What is urgent whoever reports it."""

"""The words by which a note takes back what it stands in, by what they say.

Regular expressions over lower case, read alike by Python and by DuckDB. Where words can be read two
ways they are read against the row: a second look is what that costs. Common practice, no source.
"""

from __future__ import annotations

OPENING = (
    r"(one|outlet|receptacle|socket|opening|box|room|unit|apartment|apt|flat|building|address|plug|"
    r"house|floor|door|place|location|circuit)"
)
OTHERS = (
    r"(electrician|contractor|worker|workman|firm|company|super(intendent)?|landlord|landlady|"
    r"owner|manager|foreman|office|inspector|colleague|apprentice)"
)
LOOKED = r"(re-? ?)?(check|test|verif|inspect|look|measur|confirm|visit)\w*"
_LIVES_THERE = r"(tenant|occupant|occupier|resident|owner|family|lodger|lady|somebody|anybody)s?"
_THERE = r"(at home|home|in|there|present|available|answering|in the (flat|unit|apartment|house))"
_THING = (
    r"(it|them|the|a|an|that|all|both|jumper|bootleg|bond|link|strap|circuit|outlet|receptacle|"
    r"socket|opening|breaker|power|supply|wires?|conductors?|ground|grounding|neutral|plate|cover)"
)
_DO = (
    r"(do|done|finish|complete|repair|fix|replace|start|enter|remove|correct|connect|disconnect|"
    r"reach|swap|cut out|rewire|install|get (in|to|at|access|inside|into))"
)


def words(*each: str) -> str:
    """Return a pattern of any of these as whole words."""
    return rf"(^|[^a-z])({'|'.join(each)})($|[^a-z])"


NO_ENTRY = (
    r"(access|entry|entrance|admission|admittance)( (was|is|to|the|unit|flat|apartment))*"
    r" (denied|refused|impossible|blocked|not (given|granted|possible|gained|available|had))",
    r"(no|refused|denied|refuses|denies)( (us|me|him|her|any))? (access|entry|admission|"
    r"admittance)|(refused|denied|turned away|sent away) (us|me|at the door|to let)"
    r"|(would|did|could)( not|n't) (let (us|me|him|her)|open the door|gain|obtain)"
    r"|(could|can|did) ?(not|n't) (get|have) (access|entry|in)|unable to (gain|obtain|get)"
    r"|locked door|door (was |is )?locked",
    rf"(no ?-?one|no ?body)( (was|were|is))* ({_THERE}|answered|answers|opened|opens)",
    rf"{_LIVES_THERE}( (was|were|is))?( not|n't) {_THERE}"
    rf"|{_LIVES_THERE} (was |were |is )?(out|away|absent|on holiday)|not (at )?home"
    r"|no (answer|reply|response)( (at|to))?( (the|our))?( (door|bell|knock))?",
    r"kein zugang|(zutritt|zugang) verweigert|niemand (da|zu ?hause|angetroffen)"
    r"|nicht (zu ?hause|angetroffen|zug(ä|ae)nglich)|nadie en casa|(acceso|entrada) (denegad|negad)"
    r"[oa]|sin acceso|personne (à la maison|présente?)|acc[eè]s refus[ée]|pas d['’ ]?acc[eè]s",
)
"""That nobody got in."""

ELSEWHERE = (
    rf"not (the |at the )?(same|this|that|right|correct) {OPENING}",
    rf"(wrong|different|another) {OPENING}",
    r"(done|made|repaired|fixed|replaced|tested|looked|checked|inspected|measured|carried out|"
    r"work(ed)?|seen|was|is|it's)( (at|in|on|it|for|was))* (next door|elsewhere|upstairs|"
    r"downstairs|somewhere else|(at |in )?the (other|next|neighbou?r\w*|adjoining) \w+)",
    r"(done|made|repaired|fixed|replaced|tested|looked|checked|inspected|measured|carried out|"
    r"work(ed)?)( (at|in|on|for|unit|apartment|apt\.?|flat|room))+ [a-z0-9/-]+ instead"
    r"|instead of (this|here)",
    r"falsche (dose|steckdose|wohnung|adresse)|nebenan|otr[oa] (toma|enchufe|contacto|apartamento)"
    r"|mauvaise? (prise|adresse|logement)",
)
"""That it was another opening, dwelling or building."""

ONLY_PAPER = (
    r"(quote|quotation|estimate|offer|bid)s? (only|given|left|sent|made|to follow)"
    r"|only (quoted|estimated|priced)|(quoted|estimated|priced) only",
    r"(charged|billed|invoiced|reported|written|booked|filed|listed|put|entered|recorded)"
    r"( down)? (in|by) (error|mistake)",
    r"duplicate (of|entry|row|line|record|report)|(entered|listed|reported) twice",
    r"(please )?ignore( (this|the|row|it|line|entry|me|above))*\s*($|[.,;:])",
    r"test entry|same as (before|last|previous)|(condition|situation|state) (is )?(unchanged|as)"
    r"|(condition|situation|state) as before|no change\s*($|[.,;:])|unchanged\s*($|[.,;:])",
)
"""That the row stands for no work and no look of its own."""

STILL_WRONG = (
    r"still( (show(s|ing)?|reads?|reading|indicat(es|ing)|says?|tests?|testing|has|have|is|are|"
    r"was|were|gets?|getting|as|an?|the|on|got|being))*"
    r" (fitted|reversed|rev|swapped|crossed|hot|warm|open|loose|missing|wrong|faulty|defective|bad|"
    r"broken|tripping|trips?|tripped|jumper\w*|bootleg\w*|false|installed|tied|bonded|bridged|"
    r"linked|connected|in place|in there|there|present|fail\w*|spark\w*|smell\w*|flicker\w*|"
    r"exists?|unresolved|outstanding|exposed|bare|burn\w*|shock\w*|tingl\w*|buzz\w*|zap\w*|live "
    r"(plate|case|metal|box|cover)|in( the)? (box|circuit))",
    r"(shows?|showing|reads?|indicates?|indicating|shown|tests|tested|says?|is|are|found)"
    r"( (still|now|as|an?|the|again|it))* (reversed|swapped|crossed)",
    r"(jumper|bootleg|bond|link|strap)s?( (wire|was|is|has|been|still))* (left|kept|untouched|"
    r"remains?|stays?|fitted again)|(left|leaving|kept)( (in|the|a|an|that|old))* (jumper|bootleg|"
    r"bond|strap)s?|put (the )?(jumper|bootleg) back",
    r"(problem|fault|defect|issue|symptom|hazard|danger|voltage|condition|complaint|shock|sparking|"
    r"smell|tingling)s?( (still|has|have|is|are))* (persist\w*|remain(s|ed|ing)?|continu\w+|"
    r"recur\w*|returns?|returned|(not |un)(re)?solved|not cleared|back)",
    r"(complaint|issue|problem|fault|matter|case|defect)s?( (is|was|are|were|still|yet))* "
    r"(not|un)[ -]?(yet )?(resolved|solved|cleared|settled)|unresolved",
    r"breaker (trips|tripping|blows)\s*($|[.,;:])|(breaker|fuse|gf?ci|rcd|it) (still|keeps?|again) "
    r"(trip|blow)\w*|trip(s|ped)( out)? (at once|immediately|again|straight away|instantly)"
    r"|keeps (on )?(tripping|blowing)|(wo|do|does|did|ca|could|would)n't (be )?(reset|hold)"
    r"|(will|would|does|did|could|can) ?not (be )?(reset|hold)",
    r"(persiste|sigue|continúa|continua) (el|la|igual|mal|invertid[oa]|suelt[oa])\w*"
    r"|(immer noch|weiterhin) (vertauscht|vorhanden|lose|defekt|offen)|toujours (invers[ée]e?|"
    r"pr[ée]sente?|d[ée]fectueu(x|se))",
)
"""That the defect is still there."""

STILL_UNGROUNDED = words(
    r"still( (show(s|ing)?|reads?|reading|indicat(es|ing)|says?|tests?|has|have|is|are|as|an?|the))"
    r"* (no (equipment )?(ground|earth)\w*|open (ground|earth)|ungrounded|unearthed)",
    r"(no|without( an?| any)?|missing) (equipment )?(ground|earth)(ing)?( (wire|conductor|path))?"
    r" (found|present|seen|there|available|yet)",
)
"""That there is still no ground: nothing is wrong with it where none was to be."""

LEFT_UNDONE = (
    r"(not|never|n't)( been| be| yet| fully| quite)* (removed|taken off|opened|finished|done|"
    r"completed?|repaired|fixed|replaced|corrected|ready|working|made|started|carried out|"
    r"rectified|remedied|cured|disconnected|put right|possible)",
    r"(cover|plate) (is |was )?(not|never) (off|open)|unfinished|incomplete",
    rf"(did|could|can|was|were|would|has|have|had)( ?not|n't)( be| been| able to| yet)* {_DO}\w*",
    rf"(cannot|unable to|failed to|refused to|forgot to) {_DO}\w*",
    r"(only )?(half|partly|partially|part) (done|finished|completed?|repaired|fixed)"
    r"|only (half|part)( of)?( it)? (is |was )?(done|finished|repaired|fixed)|only part done",
    r"(jumper|bootleg|defect|fault|problem)s? (still )?remains?",
    r"(fix|repairs?|work|job|visit) (is |was |still )?(pending|outstanding|to follow|not|aborted|"
    r"abandoned|stopped|cancell?ed|called off)",
    r"(still )?to be (done|finished|repaired|replaced|completed|corrected|verified|confirmed|"
    r"rewired|removed|connected|(re-? ?)?(checked|tested))",
    r"temporar(y|ily)|(todav[ií]a|a[uú]n) no|sin (terminar|hacer|reparar)|noch nicht|pas encore",
    r"parts? (is |are |still )?(on order|ordered|awaited|needed|to come|missing)|on back-? ?order"
    r"|(a?waiting|waits?)( (for|on))? (the )?(parts?|materials?|delivery|access|approval|permit|"
    r"landlord|owner|electrician|inspection|replacement)",
    r"(will|must|shall|needs? to|ha(s|ve) to|going to) (return|finish|complete|continue|follow|"
    r"(come|go|be) back|be (finished|completed|done|repaired|fixed|replaced|rewired))"
    r"|to be continued|(return|second|another|further|follow[- ]?up) (visit|work|repairs?) "
    r"(is |are )?(needed|required|necessary|booked|planned|to follow)",
    r"postponed|re-?scheduled|deferred|adjourned|put off until",
    r"left (off|dead|disconnected|isolated|unconnected|de-?energi[sz]ed|switched off|loose|capped|"
    r"taped|undone|hanging)"
    rf"|(left|leaving|kept)( {_THING})+ (off|dead|disconnected|isolated|unconnected|hanging|"
    r"de-?energi[sz]ed|switched off|loose|capped|taped|undone)",
    r"(breaker|power|circuit|supply|fuse) (is |was |has been )?still (off|out|dead|pulled)",
    r"made safe|taped (over|off)|(capped|taped|blanked)( (off|over|up))? only|only (capped|taped|"
    r"blanked)|(outlet|receptacle|socket|opening|box)( (was|is|now))* (capped|taped|blanked)",
    r"nicht (erledigt|fertig|gemacht|repariert|behoben|m(ö|oe)glich)|unerledigt"
    r"|no (hech[oa]|terminad[oa]|reparad[oa]|acabad[oa]|resuelt[oa])"
    r"|pas (fait|fini|termin[ée]|r[ée]par[ée]|pu|possible)e?",
)
"""That work was not done, or not all of it."""

DEAD = words(
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

NOT_SEEN = (
    rf"(as )?per( the| an?| my| our)? ({OTHERS}|phone|e-?mail|invoice|tenant|report|records?)",
    r"according to|hear-? ?say|second[ -]hand|(told|reported|stated|confirmed|said) by"
    rf"( the| an?)? ({OTHERS}|tenant)",
    rf"{OTHERS} (says?|said|told|tells|claims?|claimed|reports?|reported|states?|stated|"
    r"confirms?|confirmed|assures?|assured)",
    r"(not|never)( been)? (seen|witnessed|done|checked|tested|looked at)( personally)? by (me|us|"
    r"myself)|(by|over the|on the) (tele)?phone|from (a )?(photo(graph)?s?|memory|records?)"
    r"|(photos?|paper(work)?|desk(top)?|remote(ly)?) only",
    r"(from|as|like|of) (the )?last (year|time|report|visit|inspection)"
    r"|last year'?s? (report|values?|readings?|list|file)|same (readings?|values|results?) as",
    r"(not|never|un)( been| be| yet)*[ -]?(verified|confirmed|measured)|not yet (tested|inspected|"
    r"checked|looked at)",
    r"(did|could|can|was|were)( ?not|n't)( able to| be)? (open|verify|measure|confirm|enter|"
    r"visit|see inside|remove|see in)\w*|unable to (open|verify|measure|confirm|enter|remove)",
    r"(cover|plate|faceplate)( was| is)? ((left|stayed|kept|still) )?(on|closed|shut|painted shut)",
    r"without (opening|removing|taking|testing|looking|seeing|measuring)",
    r"no es (el|la) mism[oa]|no (verificad|revisad|abiert)[oa]s?"
    r"|copiad[oa]|anulad[oa]|seg[uú]n el electricista",
    r"nicht (dieselbe|die gleiche|diese|gesehen|ge[öo]ffnet|gemessen)"
    r"|laut (elektriker|mieter|firma)|kopiert|ung[üu]ltig|storniert|annahme",
    r"pas (la m[eê]me|cette prise|vu|ouvert|v[ée]rifi[ée]e?)|selon l['’ ]?[ée]lectricien"
    r"|copi[ée]e?|annul[ée]e?",
)
"""That whoever wrote the row did not see or measure it."""

NOT_IN = r"^\s*(not|nobody|no ?one) in\s*[.!]?\s*$"
"""A note of so few words: nobody was in."""

_AT_WORK = (
    r"(during|while|for|throughout)( (doing|at|the|our|all|this|my|of|carrying out))* "
    r"(works?|repairs?|job|fix|installation|replacement|rewiring)"
)
_OFF = r"(off|out|isolated|dead|de-? ?energi[sz]ed|locked[ -]?(out|off)|disconnected|down|cut)"
_SUPPLY = r"(breaker|power|circuit|supply|mains?|current|fuse|electricity|outlet|line)"
_MENDED = (
    r"((now|since|then|all|has been|have been|was|were|is|are|and|since been) )*"
    r"(corrected|repaired|fixed|put right|replaced|rewired|cured|resolved|remedied)"
    r"( (and|then|&))?( ?,)? (re-? ?)?(tested|checked|verified|measured)"
)
PAST = (
    words(
        rf"{_SUPPLY}( (was|is|were|turned|switched|shut|kept))* {_OFF}( (only|just))? {_AT_WORK}",
        r"(works?|worked|repairs?|repaired|job|fix(ed)?|replaced|installed)"
        rf"( (was|were|done|made|carried out))* with( the)? {_SUPPLY} (switched |turned )?{_OFF}",
    ),
    words(
        r"(had( (been|once))? (reported|complained (of|about)|got|had|felt|noticed|received)"
        r"|(previously|formerly|earlier|before) (reported|complained (of|about)|got|had|felt)"
        r"|(earlier|previous|former|old|past) (reports?|complaints?)( (of|about))?)"
        r"( (of|about|an?|some|the|slight|mild|small|electric(al)?))* "
        r"(shocks?|tingl\w+|sparks?|sparking|burning smell|heat|live (plate|case|metal))"
        r"( (from|at|on|off)( (the|this|her|his|a))* \w+)?"
        rf"\s*[,.;:–-]+\s*{_MENDED}",
    ),
    words(
        rf"({_LIVES_THERE}( (was|were|is))?( not|n't)( at)? home|no ?-?(one|body)( (at|was))? home"
        r"|no answer)[ ,;:-]+((so|but|and) )?(the )?((super(intendent)?|janitor|manager|landlord|"
        r"neighbou?r|caretaker|porter) let (me|us) in|(entered|went in|came in|got in|in) with"
        r"( the)?( (super|manager|landlord|master|pass)('s)?)? ?key)",
    ),
)
"""What says nothing against a row although its words do: off while at work, what was felt before
and was mended and tested since, who else let somebody in. Taken out before anything is asked."""

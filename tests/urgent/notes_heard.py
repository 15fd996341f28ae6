"""Notes as people write them beside a look after a repair, or in its report."""

from __future__ import annotations

BAD = """tenant still gets a shock|still shocks her when she touches the stove|stove tingles
tenant gets a tingle from the tap|tenant feels current on the fridge|it zaps you|case is hot
zapped again after repair|plate gets hot after kettle|smells of burning|smell of smoke|arcing
118 V on case|case to earth 118 volts|measured 118 V between plate and pipe|live chassis
metal box energized|hot to ground reversed|hot and neutral still swapped|polarity still reversed
still reversed|jumper left in|jumper still fitted|left the jumper|could not remove jumper
did not replace receptacle|didn't do it|didn’t do it|repair not carried out|parts on order
waiting for parts|will return to complete|will finish tomorrow|only half done|no one home
tenant not at home|nobody in|not in|refused entry|access denied|could not gain access|no access
job cancelled|postponed|rescheduled|quote only|estimate only|only quoted|charged in error
billed in error|wrong address|wrong unit|done at another opening|done next door
done in 3B instead|duplicate of R-100|test entry|ignore|same as before|condition unchanged
no change|problem persists|fault persists|defect remains|still faulty|tester shows reversed
still trips|GFCI trips immediately|GFCI won't reset|breaker trips|breaker off, circuit left dead
power left off|left disconnected|made safe only|taped over|capped off only|tenant was hurt
the child got a shock afterwards|Mieter bekommt noch einen Schlag|noch unter Spannung
Gehäuse unter Spannung|nicht erledigt|descarga todavía|el inquilino recibe descargas
le locataire prend encore une décharge|prend le jus|no hecho|pas fait|sh0ck|s h o c k|electr. shk
shocks continue|complaint not resolved|issue unresolved|overheating at panel
120V measured on the cover plate after repair|neutral 118 V to ground|voltage on ground pin 90 V
had reported a shock; not repaired|had reported a shock; repaired and tested, still a shock
breaker off during work; breaker still off|N-G 60 V|Zutritt verweigert|acceso denegado"""
GOOD = """breaker off during work, re-energised, tested ok|circuit de-energised during work
tenant had reported a shock; repaired and tested|removed jumper, ran new EGC|no jumper found
was reversed, now correct|polarity correct|old bond removed|access via neighbour|no shock any more
no more tingle|no longer live|work done with power off, re-energised and tested|cover replaced
tenant at home|tenant not home, super let me in|key from super|circuit re-energized, all good
hot and neutral were swapped, corrected|ground wire run from panel, 0.2 ohm|tested live
replaced receptacle, tested ok|GFCI installed, tested with own button|new receptacle and plate
power off during the repair, back on and tested|0.2 ohm measured|120 V hot to neutral
GFCI trips on test button and resets|second visit, all well|no sparks, no heat|box clean and dry
neutral on the silver screw|jumper removed and photographed|new ground pigtail fitted
polarity was reversed, now correct|no voltage on plate|0.1 V neutral to ground|N-G 0.3 V
cable fed from the kitchen box|repair verified|tenant present, happy with it|third floor rear
box bonded with new EGC|reading taken under load of 10 A|circuit 7 labelled in panel
weatherproof cover fitted|breaker torqued, circuit on|Steckdose unter Spannung geprüft
photos attached|checked twice|works as it should|breaker 12 was replaced too|tested after repair
child-proof receptacle fitted|smoke alarm tested as well|done as quoted|invoice to follow by mail
returned key to super|replacement complete|plate screws tightened|all conductors continuous
done on second floor, unit 3B|wiring in good order|no fault found|not reversed"""
# What was there before may be named in the report of its repair, not beside the look after it.
REPAIRED = """removed bootleg jumper, new ground|replaced burnt receptacle|was ungrounded
old cable had no ground, new one run|bootleg found and removed|replaced the scorched plate
reversed polarity corrected|ungrounded receptacle replaced|breaker off while at work"""


def notes(text: str) -> list[str]:
    return [each for line in text.splitlines() for each in line.split("|")]

"""What the words of a citation, complaint, work order or permit are about: declared rules.

Such a report was written by somebody who mostly looked at no receptacle. It proves nothing of one
opening; but a shock, live metal or heat that somebody reported is urgent until somebody able to
tell has looked, and a finished permit for rewiring says more of the wiring than the year of
construction does. The words are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from shared.vocabulary import ReportSubject


@dataclass(frozen=True)
class SubjectRule:
    """Words that make a report be about something.

    Attributes:
        words: phrases, found as whole words; any of them is enough.
        unless: phrases that are taken out of the text first, because they mean something else.
    """

    words: tuple[str, ...]
    unless: tuple[str, ...] = ()


_DENIED = tuple(
    f"{no} {word}"
    for no in ("no", "not", "without", "no sign of", "no signs of", "never", "denies", "denied any")
    for word in (
        *("shock", "shocks", "electric shock", "electrical shock", "burn", "burning", "burn marks"),
        *("scorch", "scorching", "sparks", "sparking", "live", "energized", "energised", "tingle"),
    )
)

SUBJECT_RULES: Mapping[ReportSubject, SubjectRule] = {
    ReportSubject.SHOCK: SubjectRule(
        (
            *("shock", "shocks", "shocked", "electric shock", "electrocuted", "electrocution"),
            *("tingle", "tingles", "tingling", "zapped", "got zapped", "electrified"),
        ),
        (*_DENIED, "shock absorber", "shock absorbers", "culture shock", "shock proof"),
    ),
    ReportSubject.LIVE_METAL: SubjectRule(
        (
            *("live metal", "metal live", "metal is live", "case is live", "live case"),
            *("plate is live", "live plate", "cover plate live", "energized plate"),
            *("energised plate", "energized metal", "energised metal", "energized case"),
            *("energised case", "energized enclosure", "metal energized", "case energized"),
            *("hot case", "hot chassis", "live chassis", "hot ground reversed"),
            *("reversed polarity bootleg", "reverse polarity bootleg", "rpbg"),
            *("reversed bootleg", "bootleg ground reversed", "reversed false ground"),
        ),
        _DENIED,
    ),
    ReportSubject.HEAT: SubjectRule(
        (
            *("burn marks", "burnt outlet", "burned outlet", "burnt receptacle", "scorch"),
            *("scorched", "scorching", "scorch marks", "melted outlet", "melted receptacle"),
            *("outlet hot", "hot outlet", "receptacle hot", "hot receptacle", "outlet smoking"),
            *("sparks", "sparking", "sparked", "arcing", "arced", "outlet melted"),
            *("outlet burning", "smell of burning", "burning smell", "overheated", "overheating"),
        ),
        (*_DENIED, "radiator overheating", "boiler overheating", "spark plug"),
    ),
    ReportSubject.FALSE_GROUND: SubjectRule(
        (
            *("bootleg", "bootlegs", "bootleg ground", "bootleg grounds", "false ground"),
            *("false grounds", "ground jumpered to neutral", "neutral to ground jumper"),
            *("jumpered ground", "ground tied to neutral", "neutral bonded at receptacle"),
        )
    ),
    ReportSubject.REVERSED_POLARITY: SubjectRule(
        ("reversed polarity", "reverse polarity", "polarity reversed", "hot neutral reversed")
    ),
    ReportSubject.NO_GROUND: SubjectRule(
        (
            *("open ground", "open grounds", "no ground", "ungrounded", "not grounded"),
            *("missing ground", "without ground", "lacks ground", "no equipment ground"),
            *("ungrounded receptacle", "ungrounded outlet", "ungrounded three prong"),
        )
    ),
    ReportSubject.REWIRING: SubjectRule(
        (
            *("rewire", "rewired", "rewiring", "full rewire", "complete rewire", "whole rewire"),
            *(
                "rewire building",
                "rewire dwelling",
                "replace all wiring",
                "replace all branch wiring",
            ),
        ),
        (
            *(
                "partial rewire",
                "partial rewiring",
                "rewire kitchen",
                "rewire bathroom",
                "rewire unit",
            ),
            *("rewire apartment", "rewire apt", "rewire panel", "rewire garage", "rewire fixture"),
            *("rewire light", "rewire lights", "rewire lamp", "rewire one", "rewire circuit"),
        ),
    ),
    ReportSubject.OUTLETS: SubjectRule(
        (
            *("outlet", "outlets", "receptacle", "receptacles", "gfci", "gfi", "wiring"),
            *("electrical", "electric", "electricity", "breaker", "breakers", "knob and tube"),
            *("rewire", "rewired", "rewiring"),
        )
    ),
}
"""Rules in order: the first whose words stand in a text says what it is about; else ``other``."""

URGENT_SUBJECTS = (ReportSubject.SHOCK, ReportSubject.LIVE_METAL, ReportSubject.HEAT)
"""What is urgent whoever reports it."""

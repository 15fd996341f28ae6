"""One opening as a drawing and in words: wires, contacts, volts, and what is plugged in.

The drawing is SVG text whose looks come from the style sheet, so that it follows the theme. Lamps
are named by the pair of conductors they sit between and drawn in one neutral colour, because order
and colour differ by maker.
"""

from __future__ import annotations

import math

from dashboard.components.figures import number, word
from pipeline.evidence.circuit import Contact
from pipeline.screens.opening_picture import (
    SITUATIONS,
    OpeningPicture,
    Situation,
    clears,
    fault_path,
)

_Y = {Contact.HOT: 78, Contact.NEUTRAL: 188, Contact.GROUND: 284}
_NAMES = {Contact.HOT: "hot", Contact.NEUTRAL: "neutral", Contact.GROUND: "ground"}
_LIVE = 30.0
"""Volts from which a drawing marks metal as live."""
_CARRIES = 0.5
"""Amperes from which a drawing marks a conductor as carrying."""

PAIR_NAMES = ("N–G", "H–N", "H–G")


def volts(value: float) -> str:
    """Volts, by as many digits as matter beside 120."""
    size = abs(value)
    if size < 0.05:
        return "0 V"
    return f"{number(size, 2)} V" if size < 10 else f"{size:.0f} V"


def circuit_drawing(picture: OpeningPicture) -> str:
    """The opening as SVG: panel to the left, the three contacts, and what is plugged in."""
    parts = [_panel(), *_conductors(picture), _face(picture)]
    if picture.situation is Situation.TESTER:
        parts.append(_tester(picture))
    elif picture.situation is Situation.METER:
        parts.append(_meter(picture))
    else:
        parts.append(_appliance(picture))
    title = f"{word(picture.condition.value)}, {SITUATIONS[picture.situation]}"
    told = " ".join(in_words(picture))
    return (
        f'<svg class="circuit" viewBox="0 0 600 372" role="img" aria-label="{title}. {told}">'
        + "".join(parts)
        + "</svg>"
    )


def _text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    return f'<text x="{x}" y="{y}" class="{kind}" text-anchor="{anchor}">{words}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str = "wire") -> str:
    return f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}" class="{kind}"/>'


def _earth(x: float, y: float) -> str:
    return (
        _line(x, y, x, y + 14)
        + _line(x - 12, y + 14, x + 12, y + 14)
        + _line(x - 8, y + 19, x + 8, y + 19)
        + _line(x - 4, y + 24, x + 4, y + 24)
    )


def _panel() -> str:
    bond = _line(40, _Y[Contact.NEUTRAL], 40, _Y[Contact.GROUND])
    return (
        '<rect x="6" y="40" width="68" height="270" rx="3" class="plate-face"/>'
        + _text(40, 30, "panel", "soft", "middle")
        + bond
        + _earth(40, _Y[Contact.GROUND] + 26)
        + _line(40, _Y[Contact.GROUND], 40, _Y[Contact.GROUND] + 26)
        + _text(20, _Y[Contact.HOT] - 12, "120 V", "volts")
    )


def _conductors(picture: OpeningPicture) -> list[str]:
    landings = {
        Contact.HOT: picture.wiring.hot,
        Contact.NEUTRAL: picture.wiring.neutral,
        Contact.GROUND: picture.wiring.ground,
    }
    drawn = _box_further_up(picture)
    start = 74 if picture.wiring.upstream is None else _BOX
    for own, lands_on in landings.items():
        y = _Y[own]
        name = _NAMES[own]
        carries = picture.amps[name] >= _CARRIES
        kind = "wire carries" if carries else "wire"
        label = name if own is not Contact.GROUND else "equipment ground"
        if lands_on is None:
            absent = own is Contact.GROUND
            end = 74 if absent else 150
            if not absent:
                drawn.append(_line(74, y, end, y, kind))
                drawn.append(_line(end + 8, y - 9, end + 22, y + 9, "wire"))
                drawn.append(_line(end + 22, y - 9, end + 8, y + 9, "wire"))
            drawn.append(_line(end + (0 if absent else 30), y, 290, y, "broken"))
            words = "no equipment ground" if absent else f"{name}, broken"
            drawn.append(_text(86, y - 12, words, "soft"))
            continue
        target = _Y[lands_on]
        if own is Contact.NEUTRAL and picture.wiring.shared_neutral:
            label = "shared neutral"
        drawn.append(
            f'<path d="M{start} {y} H196 C240 {y} 240 {target} 284 {target} H300" class="{kind}"/>'
        )
        words = label + (f", {picture.amps[name]:.0f} A" if carries else "")
        drawn.append(_text(86, y - 12, words, "soft"))
    return drawn


_BOX = 150
"""Where a box further up is drawn."""


def _box_further_up(picture: OpeningPicture) -> list[str]:
    """The wires from the panel to a box further up, and what ties neutral and ground there."""
    box = picture.wiring.upstream
    if box is None:
        return []
    drawn = []
    for own, lands_on in (
        (Contact.HOT, box.hot),
        (Contact.NEUTRAL, box.neutral),
        (Contact.GROUND, box.ground),
    ):
        y = _Y[own]
        if lands_on is None:
            drawn.append(_line(74, y, _BOX, y, "broken"))
            continue
        carries = picture.amps[_NAMES[own]] >= _CARRIES
        drawn.append(_line(74, y, _BOX, _Y[lands_on], "wire carries" if carries else "wire"))
    if box.jumper:
        top, bottom = _Y[Contact.NEUTRAL], _Y[Contact.GROUND]
        drawn.append(_line(_BOX, top, _BOX, bottom, "jumper"))
        drawn.append(_text(_BOX + 8, (top + bottom) / 2 + 5, "bond in a box", "urgent-text"))
        drawn.append(_text(_BOX + 8, (top + bottom) / 2 + 22, "further up", "urgent-text"))
    return drawn


def _face(picture: OpeningPicture) -> str:
    parts = [
        '<rect x="290" y="36" width="104" height="290" rx="12" class="plate-face"/>',
        _text(342, 352, "opening", "soft", "middle"),
    ]
    for contact, y in _Y.items():
        live = abs(picture.volts[contact]) >= _LIVE
        alarming = live and contact is not Contact.HOT
        kind = "contact live" if alarming else "contact"
        shape = (
            f'<path d="M302 {y - 12} h9 a12 12 0 0 1 0 24 h-9 z" class="{kind}"/>'
            if contact is Contact.GROUND
            else f'<rect x="303" y="{y - 13}" width="10" height="26" class="{kind}"/>'
        )
        floating = contact in picture.floating
        words = "floats" if floating else volts(picture.volts[contact])
        letter = contact.value[0].upper()
        parts += [
            shape,
            _text(334, y + 6, words, "volts urgent-text" if alarming else "volts"),
            _text(334, y + 23, letter, "soft"),
        ]
    if picture.wiring.jumper:
        top, bottom = _Y[Contact.NEUTRAL] + 12, _Y[Contact.GROUND] - 12
        carried = picture.amps["jumper"]
        words = "jumper" + (f", {carried:.0f} A" if carried >= _CARRIES else "")
        parts.append(
            f'<path d="M308 {top} C284 {top + 24} 284 {bottom - 24} 308 {bottom}" class="jumper"/>'
        )
        parts.append(_text(312, (top + bottom) / 2 + 5, words, "urgent-text"))
    return "".join(parts)


def _prongs(ends: dict[Contact, float]) -> str:
    return "".join(_line(394, _Y[contact], x, _Y[contact]) for contact, x in ends.items())


def _lamp(x: float, y: float, lit: bool, name: str) -> str:
    rays = ""
    if lit:
        rays = "".join(
            f'<line x1="{x + a * 19}" y1="{y + b * 19}" x2="{x + a * 26}" y2="{y + b * 26}" '
            'class="rays"/>'
            for a, b in ((1, 0), (-1, 0), (0.7, 0.7), (0.7, -0.7), (-0.7, 0.7), (-0.7, -0.7))
        )
    state = "lit" if lit else "dark"
    return (
        f'<circle cx="{x}" cy="{y}" r="14" class="lamp {"lit" if lit else "dark"}"/>{rays}'
        + _text(x + 30, y, name, "volts")
        + _text(x + 30, y + 17, state, "soft")
    )


def _tester(picture: OpeningPicture) -> str:
    lit = picture.lamps or (False, False, False)
    hot, neutral, ground = _Y[Contact.HOT], _Y[Contact.NEUTRAL], _Y[Contact.GROUND]
    upper, lower, wide = (hot + neutral) / 2, (neutral + ground) / 2, 178
    said = picture.legend
    legend = f"legend says {word(said)}" if said else "in no legend"
    return (
        _prongs({Contact.HOT: 530, Contact.NEUTRAL: 430, Contact.GROUND: 530})
        + _line(430, hot, 430, upper - 14)
        + _line(430, upper + 14, 430, lower - 14)
        + _line(430, lower + 14, 430, ground)
        + _line(530, hot, 530, wide - 14)
        + _line(530, wide + 14, 530, ground)
        + _lamp(430, upper, lit[1], PAIR_NAMES[1])
        + _lamp(430, lower, lit[0], PAIR_NAMES[0])
        + _lamp(530, wide, lit[2], PAIR_NAMES[2])
        + _text(594, 344, legend, "volts", "end")
    )


def _load(x: float, amps: float) -> str:
    hot, neutral = _Y[Contact.HOT], _Y[Contact.NEUTRAL]
    middle = (hot + neutral) / 2
    words = f"{number(amps, 2)} A" if amps >= 0.05 else "0 A"
    kind = "wire carries" if amps >= _CARRIES else "wire"
    return (
        _line(x, hot, x, middle - 22, kind)
        + f'<rect x="{x - 9}" y="{middle - 22}" width="18" height="44" class="lamp"/>'
        + _line(x, middle + 22, x, neutral, kind)
        + _text(x + 16, middle - 4, "load", "soft")
        + _text(x + 16, middle + 13, words, "soft")
    )


def _meter(picture: OpeningPicture) -> str:
    neutral, ground = _Y[Contact.NEUTRAL], _Y[Contact.GROUND]
    middle = (neutral + ground) / 2
    shown = "anything" if _anything(picture) else volts(picture.meter_volts or 0.0)
    return (
        _prongs({Contact.HOT: 436, Contact.NEUTRAL: 436, Contact.GROUND: 436})
        + _load(436, picture.amps["load"])
        + _line(436, neutral, 436, middle - 16)
        + f'<circle cx="436" cy="{middle}" r="16" class="lamp"/>'
        + _text(436, middle + 6, "V", "volts", "middle")
        + _line(436, middle + 16, 436, ground)
        + _text(462, middle, f"N–G {shown}", "volts")
        + _text(462, middle + 18, "on the meter", "soft")
    )


def _anything(picture: OpeningPicture) -> bool:
    return bool({Contact.NEUTRAL, Contact.GROUND} & picture.floating)


def _appliance(picture: OpeningPicture) -> str:
    hot, neutral = _Y[Contact.HOT], _Y[Contact.NEUTRAL]
    touch = picture.touch_volts or 0.0
    live = touch >= _LIVE
    parts = [
        '<rect x="416" y="46" width="112" height="256" rx="6" '
        f'class="case{" live" if live else ""}"/>',
        _text(472, 38, "metal case", "soft", "middle"),
        _prongs({Contact.HOT: 440, Contact.NEUTRAL: 440, Contact.GROUND: 416}),
        _load(440, picture.amps["load"]),
    ]
    if picture.situation is Situation.CASE_FAULT:
        start = neutral if picture.wiring.hot is Contact.NEUTRAL else hot
        parts.append(
            f'<path d="M440 {start} l14 -10 l6 14 l12 -14 l6 14 l14 -10 l36 4" class="jumper"/>'
        )
        parts.append(
            _text(424, neutral + 46, f"fault, {picture.amps['fault']:.0f} A", "urgent-text")
        )
    body = "urgent-text" if live else "soft"
    parts += [
        '<circle cx="566" cy="176" r="10" class="lamp"/>',
        _line(566, 186, 566, 234),
        _line(566, 200, 529, 200),
        _line(566, 200, 582, 220),
        _line(566, 234, 556, 272),
        _line(566, 234, 578, 272),
        _earth(566, 276),
        _text(598, 344, f"{volts(touch)} on the case", f"volts {body}", "end"),
    ]
    return "".join(parts)


def in_words(picture: OpeningPicture) -> list[str]:
    """The same as the drawing, in sentences."""
    said = [_wiring_words(picture)]
    if picture.situation is Situation.TESTER and picture.lamps is not None:
        lit = [name for name, on in zip(PAIR_NAMES, picture.lamps, strict=True) if on]
        dark = [name for name, on in zip(PAIR_NAMES, picture.lamps, strict=True) if not on]
        lamps = f"Lit: {', '.join(lit) or 'none'}. Dark: {', '.join(dark) or 'none'}."
        legend = (
            f"A legend calls this {word(picture.legend)}."
            if picture.legend
            else "No legend knows this pattern."
        )
        said += [lamps, legend]
    elif picture.situation is Situation.METER:
        reading = (
            "a contact floats, so the meter may show anything"
            if _anything(picture)
            else f"the meter shows {volts(picture.meter_volts or 0.0)} neutral to ground"
        )
        said.append(f"While {number(picture.amps['load'], 2)} A flow, {reading}.")
    elif picture.shock is not None:
        shock = picture.shock
        said.append(
            f"The case stands at {volts(shock.touch_volts)} against earth; a person who touches it "
            f"and earth gets {_milliamps(shock.body_milliamps)}."
        )
        if picture.situation is Situation.CASE_FAULT:
            said.append(
                f"The fault current of {picture.amps['fault']:.0f} A goes {fault_path(picture)}. "
                f"The breaker {_ends(shock.breaker_untouched)}; with somebody touching, a GFCI "
                f"further up {_ends(shock.gfci_touched[0])}."
            )
        else:
            said.append(
                f"The breaker {_ends(shock.breaker_touched)}; a GFCI further up "
                f"{_ends(shock.gfci_touched[0])}."
            )
    return said


def _ends(seconds: float) -> str:
    return "never ends it" if math.isinf(seconds) else f"ends it {clears(seconds)}"


def _milliamps(value: float) -> str:
    return "less than 0.1 mA" if value < 0.1 else f"{number(value, 2)} mA"


def _wiring_words(picture: OpeningPicture) -> str:
    wiring = picture.wiring
    landings = []
    for name, own, lands_on in (
        ("hot", Contact.HOT, wiring.hot),
        ("neutral", Contact.NEUTRAL, wiring.neutral),
        ("equipment ground", Contact.GROUND, wiring.ground),
    ):
        if lands_on is None:
            landings.append(
                "there is no equipment ground"
                if own is Contact.GROUND
                else f"the {name} conductor is broken"
            )
        elif lands_on is not own:
            landings.append(f"the {name} conductor is on the {_NAMES[lands_on]} contact")
    if wiring.jumper:
        landings.append("a jumper ties neutral and ground contact together")
    if wiring.poor_ground:
        landings.append("the ground path has a high resistance of its own")
    if wiring.shared_neutral:
        landings.append("it is shared with another circuit, whose loads pull on it too")
    if wiring.upstream is not None:
        if wiring.upstream.neutral is None:
            landings.append("the neutral conductor is broken further up")
        landings.append(
            "in a box further up the ground wire is bonded to the neutral and reaches no further"
        )
        if wiring.upstream.hot is Contact.NEUTRAL:
            landings.append("hot and neutral are swapped in that box")
    if not landings:
        return "Every conductor is on its own contact."
    text = "; ".join(landings)
    return text[0].upper() + text[1:] + "."

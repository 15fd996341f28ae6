"""A section through a building as HTML with a small SVG sign for each opening.

Screens and printed pages draw with this; looks come from ``section.css``. A sign tells by its form,
not by colour alone: what it stands for is listed under the drawing.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources

from markupsafe import Markup

from pipeline.pages import page
from pipeline.screens.opening_known import KNOWN_WORDS, Known
from pipeline.screens.section import Circuit, Dwelling, Opening, Section, Storey
from shared.in_words import count, plural
from shared.shown import as_html, visible
from shared.vocabulary import Slots

LARGE_OPENINGS, LARGE_DWELLINGS = 130, 24
"""With more, signs are small and bear no names, and dwellings flow on one line."""
_NAME_SHOWN = 6

SECTION_CSS = resources.files("pipeline.pages").joinpath("section.css").read_text(encoding="utf-8")
"""The drawing's looks; within a dashboard they follow its theme."""

_TWO_SLOTS = '<path class="slots" d="M11.5 9v6M18.5 9v6"/>'
_GROUND = '<path class="slots" d="M12.5 23v-2.5a2.5 2.5 0 0 1 5 0V23z"/>'
_TOP, _HIGH = 4, 24


def section_page(section: Section, next_look: str, urgent: bool, version: str) -> str:
    """Return a page to print: the drawing on its first sheet, then why, opening by opening.

    Args:
        section: the building.
        next_look: what to look at next, in words.
        urgent: whether anything is.
        version: of the warehouse.
    """
    return page(
        "section.html",
        title=f"Section through {section.name} – Coverplate",
        name=section.name if section.name == section.building_id
        else f"{section.name} ({section.building_id})",
        css=Markup(SECTION_CSS),
        drawing=Markup(section_drawing(section, place_on_page)),
        openings=list(section.openings),
        next_look=next_look,
        urgent=urgent,
        version=version,
    )  # fmt: skip


def place_on_page(opening: Opening) -> str:
    """Where a printed page tells of an opening."""
    return f"#o-{opening.number}"


def section_drawing(section: Section, address: Callable[[Opening], str]) -> str:
    """Return the drawing.

    Args:
        section: the building.
        address: where an opening's sign leads: a place on the page (``#o-1``), a page of the
            program, or nowhere ("").
    """
    counts = section.counts
    dwellings = sum(len(each.dwellings) for each in section.storeys)
    many = sum(counts.values()) > LARGE_OPENINGS or dwellings > LARGE_DWELLINGS
    size = "small" if section.drawn and many else "large"
    known = "" if section.storeys_known else " unknown"
    told = " ".join((*section.told, section.unseen_told, _counts_told(counts)))
    body = "".join(_storey(section, each, address, size) for each in section.storeys)
    papers = "".join(f'<p class="paper">{_alert(each)}</p>' for each in section.papers)
    unseen = ""
    if section.unseen_told:
        mark = '<span class="mark">next look</span> ' if section.unseen_next else ""
        unseen = f'<p class="unseen">{mark}{as_html(section.unseen_told)}</p>'
    lines = "".join(f"<p>{as_html(each)}</p>" for each in section.told)
    return (
        f'<div class="section {size}{known}" role="group" '
        f'aria-label="{as_html(f"Section through {section.name}. {told}")}">'
        f'<div class="told">{lines}</div>{papers}'
        f'<div class="walls">{body or _nothing()}</div>{unseen}{_legend(counts)}</div>'
    )


def _counts_told(counts: dict[Known, int]) -> str:
    return "; ".join(
        f"{count(many)} {KNOWN_WORDS[known]}" for known, many in counts.items() if many
    )


def _nothing() -> str:
    return '<div class="storey"><p class="empty-storey">No opening is recorded here.</p></div>'


def _alert(words: str) -> str:
    return f'<b class="alert">▲ urgent</b> {as_html(words)}'


def _storey(
    section: Section, storey: Storey, address: Callable[[Opening], str], size: str
) -> str:  # fmt: skip
    off = " off" if section.storeys_known and storey.number is None else ""
    head = f'<h4 class="level">{as_html(storey.label)}</h4>'
    if not storey.dwellings:
        return f'<div class="storey">{head}<p class="empty-storey">nothing recorded</p></div>'
    inside = (
        "".join(_dwelling(each, address, size) for each in storey.dwellings)
        if section.drawn
        else _counted(storey, address)
    )
    return f'<div class="storey{off}">{head}<div class="dwellings">{inside}</div></div>'


def _dwelling(dwelling: Dwelling, address: Callable[[Opening], str], size: str) -> str:
    name = as_html(dwelling.unit_id) or "no unit named"
    papers = "".join(f'<p class="paper">{_alert(each)}</p>' for each in dwelling.papers)
    circuits = "".join(_circuit(each, address, size) for each in dwelling.circuits)
    return f'<div class="dwelling"><h5>{name}</h5>{papers}{circuits}</div>'


def _circuit(circuit: Circuit, address: Callable[[Opening], str], size: str) -> str:
    wired = circuit.circuit_id is not None
    full = circuit.circuit_id if circuit.circuit_id is not None else "circuit not known"
    shown = as_html(_short(full)) if wired else "?"
    signs = "".join(_link(each, address, size, wired=wired) for each in circuit.openings)
    return (
        f'<div class="circuit-run"><span class="circuit-name" title="{as_html(full)}">{shown}'
        f'</span><span class="signs">{signs}</span></div>'
    )


def _counted(storey: Storey, address: Callable[[Opening], str]) -> str:
    """A storey with too many dwellings to draw: numbers, and what presses."""
    counts = "".join(
        f'<span class="counted">{_sign(known)} {count(many)}</span>'
        for known, many in storey.counts.items()
        if many
    )
    pressing = (_pressing(each) for each in storey.dwellings)
    drawn = "".join(_dwelling(each, address, "large") for each in pressing if each)
    return (
        f'<div class="dwelling counts"><h5>{plural(len(storey.dwellings), "unit")}</h5>'
        f'<p class="counted-all">{counts}</p></div>{drawn}'
    )


def _pressing(dwelling: Dwelling) -> Dwelling | None:
    """A dwelling with only what is urgent or next to be looked at; None where nothing is."""
    circuits = tuple(
        Circuit(each.circuit_id, found)
        for each in dwelling.circuits
        if (found := tuple(o for o in each.openings if o.next_place or o.known is Known.URGENT))
    )
    if not circuits and not dwelling.papers:
        return None
    return Dwelling(dwelling.unit_id, circuits, dwelling.papers)


def _short(name: str) -> str:
    shown = visible(name)
    return shown if len(shown) <= _NAME_SHOWN else shown[: _NAME_SHOWN - 1] + "…"


def _link(opening: Opening, address: Callable[[Opening], str], size: str, *, wired: bool) -> str:
    next_look = "" if opening.next_place is None else f" Next look {opening.next_place}."
    told = as_html(opening.told + next_look)
    leads = as_html(address(opening))
    name = f"<span>{as_html(_short(opening.opening_id))}</span>" if size == "large" else ""
    sign = _sign(
        opening.known, opening.p_dangerous, opening.slots, opening.next_place,
        wired=wired, told=told,
    )  # fmt: skip
    if not leads:
        return f'<span class="sign" title="{told}">{sign}{name}</span>'
    inside = "" if leads.startswith("#") else f' data-open="{leads}" target="_self"'
    return f'<a class="sign" href="{leads}"{inside} title="{told}">{sign}{name}</a>'


def _sign(
    known: Known,
    p_dangerous: float | None = None,
    slots: str | None = Slots.THREE_SLOT,
    place: int | None = None,
    *,
    wired: bool = False,
    told: str = "",
) -> str:
    """One receptacle as SVG; ``told`` is escaped already, and without it the sign is decoration."""
    wire = '<path class="wire" d="M0 16h30"/>' if wired else ""
    gauge = "" if p_dangerous is None else _gauge(p_dangerous)
    face = (_TWO_SLOTS if slots is not None else "") + (
        _GROUND if slots == Slots.THREE_SLOT else ""
    )
    badge = (
        ""
        if place is None
        else f'<circle class="badge" cx="24" cy="6" r="6"/><text x="24" y="9.2">{place}</text>'
    )
    said = f'role="img" aria-label="{told}"' if told else 'aria-hidden="true"'
    return (
        f'<svg class="is-{known.value}" viewBox="0 0 30 32" {said}>{wire}'
        f"{_SHAPES[known](face, gauge)}{badge}</svg>"
    )


def _gauge(p_dangerous: float) -> str:
    high = _HIGH * min(1.0, max(0.0, p_dangerous))
    return (
        f'<rect class="gauge" x="6" y="{_TOP + _HIGH - high:.1f}" width="18" height="{high:.1f}"/>'
    )


def _plate(inside: str) -> str:
    return (
        f'<rect class="ground" x="5" y="3" width="20" height="26" rx="3"/>{inside}'
        '<rect class="plate" x="5" y="3" width="20" height="26" rx="3"/>'
    )


_SHAPES: dict[Known, Callable[[str, str], str]] = {
    Known.URGENT: lambda face, gauge: (
        '<path class="alarm" d="M15 2 29 30H1z"/><path class="cut" d="M15 11v10M15 24.2v2.6"/>'
    ),
    Known.MEASURED: lambda face, gauge: (
        '<rect class="found" x="4" y="2" width="22" height="28" rx="3"/>'
        '<path class="cut" d="m10 10 10 12M20 10 10 22"/>'
    ),
    Known.REPORTED: lambda face, gauge: (
        _plate("") + '<path class="cross" d="m10 10 10 12M20 10 10 22"/>'
    ),
    Known.PROVEN: lambda face, gauge: _plate("") + '<path class="tick" d="m9 16.5 4.4 5L21.5 10"/>',
    Known.CAPABLE: lambda face, gauge: _plate(gauge + face),
    Known.BLIND: lambda face, gauge: _plate(gauge + face),
    Known.NEVER: lambda face, gauge: (
        _plate(gauge)
        + '<path class="asks" d="M11.8 13a3.3 3.3 0 1 1 4.8 2.9c-1.2.6-1.6 1.2-1.6 2.6'
        'M15 21.6v2"/>'
    ),
}


def _legend(counts: dict[Known, int]) -> str:
    lines = "".join(
        f"<li>{_sign(known, 0.4 if known in _INFERRED else None)}<span><b>{count(counts[known])}"
        f"</b> {as_html(KNOWN_WORDS[known])}</span></li>"
        for known in Known
    )
    wire = '<svg viewBox="0 0 30 32" aria-hidden="true"><path class="wire" d="M0 16h30"/></svg>'
    badge = (
        '<svg viewBox="0 0 30 32" aria-hidden="true"><circle class="badge" cx="15" cy="16" r="9"/>'
        '<text x="15" y="20">1</text></svg>'
    )
    return (
        f'<ul class="legend">{lines}'
        f"<li>{badge}<span>where to look next, in order</span></li>"
        f"<li>{wire}<span>one circuit; its order along the wire is not known</span></li></ul>"
        '<p class="key">A face is filled from below by the chance that the opening is dangerous. '
        "Slots are drawn where somebody noted them.</p>"
    )


_INFERRED = frozenset({Known.CAPABLE, Known.BLIND, Known.NEVER})

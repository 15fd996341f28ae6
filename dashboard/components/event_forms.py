"""Forms for what can happen to a finding: one small form a kind of event."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Any, Literal, get_args

import streamlit as st

from dashboard.components.figures import day, word
from dashboard.components.plate import label
from pipeline.ledger import Finding
from pipeline.ledger import events as ev
from pipeline.ledger.remedies import allowed_remedies, why_refused
from pipeline.ledger.targets import first_target
from pipeline.ledger.verification import WITHOUT_WORKER
from shared.records import GFCI_YEARS
from shared.rule_book import RuleBook
from shared.vocabulary import Marking, Method, Polarity, Result, Slots, YesNo

KINDS: dict[str, str] = {
    "accepted": "Somebody takes it on",
    "assigned": "Assign it to a firm",
    "quoted": "A firm named its price",
    "made_safe": "Made safe for now (the defect remains)",
    "made_live_again": "In use again after being made safe",
    "fix_reported": "A fix is reported",
    "look": "A look after the fix",
    "notice_given": "Tenant was given notice",
    "entry_refused": "Tenant refused entry",
    "no_access": "No access",
    "paused": "Pause the own target date",
    "resumed": "Target date runs again",
    "commented": "Comment",
    "dismissed": "Close on paper (nothing is repaired)",
    "reopened": "Reopen",
}
"""Kinds of event that a person can write here, and what they say."""

Content = dict[str, Any]


def _text(label: str, key: str, **more: Any) -> str | None:  # noqa: ANN401 - passed through
    return (st.text_input(label, key=key, **more) or "").strip() or None


def _day(label: str, key: str) -> dt.date:
    picked = st.date_input(label, value="today", key=key, format="YYYY-MM-DD")
    return picked if isinstance(picked, dt.date) else dt.date.today()


def _note(key: str, label: str = "Note") -> str | None:
    return (st.text_area(label, key=key, height=80) or "").strip() or None


def accepted(_finding: Finding, _book: RuleBook) -> Content:
    """Somebody takes it on."""
    return {"note": _note("note-accepted")}


def assigned(finding: Finding, book: RuleBook) -> Content:
    """A firm is to deal with it."""
    st.caption(
        f"First target: {day(first_target(book, finding))}. A later due day needs a reason in the "
        "note, and the first target stays; without a due day the present target stays."
    )
    return {
        "firm": _text("Firm", "firm-assigned"),
        "person": _text("Person", "person-assigned"),
        "due_on": st.date_input("Due on", value=None, key="due-assigned", format="YYYY-MM-DD"),
        "note": _note("note-assigned"),
    }


def quoted(finding: Finding, book: RuleBook) -> Content:
    """A firm named its price."""
    allowed = (
        allowed_remedies(book, finding.condition, finding.raised.slots) if finding.condition else {}
    )
    until = st.date_input("Valid until", value=None, key="until-quoted", format="YYYY-MM-DD")
    return {
        "firm": _text("Firm", "firm-quoted"),
        "amount": st.number_input("Amount", min_value=0.0, step=10.0, key="amount-quoted"),
        "valid_until": until,
        "remedy": st.selectbox(
            "Remedy",
            [None, *allowed],
            format_func=lambda key: "not said" if key is None else book.remedies[key].label,
            key="remedy-quoted",
        ),
        "note": _note("note-quoted"),
    }


def made_safe(_finding: Finding, _book: RuleBook) -> Content:
    """Out of reach for now."""
    ways = get_args(ev.MadeSafe.model_fields["how"].annotation)
    return {
        "how": st.selectbox("How", ways, format_func=word, key="how-safe"),
        "since": _day("Since", "since-safe"),
        "note": _note("note-safe"),
    }


def made_live_again(_finding: Finding, _book: RuleBook) -> Content:
    """In use again."""
    return {"since": _day("Since", "since-live"), "reason": _text("Why", "why-live")}


def fix_reported(finding: Finding, book: RuleBook) -> Content:
    """Somebody says that it is repaired."""
    slots = finding.raised.slots
    allowed = (
        allowed_remedies(book, finding.condition, slots) if finding.condition is not None else {}
    )
    remedy = st.selectbox(
        "Remedy",
        list(allowed),
        format_func=lambda key: f"{allowed[key].label} ({allowed[key].rule})",
        key="remedy-fix",
    )
    if finding.condition is not None:
        refused = [
            f"- {label(each.label)}: {label(why_refused(each, finding.condition, slots))}"
            for name, each in book.remedies.items()
            if name not in allowed
        ]
        if refused:
            with st.expander("Not accepted as a fix of this finding, and why"):
                st.markdown("\n".join(refused))
    left, right = st.columns(2)
    with left:
        firm = _text("Firm", "firm-fix")
        worker = _text("Done by", "worker-fix", help=label(WITHOUT_WORKER))
        licence = _text("Licence number", "licence-fix")
    with right:
        fixed_on = _day("Fixed on", "fixed-on")
        cost = st.number_input("Cost", min_value=0.0, value=None, key="cost-fix")
        permit = _text("Permit number", "permit-fix")
    labels = [Marking.NO_EQUIPMENT_GROUND.value, Marking.GFCI_PROTECTED.value]
    needed = [m.value for m in allowed[remedy].markings] if remedy in allowed else []
    markings = st.pills(
        "Markings applied"
        + (f" (this remedy requires: {', '.join(word(m) for m in needed)})" if needed else ""),
        labels,
        selection_mode="multi",
        format_func=word,
        key="markings-fix",
    )
    gfci_year = gfci_tested_on = None
    if remedy in allowed and allowed[remedy].protected_after == "yes":
        left, right = st.columns(2)
        with left:
            gfci_year = st.number_input(
                "Year in which the GFCI was made or installed",
                *GFCI_YEARS, value=None, step=1, key="gfci-year",
            )  # fmt: skip
        with right:
            gfci_tested_on = st.date_input(
                "Its own button last took the power off on", value=None, key="gfci-tested",
                format="YYYY-MM-DD",
            )  # fmt: skip
    files = _text("Attachments: paths or links, separated by spaces", "files-fix")
    if remedy in allowed:
        each = allowed[remedy]
        checks = "".join(f" Check with your authority: {c}." for c in each.check_with_authority)
        st.caption(label(f"To be done by: {each.done_by}.{checks}"))
    return {
        "remedy": remedy,
        "fixed_on": fixed_on,
        "firm": firm,
        "worker": worker,
        "licence": licence,
        "permit": permit,
        "cost": cost,
        "markings": tuple(markings or ()),
        "gfci_year": gfci_year,
        "gfci_tested_on": gfci_tested_on,
        "attachments": tuple((files or "").split()),
        "note": _note("note-fix"),
    }


def look(_finding: Finding, _book: RuleBook, capable: Sequence[Method] = ()) -> Content:
    """What a look after the fix found; measured values where there are any."""
    if capable:
        st.caption("Able to prove this fix: " + ", ".join(word(m.value) for m in capable) + ".")
    methods = [m.value for m in Method]
    first = methods.index(capable[-1].value) if capable else 0
    left, right = st.columns(2)
    with left:
        method = st.selectbox("Method", methods, index=first, format_func=word, key="look-method")
        result = st.selectbox(
            "Result", [r.value for r in Result], format_func=word, key="look-result"
        )
        slots = _choice("Slots", Slots, "look-slots")
        volts = st.number_input("Neutral to ground, V", min_value=0.0, value=None, key="look-volts")
        amps = st.number_input("Load, A", min_value=0.0, value=None, key="look-amps")
        ohms = st.number_input("Ground path, Ω", min_value=0.0, value=None, key="look-ohms")
    with right:
        observed_on = _day("Looked on", "look-on")
        inspector = _text("Inspector", "look-by")
        firm_of_inspector = _text("Firm or office of the inspector", "look-by-firm")
        cover = _choice("Cover removed", YesNo, "look-cover")
        ground = _choice("Ground present", YesNo, "look-ground")
        jumper = _choice("Neutral-to-ground jumper", YesNo, "look-jumper")
        polarity = _choice("Polarity", Polarity, "look-polarity")
        gfci = _choice("GFCI-protected", YesNo, "look-gfci")
        button = _choice("The GFCI's own button took the power off", YesNo, "look-button")
        marking = _choice("Marking", Marking, "look-marking")
    with st.expander("Heat, shock, voltage on metal"):
        heat = _choice("Hot, or scorch marks", YesNo, "look-heat")
        shock = _choice("Shock reported", YesNo, "look-shock")
        detector = _choice("Non-contact detector answers on metal", YesNo, "look-detector")
        plate = st.number_input("Plate to earth, V", min_value=0.0, value=None, key="look-plate")
        case = st.number_input("Case to earth, V", min_value=0.0, value=None, key="look-case")
        contact = st.number_input(
            "Ground contact to earth, V", min_value=0.0, value=None, key="look-contact"
        )
    return {
        "observed_on": observed_on,
        "inspector": inspector,
        "firm_of_inspector": firm_of_inspector,
        "method": method,
        "result": result,
        "slots": slots,
        "cover_removed": cover,
        "ground_present": ground,
        "neutral_ground_jumper": jumper,
        "polarity": polarity,
        "neutral_ground_volts": volts,
        "load_amps": amps,
        "ground_path_ohms": ohms,
        "gfci_protected": gfci,
        "gfci_button_tripped": button,
        "marking": marking,
        "heat_or_scorch": heat,
        "shock_reported": shock,
        "non_contact_detector": detector,
        "plate_earth_volts": plate,
        "case_earth_volts": case,
        "ground_contact_earth_volts": contact,
        "note": _note("note-look"),
    }


def _choice(label: str, words: Any, key: str) -> str | None:  # noqa: ANN401 - a vocabulary
    return st.selectbox(
        label,
        [None, *(w.value for w in words)],
        format_func=lambda value: "not noted" if value is None else word(value),
        key=key,
    )


def notice_given(_finding: Finding, _book: RuleBook) -> Content:
    """The tenant was told."""
    return {
        "given_on": _day("Given on", "notice-on"),
        "entry_on": st.date_input("Entry on", value=None, key="entry-on", format="YYYY-MM-DD"),
        "note": _note("note-notice"),
    }


def on_a_day(kind: Literal["entry_refused", "no_access"]) -> Callable[[Finding, RuleBook], Content]:
    """A form of a day and a note."""

    def form(_finding: Finding, _book: RuleBook) -> Content:
        return {"on": _day("On", f"on-{kind}"), "note": _note(f"note-{kind}")}

    return form


def paused(_finding: Finding, _book: RuleBook) -> Content:
    """The own target stands still; regulatory windows run on."""
    reasons = get_args(ev.Paused.model_fields["reason"].annotation)
    st.caption(
        "Only your present target stands still. The first target stays where it is, the finding "
        "goes on counting against it, and regulatory windows run on."
    )
    return {
        "since": _day("Since", "since-paused"),
        "reason": st.selectbox("Why", reasons, format_func=word, key="why-paused"),
        "note": _note("note-paused", "The reason in words (needed)"),
    }


def resumed(_finding: Finding, _book: RuleBook) -> Content:
    """The own target runs again."""
    return {"since": _day("Since", "since-resumed")}


def commented(_finding: Finding, _book: RuleBook) -> Content:
    """Anything else."""
    return {"text": (st.text_area("Comment", key="text-comment") or "").strip()}


def with_reason(kind: str) -> Callable[[Finding, RuleBook], Content]:
    """A form of a reason alone."""

    def form(_finding: Finding, _book: RuleBook) -> Content:
        return {"reason": _text("Why", f"why-{kind}")}

    return form


FORMS: dict[str, Callable[[Finding, RuleBook], Content]] = {
    "accepted": accepted,
    "assigned": assigned,
    "quoted": quoted,
    "made_safe": made_safe,
    "made_live_again": made_live_again,
    "fix_reported": fix_reported,
    "notice_given": notice_given,
    "entry_refused": on_a_day("entry_refused"),
    "no_access": on_a_day("no_access"),
    "paused": paused,
    "resumed": resumed,
    "commented": commented,
    "dismissed": with_reason("dismissed"),
    "reopened": with_reason("reopened"),
}
"""The form of each kind; ``look`` has its own, since it is judged before it is written."""


def given(content: Content) -> Content:
    """What was filled in: blanks are left out."""
    return {key: value for key, value in content.items() if value is not None and value != ""}

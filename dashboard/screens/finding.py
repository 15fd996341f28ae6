"""One finding: where it stands, what happened, and what can be written down next."""

from __future__ import annotations

import datetime as dt
from typing import Any

import streamlit as st
from pydantic import ValidationError

from dashboard.components import plate
from dashboard.components.bill_form import bill_form
from dashboard.components.building_anew import refused
from dashboard.components.downloads import downloads
from dashboard.components.estimate import estimate
from dashboard.components.event_forms import FORMS, KINDS, given, look
from dashboard.components.figures import count, day, missing, number, percent, plural, word
from dashboard.components.finding_rows import (
    due_words,
    place,
    regulation_words,
    state_chip,
    target_words,
    urgent_chip,
    what,
)
from dashboard.components.findings_source import (
    ORIGIN,
    dated_findings,
    gfci_of,
    ledger,
    looks_since,
    who,
)
from dashboard.components.frame import empty, follow, screen
from dashboard.components.papers import papers_of
from dashboard.components.source import rule_book
from pipeline.ledger import STATE_MEANING, Event, Finding, Look, parse_payload
from pipeline.ledger.due import MOVE_WORDS, WINDOW_WORDS, target_moves
from pipeline.ledger.events import KIND_WORDS, refused_content
from pipeline.ledger.further_up import capable_there, stands_further_up
from pipeline.ledger.gfci import known_words
from pipeline.ledger.state import allowed_after
from pipeline.ledger.verification import proving_methods
from pipeline.warehouse.looks_by_hand import record_look
from shared.faults import CoverplateError

FIRST = ("occurrence", 1)
SKIPPED = {"kind", "rule_book_hash", "building_id", "unit_id", "opening_id", "family"}


def heading(row: dict[str, Any]) -> str:
    """What and where it is, and how it stands."""
    shown = row["name"] if not missing(row["name"]) else row["building_id"]
    meaning = STATE_MEANING[row["state"]]
    likely = (
        "" if missing(row["probability"]) else f" The defect: {percent(row['probability'])} sure."
    )
    due = "; ".join(part for part in (due_words(row), target_words(row)) if part)
    return (
        f'<h2 class="name">{plate.text(what(row).capitalize())} {urgent_chip(row)}'
        f"{state_chip(row['state'])}</h2>"
        f"<p>{plate.link(shown, 'building', id=row['building_id'])}, {plate.text(place(row))}</p>"
        f'<p class="soft">{plate.text(meaning.capitalize())}.{likely} '
        f"{plate.text(due[:1].upper() + due[1:])}.</p>"
    )


def facts(row: dict[str, Any]) -> str:
    """The finding in figures."""
    window = (
        []
        if missing(row["regulatory_standing"])
        else [
            (
                "Regulatory window",
                WINDOW_WORDS[row["regulatory_standing"]],
                regulation_words(row["regulation"]),
            )
        ]
    )
    moved = plural(row["times_moved"], "time")
    return plate.figures(
        [
            ("Severity", word(row["severity_class"]), "from the rule book"),
            ("First target", day(row["first_target_on"]), "from the raising; nothing moves it"),
            ("Present target", day(row["present_target_on"]), f"moved {moved}"),
            *window,
            (
                "First seen",
                day(row["first_seen_on"]),
                f"seen again {count(row['times_seen_again'])} times",
            ),
            ("Firm", str(row["firm"]) if not missing(row["firm"]) else "nobody", "assigned"),
            ("Fixes disproved", count(row["failed_fixes"]), "by a look after the fix"),
        ]
    )


def moves(row: dict[str, Any]) -> None:
    """How the own target moved, move by move."""
    frame = target_moves(ledger(), rule_book(), building_id=row["building_id"])
    found = frame[frame["finding_id"] == row["finding_id"]]
    if found.empty:
        return
    st.subheader("How its target moved", anchor=False)
    body = plate.table(
        found.to_dict(orient="records"),
        [
            plate.Column("What", lambda r: plate.text(MOVE_WORDS[r["kind"]]), heads=True),
            plate.Column("From", lambda r: plate.text(day(r["from_day"])), half=True),
            plate.Column("To", lambda r: plate.text(day(r["to_day"])), half=True),
            plate.Column("Why", lambda r: plate.text(word(r["reason"]))),
            plate.Column(
                "Written",
                lambda r: plate.text(f"{day(r['written_at'])}, {r['who']}, no. {r['sequence']}"),
            ),
        ],
        "The first target stays where it is: the finding counts against it whatever moved.",
    )
    plate.show(body, key="moves")


def told(event: Event) -> str:
    """One event in a line: what, when, by whom, and what was written."""
    content = event.content()
    inner = content.pop("look", None)
    details = {**content, **(inner or {})}
    parts = [
        f"{plate.text(word(key))}: {plate.text(_shown(value))}"
        for key, value in details.items()
        if key not in SKIPPED and value not in ("", [], None, "none") and (key, value) != FIRST
    ]
    when = f"{day(event.recorded_at.date())}, {event.recorded_at:%H:%M} UTC"
    return (
        f'<li><span class="strong">{plate.text(KIND_WORDS[event.kind])}</span> '
        f'<span class="soft">{when} · {plate.text(event.who)} · {plate.text(event.origin)} · '
        f"no. {event.sequence}</span><br>"
        f'<span class="small">{"; ".join(parts)}</span></li>'
    )


def _shown(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(word(member) for member in value)
    if isinstance(value, float):
        return number(value, 3)
    text = str(value)
    try:
        return day(dt.date.fromisoformat(text))
    except ValueError:
        return word(text)


def write(finding: Finding) -> None:
    """The form for what happened next."""
    allowed = allowed_after(finding)
    kinds = [k for k in KINDS if k in allowed or (k == "look" and "verified" in allowed)]
    st.subheader("Write down what happened", anchor=False)
    left, right = st.columns([1, 2], vertical_alignment="bottom")
    with left:
        name = who()
    with right:
        kind = st.selectbox("What happened?", kinds, format_func=lambda k: KINDS[k], key="happened")
    if kind is None:
        return
    book = rule_book()
    with st.form(f"event-{kind}"):
        if kind == "look":
            content = look(finding, book, tuple(capable_there(ledger(), finding)))
        else:
            content = FORMS[kind](finding, book)
        sent = st.form_submit_button("Write it down", type="primary")
    seen = f"seen-{finding.finding_id}"
    if sent:
        expected = int(st.session_state.get(seen, finding.sequence))
        _written(finding, kind, given(content), name, expected)
    st.session_state[seen] = finding.sequence
    kept = papers_of(finding.finding_id, name)
    if kept:
        st.session_state["written"] = kept
        st.rerun()
    if "billed" in allowed:
        with st.expander("A bill for this finding alone"):
            named = [(finding.finding_id, finding.sequence)]
            billed = bill_form(
                named, name, key=finding.finding_id, firm=finding.firm or finding.quoted_by or ""
            )
        if billed:
            st.session_state["written"] = KIND_WORDS["billed"]
            st.rerun()


def _written(
    finding: Finding, kind: str, content: dict[str, Any], name: str, expected: int
) -> None:
    if not name:
        st.error("Give your name first: it stands beside what you write. Nothing was written.")
        return
    raised: list[Event] = []
    try:
        if kind == "look":
            try:
                seen = Look.model_validate(content)
            except ValidationError as fault:
                raise refused_content(fault, "look") from fault
            event, *raised = record_look(
                ledger(), finding.finding_id, seen, who=name, origin=ORIGIN, expected=expected
            )
        else:
            payload = parse_payload({"kind": kind, **content})
            event = ledger().append(
                finding.finding_id, payload, who=name, origin=ORIGIN, expected=expected
            )
    except CoverplateError as refusal:
        refused(refusal)
        return
    st.session_state[f"seen-{finding.finding_id}"] = event.sequence
    st.session_state["written"] = KIND_WORDS[event.kind] + "".join(
        f". ▲ Urgent: {each.finding_id} stands for what the look tells of danger" for each in raised
    )
    st.rerun()


def proof(finding: Finding) -> str:
    """Which looks would prove a reported fix and what they must say; why others would not."""
    up = stands_further_up(ledger(), finding)
    rows = proving_methods(ledger().judge, finding, further_up=up)
    together: dict[str, list[str]] = {}
    for row in rows:
        if row["proves"]:
            together.setdefault("; ".join(row["must_say"]), []).append(word(row["method"]))
    able = "".join(
        f"<li><b>{plate.text(', '.join(methods))}</b>, if it says {plate.text(says)}</li>"
        for says, methods in together.items()
    )
    blind = "".join(f"<li>{plate.text(row['reason'])}</li>" for row in rows if row["reason"])
    most = rows[0]["ground_ohms_below"]
    ohms = "" if most is None else f" The ground path must measure less than {most:g} Ω."
    unnamed = rows[0]["worker_missing"]
    return (
        '<section class="panel next"><h3>Reported is not proven</h3>'
        f"<p>This counts as repaired once somebody else than who did the work has looked after "
        f"{day(rows[0]['after'])} by one of these:{ohms}</p><ul>{able}</ul>"
        + (f"<p><b>{plate.text(unnamed)}</b></p>" if unnamed else "")
        + (f"<p>These would not prove it:</p><ul>{blind}</ul>" if blind else "")
        + "</section>"
    )


def about_gfci(row: dict[str, Any]) -> None:
    """The GFCI that the repair rests on: what is known of it, and what is to be asked."""
    device = gfci_of(row["building_id"], row["finding_id"])
    if device is None:
        return
    asked = "".join(f"<li>{plate.text(each)}</li>" for each in device["asked"])
    told = known_words(device)
    plate.show(
        '<section class="panel"><h3>The GFCI that it rests on</h3>'
        f"<p>{plate.text(told[:1].upper() + told[1:])}.</p>"
        + (
            f"<p>To be asked; no probability and no state goes by it:</p><ul>{asked}</ul>"
            if asked
            else ""
        )
        + "</section>",
        key="gfci",
    )


def since(finding: Finding) -> None:
    """The looks that landed since the fix, and what each says of it."""
    frame = looks_since(finding.finding_id)
    if frame.empty:
        return
    lines = "".join(
        f"<li><b>{plate.text(word(row['method']))}</b> of {day(row['observed_on'])}, "
        f"{plate.text(row['inspector'] or 'nobody named')}: {row['says']}"
        f"{'' if row['says'] == 'nothing' else ' the fix'} ({plate.text(row['reason'])})</li>"
        for row in frame.to_dict(orient="records")
    )
    plate.show(
        '<section class="panel"><h3>Looks that landed since the fix</h3>'
        f"<p>What each says of it:</p><ul>{lines}</ul></section>",
        key="since",
    )
    downloads(frame, f"looks-since-{finding.finding_id}", "these looks")


@screen(
    "One finding",
    "From the first look that pointed at a defect to the look that proves its repair. Nothing is "
    "overwritten; what turned out wrong is answered by a later line.",
)
def page() -> None:
    """The screen."""
    wanted = st.query_params.get("id")
    frame = dated_findings()
    rows = frame[frame["finding_id"] == wanted]
    if rows.empty:
        words = "Choose one from the list." if not wanted else f"The ledger has no {wanted}."
        empty("no-finding", "Which finding?", words)
        body = f"<p>{plate.link('All findings', 'findings')}</p>"
        follow(plate.show(body, key="all-findings"))
        return
    row = {str(k): v for k, v in rows.iloc[0].to_dict().items()}
    follow(plate.show(heading(row), key="heading"))
    done = st.session_state.pop("written", None)
    if done:
        st.success(plate.label(f"Written down: {done.rstrip('.')}."))
    plate.show(facts(row), key="facts")
    finding = ledger().finding(str(wanted))
    if finding.fix is not None and row["state"] == "fix_reported_unproven":
        plate.show(proof(finding), key="proof")
        since(finding)
    about_gfci(row)
    if row["opens"]:
        estimate(row["building_id"], [finding.finding_id], finding.finding_id)
    moves(row)
    st.subheader("What happened", anchor=False)
    events = ledger().history(str(wanted))
    lines = "".join(told(event) for event in reversed(events))
    plate.show(f'<ol class="history">{lines}</ol>', key="history")
    write(finding)


page()

"""Files and permits of a visit or a finding: what is kept, and forms to add to it."""

from __future__ import annotations

import datetime as dt
from contextlib import ExitStack
from typing import Any

import streamlit as st

from dashboard.components import plate, uploads
from dashboard.components.building_anew import refused
from dashboard.components.figures import count, missing, plural
from dashboard.components.findings_source import ORIGIN, ledger
from dashboard.components.source import workspace
from dashboard.components.ticked import nothing_lacks
from pipeline.ledger import papers
from shared.faults import CoverplateError


def papers_of(about: str, name: str) -> str | None:
    """Show files and permits, and offer to add some; return what was written, or None.

    Args:
        about: the visit or the finding.
        name: who writes.
    """
    st.subheader("Files and permits", anchor=False)
    for row in papers.attachments(ledger(), workspace(), about).to_dict(orient="records"):
        _kept(about, {str(key): value for key, value in row.items()})
    needed = papers.permits(ledger(), about=about).to_dict(orient="records")
    if needed:
        lines = [f"<li>{plate.text(papers.permit_words(row))}</li>" for row in needed]
        plate.show(f"<ul>{''.join(lines)}</ul>", key="permits")
    with st.expander("Keep files, or note a permit"):
        return _files(about, name) or _permit(about, name)


def _kept(about: str, row: dict[str, Any]) -> None:
    sha256 = str(row["sha256"])
    told = f"{row['name']} ({count(row['size'])} bytes, {row['attached_by']})"
    if not missing(row["note"]):
        told += f": {row['note']}"
    if row["state"] != "kept":
        st.error(plate.label(f"{told} is {row['state'].upper()}: attach the same file once more."))
        return
    st.download_button(
        plate.label(told),
        data=lambda: papers.kept_bytes(workspace(), sha256),
        file_name=papers.file_name(str(row["name"])),
        mime="application/octet-stream",  # whatever it holds, no browser is to run it
        key=f"kept-{about}-{row['about']}-{sha256}",
        on_click="ignore",
        type="tertiary",
        icon=":material/download:",
    )


def _files(about: str, name: str) -> str | None:
    with st.form(f"files-{about}", clear_on_submit=True):
        given = st.file_uploader(
            f"Photos, invoices, test sheets: at most {papers.LARGEST >> 20} MB each",
            accept_multiple_files=True,
            max_upload_size=papers.LARGEST >> 20,
            key=f"upload-{about}",
        )
        note = st.text_input("What they are", key=f"upload-note-{about}")
        sent = st.form_submit_button("Keep them")
    if not sent or not nothing_lacks(("your name", name), ("a file", given)):
        return None
    try:
        with ExitStack() as lent:
            paths = [lent.enter_context(uploads.lent(each)) for each in given]
            papers.attach(
                ledger(), workspace(), about, paths, note=note.strip() or None, who=name,
                origin=ORIGIN,
            )  # fmt: skip
    except CoverplateError as refusal:
        refused(refusal)
        return None
    return f"{plural(len(paths), 'file')} kept with {about}."


def _permit(about: str, name: str) -> str | None:
    with st.form(f"permit-{about}"):
        left, right = st.columns(2)
        with left:
            number = st.text_input("Permit number", key=f"permit-number-{about}")
            status = st.selectbox(
                "It is", list(papers.PERMIT_WORDS), format_func=papers.PERMIT_WORDS.__getitem__,
                key=f"permit-status-{about}",
            )  # fmt: skip
            authority = st.text_input("Authority", key=f"permit-authority-{about}")
        with right:
            on = st.date_input(
                "Since", value="today", key=f"permit-on-{about}", format="YYYY-MM-DD"
            )
            expires = st.date_input(
                "Holds until", value=None, key=f"permit-expires-{about}", format="YYYY-MM-DD"
            )
            note = st.text_input("Note", key=f"permit-note-{about}")
        sent = st.form_submit_button("Note the permit")
    if not sent or not nothing_lacks(("your name", name), ("a permit number", number.strip())):
        return None
    try:
        papers.note_permit(
            ledger(),
            about,
            number=number,
            status=str(status),
            on=on if isinstance(on, dt.date) else dt.date.today(),
            expires_on=expires if isinstance(expires, dt.date) else None,
            authority=authority.strip() or None,
            note=note.strip() or None,
            who=name,
            origin=ORIGIN,
        )
    except CoverplateError as refusal:
        refused(refusal)
        return None
    return f"Permit {number.strip()} is noted on {about}."

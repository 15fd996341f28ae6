"""Take in files: how they would be read, what would become of every row, what landed before."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.components import plate, uploads
from dashboard.components.building_anew import build_now, progress, refused
from dashboard.components.date_order import date_order
from dashboard.components.downloads import downloads
from dashboard.components.figures import count, percent, plural, word
from dashboard.components.findings_source import (
    reports_refused,
    reports_waiting,
    take_reports_up,
    who,
)
from dashboard.components.frame import empty, screen
from dashboard.components.sheets_back import tell_sheets
from dashboard.components.source import workspace
from dashboard.components.ticked import nothing_lacks
from pipeline.landing import intake, list_mappings, save_mapping
from pipeline.landing.corrected_alike import alike_rows, correct_alike
from pipeline.landing.preview import Preview, preview
from pipeline.landing.report import IntakeReport
from pipeline.screens import landed, mapping_desk
from pipeline.screens.mapping_desk import Desk
from pipeline.serving import is_loopback
from shared.faults import CoverplateError
from shared.vocabulary import RecordKind

SECTIONS = {"in": "Take in", "landed": "What landed", "aside": "Set aside"}
ASIDE_SHOWN = 200
UPLOADER = "files"


def staged() -> list[Path]:
    """The files that a person gave: uploaded, or named by their path on this machine.

    A path is taken from nobody who is not on this machine: it would show them any file on it.
    """
    how: str | None = "upload"
    if is_loopback(st.get_option("server.address") or ""):
        how = st.radio(
            "Where are the files?",
            ["upload", "path"],
            format_func=lambda key: {
                "upload": "Upload them",
                "path": "A file or folder on this machine",
            }[key],
            horizontal=True,
            key="how",
        )
    if how == "path":
        named = st.text_input("Path of a file, folder or ZIP", key="path")
        if not named.strip():
            return []
        path = Path(named.strip()).expanduser()
        if not path.exists():
            raise CoverplateError(
                f"there is no {path} on this machine",
                expected="a file, folder or ZIP that exists",
                to_do="check the spelling, or upload the file instead",
            )
        return [path]
    given = st.file_uploader(
        "CSV, XLSX, JSON, Parquet, or a ZIP of these",
        accept_multiple_files=True,
        key=f"files-{st.session_state.get('uploaded-times', 0)}",
    )
    return uploads.kept(UPLOADER, given or [])


def _emptied() -> None:
    """Forget what was uploaded, and show an empty uploader: it has been taken in."""
    uploads.done(UPLOADER)
    st.session_state["uploaded-times"] = st.session_state.get("uploaded-times", 0) + 1


def looked_at(paths: Sequence[Path]) -> list[Preview]:
    """The tables in the files, looked at once per set of files and mappings."""
    saved = tuple(m.name for m in list_mappings(workspace()))
    wide = st.session_state.get("wide", {})
    sign = (tuple((str(p), p.stat().st_mtime) for p in paths), saved, tuple(wide.items()))
    if st.session_state.get("looked-sign") != sign:
        with st.spinner("Looking at the files …"):
            st.session_state["looked"] = preview(workspace(), paths, wide=wide)
        st.session_state["looked-sign"] = sign
        st.session_state.pop("trial", None)
    found: list[Preview] = st.session_state["looked"]
    return found


def _whole_files() -> tuple[dt.date | None, bool]:
    """What only a person can say of the files as a whole: their day, whether a register is full."""
    with st.expander("Of the files as a whole"):
        as_of = st.date_input(
            "Facts as of",
            value=None,
            max_value="today",
            help="Newer facts stand, whatever landed last. Left empty, a line of the file or its "
            "name tells, else the file counts as newer than all before it.",
            key="as-of",
        )
        full = st.checkbox(
            "The building register among them names every building of the portfolio",
            help="Buildings that it no longer names are retired and listed; one with a reported "
            "defect, or looked at since, stays in every list. Try it first to see which.",
            key="full-register",
        )
    return (as_of if isinstance(as_of, dt.date) else None), full


def desk(number: int, table: Preview) -> None:
    """One table: how it would be read, and a way to put that right."""
    name = table.path.rsplit("/", 1)[-1] + (f", sheet {table.sheet}" if table.sheet else "")
    known = table.read_by is not None
    state = f"read by: {table.read_by}" if known else "needs a mapping"
    with st.expander(plate.label(f"{name} · {state}"), expanded=not known):
        _open_questions(table)
        st.caption(f"{plural(len(table.header), 'column')}. The first rows as they stand:")
        st.dataframe(
            plate.grid(_sample(table)), hide_index=True, alt=plate.plainly(f"First rows of {name}")
        )
        _laid_open(number, table)
        kinds = [k.value for k in RecordKind]
        likely = table.proposal.kind.value if table.proposal.kind else kinds[1]
        kind = st.selectbox(
            "What are these rows?",
            kinds,
            index=kinds.index(likely),
            format_func=word,
            key=f"kind-{number}",
        )
        if kind == RecordKind.OPENING_OBSERVATIONS:
            _one_column_an_opening(number, table)
        _mapping_form(number, Desk(table, RecordKind(kind or likely)))


def _one_column_an_opening(number: int, table: Preview) -> None:
    """Which columns hold one opening each, in a sheet with one row a dwelling, room or visit."""
    place = (table.path, table.sheet)

    def said() -> None:
        wide = dict(st.session_state.get("wide", {}))
        wide[place] = tuple(st.session_state[f"wide-{number}"])
        st.session_state["wide"] = wide

    st.multiselect(
        "Columns that are one opening each (a sheet with one row a dwelling, room or visit)",
        list(table.columns),
        default=list(table.wide),
        format_func=plate.plainly,
        key=f"wide-{number}",
        on_change=said,
        help="Every cell of these columns becomes one look. Leave it empty where a row is one look",
    )


def _open_questions(table: Preview) -> None:
    """What must be settled before the table can be read."""
    asked = [question.found for question in table.questions]
    missing = table.proposal.missing
    if missing and table.read_by is None:
        asked.append(f"no column is known for {', '.join(word(name) for name in missing)}")
    if asked:
        st.markdown("**To be settled below before this can be taken in:**")
        st.markdown("\n".join(f"- {plate.label(each)}" for each in asked))


def _laid_open(number: int, table: Preview) -> None:
    """The lines of the file by what they are, and the words of its columns by what they become."""
    lines, rows, other = mapping_desk.accounted(table)
    told = f"{plural(lines, 'line')} in the file, {plural(rows, 'row')} of tables"
    if len(other):
        st.caption(f"{told}; these are no rows:")
        st.dataframe(
            plate.grid(other),
            hide_index=True,
            column_config={
                "danger": st.column_config.CheckboxColumn("words of danger"),
                "text": st.column_config.TextColumn("text", width="large"),
            },
            alt="Lines of the file that are no rows of a table",
        )
    else:
        st.caption(f"{told}; every other line is a header or blank.")
    words = mapping_desk.interpreted(table)
    if unread := mapping_desk.unread(words):
        st.markdown(f"**{plural(unread, 'frequent word')} cannot be read yet.**")
    st.dataframe(
        plate.grid(words),
        hide_index=True,
        column_config={
            "header": "column of the file",
            "column": "ours",
            "original": "as it stands",
            "read_as": "read as",
        },
        alt="The most frequent words of each column and what they are read as",
        key=f"words-of-{number}",
    )


def _sample(table: Preview) -> pd.DataFrame:
    width = len(table.header)
    rows = [[*row, *[None] * width][:width] for row in table.sample[:8]]
    return pd.DataFrame(rows, columns=list(table.header))


def _mapping_form(number: int, on_desk: Desk) -> None:
    columns = mapping_desk.columns(on_desk)
    columns["samples"] = plate.grid(columns[["samples"]])["samples"]
    edited = st.data_editor(
        columns,
        hide_index=True,
        disabled=["column", "meaning", "required", "samples", "sure"],
        column_config={
            "column": st.column_config.TextColumn("Ours"),
            "meaning": st.column_config.TextColumn("What it means"),
            "required": st.column_config.CheckboxColumn("Required"),
            "header": st.column_config.SelectboxColumn(
                "Column of the file", options=["", *on_desk.table.header]
            ),
            "samples": st.column_config.TextColumn("Some of its values", width="medium"),
            "sure": st.column_config.ProgressColumn(
                "How sure", format="percent", min_value=0, max_value=1
            ),
        },
        key=f"columns-{number}-{on_desk.kind.value}",
        alt="Our columns and the file's columns that they are read from",
    )
    chosen = {
        str(r["column"]): str(r["header"]) for r in edited.to_dict(orient="records") if r["header"]
    }
    words = _words(number, on_desk, chosen)
    first, second, third = st.columns([2, 1, 1], vertical_alignment="bottom")
    with first:
        name = st.text_input(
            "Name of the mapping", value=_suggested(on_desk.table), key=f"name-{number}"
        )
    with second:
        order = date_order(f"dates-{number}")
    with third:
        mark = st.selectbox(
            "Decimals are written",
            ["", ".", ","],
            format_func=lambda key: {"": "clearly", ".": "1.5", ",": "1,5"}[key],
            key=f"decimals-{number}",
        )
    constants = _constants(number, on_desk, chosen)
    unused = [header for header in on_desk.table.header if header not in chosen.values()]
    ignored = st.multiselect(
        "Columns of the file that may stay unread, whatever they hold",
        unused,
        format_func=plate.plainly,
        key=f"ignored-{number}",
    )
    if st.button("Save this mapping", key=f"save-{number}"):
        try:
            made = mapping_desk.made(
                on_desk,
                name.strip(),
                chosen,
                words,
                date_order=order or None,
                decimal_mark=mark or None,
                ignored=ignored,
                constants=constants,
            )
            save_mapping(workspace(), made, replace=True)
        except CoverplateError as refusal:
            refused(refusal)
            return
        st.session_state.pop("looked-sign", None)
        # from now on the mapping says it
        st.session_state.get("wide", {}).pop((on_desk.table.path, on_desk.table.sheet), None)
        st.rerun()


def _constants(number: int, on_desk: Desk, chosen: dict[str, str]) -> dict[str, str]:
    """Required words that no column gives, and that a person says are the same in every row."""
    said = {}
    for column, choices in mapping_desk.constant_choices(on_desk, chosen).items():
        value = st.selectbox(
            f"{word(column).capitalize()}, the same in every row",
            ["", *choices],
            format_func=lambda key: word(key) if key else "it stands in a column",
            key=f"constant-{number}-{column}",
        )
        if value:
            said[column] = value
    return said


def _words(number: int, on_desk: Desk, chosen: dict[str, str]) -> list[tuple[str, str, str]]:
    """Words of the file that are not known yet, for a person to say what they mean."""
    unknown = mapping_desk.unknown_words(on_desk, chosen)
    if unknown.empty:
        return []
    st.markdown(
        f"**{plural(len(unknown), 'word')} not known yet.** Rows with an unknown word are set "
        "aside. “No answer” reads the cell as blank."
    )
    said = []
    columns = st.columns(3)
    for place, row in enumerate(unknown.head(24).to_dict(orient="records")):
        with columns[place % 3]:
            meant = st.selectbox(
                plate.label(f"{word(row['column'])}: “{row['word']}”"),
                ["?", "", *row["choices"]],
                format_func=lambda key: {"?": "leave unknown", "": "no answer"}.get(key, word(key)),
                key=f"word-{number}-{row['column']}-{row['word']}",
            )
        if meant is not None and meant != "?":
            said.append((str(row["column"]), str(row["word"]), str(meant)))
    return said


def _suggested(table: Preview) -> str:
    stem = table.path.rsplit("/", 1)[-1].split(".")[0]
    plain = "".join(c if c.isascii() and c.isalnum() else "_" for c in stem).strip("_").lower()
    return plain or "mapping"


def reconciliation(frame: pd.DataFrame, key: str) -> None:
    """What became, or would become, of every row."""

    def counted(name: str) -> Any:  # noqa: ANN401 - a function of a row
        return lambda row: f'<span class="num">{count(row[name])}</span>'

    def file(row: dict[str, Any]) -> str:
        sheet = f" · {plate.text(row['sheet'])}" if row.get("sheet") else ""
        kind = word(row["record_kind"]) if row["record_kind"] else "no table in it"
        again = (
            ' <span class="chip quiet">landed before</span>' if row.get("already_landed") else ""
        )
        return (
            f'<span class="strong">{plate.text(row["file"])}</span>{sheet}{again}<br>'
            f'<span class="soft small">{plate.text(kind)} · {plate.text(row["mapping"])}</span>'
        )

    def adds(row: dict[str, Any]) -> str:
        if row["adds_up"]:
            return '<span class="chip good">adds up</span>'
        return '<span class="chip urgent">does not add up</span>'

    body = plate.table(
        frame.to_dict(orient="records"),
        [
            plate.Column("File", file, heads=True, width="18rem"),
            plate.Column("Rows read", counted("rows_read"), side="right", half=True),
            plate.Column("Accepted", counted("accepted"), side="right", half=True),
            plate.Column("Duplicate", counted("duplicate"), side="right", half=True),
            plate.Column("Superseded", counted("superseded"), side="right", half=True),
            plate.Column("Set aside", counted("quarantined"), side="right", half=True),
            plate.Column("Cells left blank", counted("blanked"), side="right", half=True),
            plate.Column("Check", adds, half=True),
        ],
        "Every row read ends as exactly one of accepted, duplicate, superseded or set aside.",
    )
    plate.show(body, key=key)
    downloads(frame, key, "Reconciliation")


def take_in() -> None:
    """Files in, step by step: look, correct, try, take in."""
    paths = staged()
    if paths:
        _taking_in(paths)
    elif "taken" not in st.session_state:
        empty(
            "no-files",
            "Nothing chosen yet",
            "Choose files above. They are looked at first; nothing lands before you say so, and a "
            "file that is refused changes nothing.",
        )
    taken = st.session_state.get("taken")
    if taken is not None:
        _taken(taken)


def _taking_in(paths: Sequence[Path]) -> None:
    """The files on the desk: how they would be read, a trial, and the button that lands them."""
    tables = looked_at(paths)
    if not tables:
        empty("no-tables", "No table found", "None of these files holds rows and columns.")
        return
    st.subheader("How they would be read", anchor=False)
    for number, table in enumerate(tables):
        desk(number, table)
    as_of, full_register = _whole_files()
    with st.container(horizontal=True):
        trying = st.button(
            "Try it first", help="Says what would become of every row; changes nothing"
        )
        taking = st.button("Take in", type="primary")
    if trying:
        with progress("Trying") as report:
            st.session_state["trial"] = landed.try_intake(
                workspace(),
                paths,
                report,
                as_of=as_of,
                full_register=full_register,
                refused_in=reports_refused,
            )
    if taking:
        with progress("Taking in") as report:
            st.session_state["taken"] = intake(
                workspace(), paths, as_of=as_of, full_register=full_register, progress=report
            )
        st.session_state.pop("trial", None)
        st.session_state.pop("reported", None)
        _emptied()
        st.rerun()
    trial = st.session_state.get("trial")
    if trial is not None:
        st.subheader("What would become of every row", anchor=False)
        reconciliation(landed.report_table(trial.reports), "would-be")
        _foretold(trial.buildings)
        for line in trial.danger:
            st.warning(plate.label(line))
        if len(trial.aside):
            st.markdown(
                f"**{plural(len(trial.aside), 'row')} would be set aside, or stand with a cell "
                "left blank**"
            )
            st.dataframe(
                plate.grid(trial.aside), hide_index=True, alt="Rows that would be set aside"
            )
            downloads(trial.aside, "would-be-set-aside", "Rows that would be set aside")


def _foretold(buildings: pd.DataFrame) -> None:
    """Which buildings would be different, and which of them newly urgent."""
    if buildings.empty:
        st.markdown("No building would be different.")
        return
    urgent = int(buildings["newly_urgent"].sum())
    st.markdown(
        f"**{plural(len(buildings), 'building')} would be weighed anew, "
        f"{plural(urgent, 'building')} newly urgent.** What their ranks become is known after a "
        "build."
    )
    st.dataframe(
        plate.grid(buildings),
        hide_index=True,
        column_config={
            "building_id": "building",
            "new": st.column_config.CheckboxColumn("new"),
            "newly_urgent": st.column_config.CheckboxColumn("newly urgent"),
            "rank": st.column_config.NumberColumn("rank today"),
            "looks": None,
            "defects": None,
            "urgent_openings": None,
            "urgent_papers": None,
            "more_looks": st.column_config.NumberColumn("more looks"),
            "more_defects": st.column_config.NumberColumn("more defects named"),
            "more_urgent_openings": st.column_config.NumberColumn("more urgent openings"),
            "more_urgent_papers": st.column_config.NumberColumn("more urgent papers"),
        },
        alt="Buildings that these files would change",
    )
    downloads(buildings, "would-change", "Buildings that would change")


def _taken(taken: Sequence[IntakeReport]) -> None:
    """What became of the files that were taken in last, and the build that follows."""
    st.subheader("What became of every row", anchor=False)
    reconciliation(landed.report_table(taken), "became")
    aside = sum(r.quarantined for r in taken if not r.already_landed)
    blank = sum(r.blanked for r in taken if not r.already_landed)
    if aside or blank:
        st.markdown(
            f"{plural(aside, 'row')} set aside, {plural(blank, 'row')} with a cell left blank, "
            "with every reason: see **Set aside** above."
        )
    for line in landed.danger_in(workspace(), {r.sha256 for r in taken}):
        st.warning(plate.label(line))
    to_ledger()
    st.markdown("The rows count from the next build on.")
    if st.button("Build now", type="primary"):
        st.session_state.pop("taken", None)
        build_now()


def to_ledger() -> None:
    """Landed fix reports into the ledger, by whoever says so, and what became of them."""
    waiting = reports_waiting()
    reports = waiting.count("reported")
    if reports or waiting.made:
        with st.form("reports-in"):
            st.markdown(
                f"**{plural(reports, 'fix report')}** of these files can be written into the "
                f"ledger, and {plural(waiting.made, 'visit')} noted as made. A reported fix is not "
                "proven by being reported."
            )
            name = who()
            sent = st.form_submit_button("Write them into the ledger", type="primary")
        if sent and nothing_lacks(("your name", name)):
            try:
                st.session_state["reported"] = take_reports_up(name)
            except CoverplateError as refusal:
                refused(refusal)
                return
            st.rerun()
    done = st.session_state.get("reported")
    if done is not None:
        tell_sheets(done)
    if done is not None and done.rows:
        st.success(
            f"{plural(done.count('reported'), 'fix report')} written into the ledger, "
            f"{count(done.count('duplicate'))} reported before; "
            f"{plural(done.verified, 'repair')} proven, {count(done.disproved)} disproved."
        )
        for row in done.rows:
            for question in row.questions:
                st.warning(plate.label(f"Row {row.row}: {question}"))
    against = len(reports_refused())
    if against:
        st.markdown(
            f"{plural(against, 'fix report')} refused by the ledger's rules, with the reason: see "
            "**Set aside** above."
        )


def what_landed() -> None:
    """The history of files."""
    frame = landed.history(workspace())
    if frame.empty:
        empty("none-landed", "Nothing landed yet", "Choose “Take in” to begin.")
        return
    shown = frame.assign(file=[str(path).rsplit("/", 1)[-1] for path in frame["path"]])
    reconciliation(shown, "landed")
    st.caption(
        f"{plural(frame['sha256'].nunique(), 'file')}, {count(frame['rows_read'].sum())} rows, "
        f"{percent(frame['accepted'].sum() / max(1, frame['rows_read'].sum()))} accepted. Files "
        "are kept unchanged under their SHA-256."
    )


_LEVELS = {
    "row": "",
    "cell": '<br><span class="chip quiet">row stands, cell blank</span>',
    "rules": '<br><span class="chip quiet">refused by the ledger\'s rules</span>',
}


def _where(row: dict[str, Any]) -> str:
    place = f'<span class="strong">{plate.text(row["file"])}</span>, row {row["row"]}'
    return place + _LEVELS[str(row["level"])]


def set_aside() -> None:
    """Rows set aside, their reasons, and the way back."""
    again = st.session_state.pop("fed-again", None)
    if again is not None:
        reconciliation(again, "fed-again")
    mended = st.session_state.pop("mended", None)
    if mended is not None:
        reconciliation(landed.report_table(mended), "mended")
    to_ledger()
    everything = st.toggle("Show resolved rows too", key="resolved")
    against = reports_refused()
    frame = landed.set_aside(
        workspace(), limit=ASIDE_SHOWN, unresolved_only=not everything, refused=against
    )
    if frame.empty:
        empty("none-aside", "No row is set aside", "Every row that was read found its place.")
        return
    body = plate.table(
        frame.to_dict(orient="records"),
        [
            plate.Column(
                "Row",
                _where,
                heads=True,
                width="16rem",
            ),
            plate.Column("Why", lambda r: plate.text(r["reasons"])),
            plate.Column(
                "As it came",
                lambda r: f'<span class="soft small">{plate.text(r["cells"])}</span>',
            ),
        ],
        f"The first {len(frame)} rows. A row keeps its cells as they came, and every reason.",
    )
    plate.show(body, key="aside")
    place = workspace()
    _one_for_all()
    st.download_button(
        "Download for correction (CSVs in a ZIP, one for each layout)",
        data=lambda: landed.set_aside_file(place, against),
        file_name="set-aside.zip",
        mime="application/zip",
        on_click="ignore",
        icon=":material/download:",
    )
    st.markdown(
        "Correct the cells, leave the first three columns as they are, and feed the file in again: "
        "each row then counts once."
    )
    corrected = st.file_uploader("Corrected file", type=["csv", "xlsx", "zip"], key="corrected")
    if corrected is not None and st.button("Feed it in again", type="primary"):
        with progress("Taking in") as report, uploads.lent(corrected) as path:
            reports = intake(place, [path], progress=report)
        st.session_state["fed-again"] = landed.report_table(reports)
        st.session_state.pop("reported", None)
        st.rerun()


def _one_for_all() -> None:
    """One value for all rows that were set aside alike."""
    groups = {group.key: group for group in alike_rows(workspace()) if group.header}
    if not groups:
        return
    st.subheader("Correct rows alike", anchor=False)

    def told(key: str) -> str:
        group = groups[key]
        name = group.path.rsplit("/", 1)[-1] + (f", {group.sheet}" if group.sheet else "")
        found = f"“{group.found}”" if group.found else "nothing"
        rows = plural(group.rows, "row")
        return plate.plainly(f"{name} · {word(group.column)}: {found} in {rows}")

    key = st.selectbox("Which rows", list(groups), format_func=told, key="alike")
    if key is None:
        return
    group = groups[key]
    st.caption(plate.label(f"Column “{group.header}” of the file. Expected: {group.expected}."))
    if group.choices:
        value = st.selectbox(
            "Should have been",
            ["", *group.choices],
            format_func=lambda each: word(each) if each else "nothing: leave it blank",
            key=f"alike-value-{key}",
        )
    else:
        value = st.text_input("Should have been", key=f"alike-value-{key}")
    if st.button(f"Correct {plural(group.rows, 'row')}", key="correct-alike"):
        try:
            with progress("Taking in") as report:
                reports = correct_alike(workspace(), key, value or "", report)
        except CoverplateError as refusal:
            refused(refusal)
            return
        st.session_state["mended"] = reports
        st.rerun()


@screen(
    "Take in files",
    "Exports as people send them: how they are read, what becomes of every row, and what was set "
    "aside.",
)
def page() -> None:
    """The screen."""
    section = st.segmented_control(
        "Part",
        list(SECTIONS),
        default="in",
        format_func=lambda key: SECTIONS[key],
        key="part",
        bind="query-params",
        label_visibility="collapsed",
    )
    {"landed": what_landed, "aside": set_aside}.get(section or "in", take_in)()


page()

"""Rule book: every number with unit, meaning and source; other values tried before they count."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.charts.moves import moves
from dashboard.components import plate
from dashboard.components.building_anew import build_now, progress
from dashboard.components.downloads import downloads
from dashboard.components.figures import count, number, plural, signed
from dashboard.components.frame import screen, state_of_build
from dashboard.components.picture import picture, tone
from dashboard.components.source import Source, rule_book, version, workspace
from pipeline.screens import rule_trial
from pipeline.screens.rule_trial import Change
from pipeline.warehouse.comparison import Comparison, compare_rule_books
from shared.rule_book import RuleBook

SECTION_NAMES = {
    "circuit": "the circuit",
    "evidence": "reading evidence",
    "selection": "why an opening was picked",
    "eras": "eras",
    "structure": "how wiring hangs together",
    "learning": "learning from the portfolio",
    "counting": "counting what nobody counted",
    "harm": "harm",
    "exposure": "who is near",
    "scoring": "scoring",
    "due": "when it is due",
    "ledger": "findings and proof",
    "remedies": "remedies",
}
MOVERS_SHOWN = 25


def wanted() -> dict[str, tuple[float, str]]:
    """The values that a person has put in so far: path to value and source."""
    changes: dict[str, tuple[float, str]] = st.session_state.setdefault("wanted-numbers", {})
    return changes


def numbers(book: RuleBook) -> pd.DataFrame:
    """Every number: path, value, unit, meaning, source."""
    return pd.DataFrame(book.numbers(), columns=["path", "value", "unit", "meaning", "source"])


def editor(frame: pd.DataFrame) -> None:
    """The numbers, narrowed to a section or to words, open for other values."""
    left, right = st.columns([2, 3], vertical_alignment="bottom")
    sections = list(dict.fromkeys(path.split(".")[0] for path in frame["path"]))
    with left:
        section = st.selectbox(
            "Section",
            ["all", *sections],
            format_func=lambda key: SECTION_NAMES.get(key, key),
            key="section",
            bind="query-params",
        )
    with right:
        search = st.text_input("Search number, meaning or source", key="words", bind="query-params")
    shown = frame
    if section not in (None, "all"):
        shown = shown[shown["path"].str.startswith(f"{section}.")]
    for part in (search or "").lower().split():
        text = (shown["path"] + " " + shown["meaning"] + " " + shown["source"]).str.lower()
        shown = shown[text.str.contains(part, regex=False)]
    if shown.empty:
        st.markdown("No number fits these words.")
        return
    key = f"numbers-{section}-{search}"
    given = _as_given(shown, key)
    st.data_editor(
        given,
        hide_index=True,
        height=min(560, 38 + 35 * len(given)),
        disabled=["path", "value", "unit", "meaning", "source"],
        column_config={
            "path": st.column_config.TextColumn("Number", width="medium"),
            "value": st.column_config.NumberColumn("Now", format="%g"),
            "tried": st.column_config.NumberColumn("Try", format="%g"),
            "unit": st.column_config.TextColumn("Unit"),
            "meaning": st.column_config.TextColumn("Meaning", width="medium"),
            "source": st.column_config.TextColumn("Source", width="medium"),
            "reason": st.column_config.TextColumn("Source of your value", width="medium"),
        },
        key=key,
        alt="Numbers of the rule book with a column for other values",
    )
    _take_over(given, st.session_state[key]["edited_rows"])
    downloads(frame, "rule-book", "Every number of the rule book")


def _as_given(shown: pd.DataFrame, key: str) -> pd.DataFrame:
    """What the editor starts from: as long as it stays open its rows must not change under it."""
    if st.session_state.get("numbers-open") != key:
        st.session_state["numbers-open"] = key
        st.session_state["numbers-given"] = dict(wanted())
    before: dict[str, tuple[float, str]] = st.session_state["numbers-given"]
    values = dict(zip(shown["path"], shown["value"], strict=True))
    return shown.assign(
        tried=[before[path][0] if path in before else value for path, value in values.items()],
        reason=[before[path][1] if path in before else "" for path in values],
    )[["path", "value", "tried", "unit", "meaning", "source", "reason"]].reset_index(drop=True)


def _take_over(given: pd.DataFrame, edits: dict[int, dict[str, object]]) -> None:
    """Take what was typed into the changes in hand."""
    changes = wanted()
    for place, edit in edits.items():
        row = given.iloc[int(place)]
        tried = edit.get("tried", row["tried"])
        source = str(edit.get("reason", row["reason"]) or "")
        if tried is None or float(tried) == float(row["value"]):
            changes.pop(str(row["path"]), None)
        else:
            changes[str(row["path"])] = (float(tried), source)


def tried_changes(frame: pd.DataFrame) -> list[Change]:
    """The changes in hand, shown; a value without a source of its own is called judgement."""
    changes = wanted()
    known = frame.set_index("path")
    for path in [p for p in changes if p not in known.index]:
        del changes[path]
    if not changes:
        st.markdown(
            "Put another value into the column **Try**. Nothing is changed by that: the ranking "
            "under your values is worked out aside and shown beside the present one."
        )
        return []
    rows = "".join(
        f"<li><b>{plate.text(path)}</b>: {known.loc[path, 'value']:g} → "
        f"<b>{value:g}</b> {plate.text(known.loc[path, 'unit'])}"
        f' <span class="soft">({plate.text(source or "judgement")})</span></li>'
        for path, (value, source) in changes.items()
    )
    plate.show(
        f'<section class="panel next"><h3>{plural(len(changes), "other value")}, not yet in '
        f"force</h3><ul>{rows}</ul></section>",
        key="changes",
    )
    return [Change(path, value, source or "judgement") for path, (value, source) in changes.items()]


def compared(comparison: Comparison) -> None:
    """Who moves, and how stable the ranking is."""
    frame = comparison.frame
    everyone = len(frame)
    far = int(frame["move"].abs().max()) if everyone else 0
    plate.show(
        plate.figures(
            [
                (
                    "Kendall’s tau",
                    f"{comparison.kendall_tau:.2f}",
                    "1: the same order; 0: no relation",
                ),
                (
                    "Buildings that move",
                    count(comparison.moved),
                    f"of {count(everyone)}; the furthest by {plural(far, 'place')}",
                ),
                (
                    "Still among the first ten",
                    count(((frame["rank"] <= 10) & (frame["other_rank"] <= 10)).sum()),
                    f"of {min(10, everyone)}",
                ),
            ]
        ),
        key="compared",
    )
    most = frame.assign(far=frame["move"].abs()).sort_values(
        ["far", "rank"], ascending=[False, True]
    )
    shown = most[most["far"] > 0].head(MOVERS_SHOWN).sort_values("rank")
    st.subheader("Who moves most", anchor=False)
    if shown.empty:
        st.markdown("Nobody: the order stays as it is, whatever the scores do.")
        downloads(frame, "moves", "Ranks now and tried")
    else:
        picture(
            moves(plate.cells(shown), tone()),
            "Rank now and rank under the tried numbers of those that move most",
            frame,
            "moves",
        )
    first = most.head(3)
    st.caption(
        "Scores: "
        + "; ".join(
            f"{plate.label(r.building_id)} {number(r.score)} → {number(r.other_score)} "
            f"({signed(r.other_score - r.score)})"
            for r in first.itertuples()
        )
    )


def keep(text: str) -> None:
    """Make the tried values the workspace's rule book, after a deliberate word."""
    st.subheader("Make them count", anchor=False)
    sure = st.checkbox(
        "I have compared, and these values shall be the workspace’s rule book", key="sure"
    )
    if st.button("Save as new rule book", disabled=not sure):
        kept = rule_trial.save(workspace(), text)
        st.session_state["wanted-numbers"] = {}
        st.session_state.pop("numbers-open", None)
        st.session_state.pop("comparison", None)
        st.session_state["saved-rules"] = "" if kept is None else kept.name
        st.rerun()


@screen(
    "Rule book",
    "Every number that the evidence is judged with. Try others and see who moves before anything "
    "changes.",
)
def page() -> None:
    """The screen."""
    book = rule_book()
    own = workspace().rule_book.is_file()
    whose = "the workspace’s own rule book" if own else "the rule book that comes with Coverplate"
    st.caption(f"In force: {whose}, {book.hash[:8]}.")
    if "saved-rules" in st.session_state:
        kept = st.session_state["saved-rules"]
        st.success(
            "The new rule book is saved and counts from the next build on."
            + (f" The one before is kept as {plate.label(kept)}." if kept else "")
        )
        if st.button("Build now", type="primary"):
            st.session_state.pop("saved-rules")
            build_now()
    built = version()
    if built is not None:
        state_of_build(Source(built))
    frame = numbers(book)
    editor(frame)
    changes = tried_changes(frame)
    if not changes:
        return
    text = rule_trial.changed_text(rule_trial.rule_book_text(workspace()), changes)
    other = rule_trial.tried(rule_trial.rule_book_text(workspace()), changes)
    if built is None:
        st.markdown("There is no ranking to compare with yet: build first.")
    elif st.button("Compare the rankings", type="primary"):
        with progress("Working out the other ranking") as report:
            comparison = compare_rule_books(workspace(), other, report)
        st.session_state["comparison"] = comparison
    comparison = st.session_state.get("comparison")
    if comparison is not None and comparison.other_hash == other.hash:
        compared(comparison)
    keep(text)


page()

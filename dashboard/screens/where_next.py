"""Where next? The first question of whoever sends inspectors: ranked buildings, and why."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.charts.ranks import rank_intervals
from dashboard.components import planned_looks, plate
from dashboard.components.downloads import downloads
from dashboard.components.figures import (
    BURDEN_UNIT,
    ORDER_TOLD,
    RANK_TOLD,
    SCORE_UNIT,
    between,
    count,
    missing,
    number,
    percent,
    plural,
    signed,
    word,
)
from dashboard.components.finding_rows import what
from dashboard.components.findings_source import dated_findings, has_ledger
from dashboard.components.frame import empty, follow, opened, screen, state_of_build
from dashboard.components.picture import picture, tone
from dashboard.components.source import Source
from dashboard.components.urgent_rows import first_measure, grounds, report_line, said_by
from pipeline.screens import landed, where_next
from pipeline.screens import selection as chosen
from pipeline.screens.selection import Selection
from pipeline.warehouse import narrowing, queries
from shared.standing import NOT_URGENT, Standing

ROWS = 25
URGENT_SHOWN = 4
CLEARED_SHOWN = 20
PARTS = (
    ("era", "Era"),
    ("mixed_openings", "Mixed openings"),
    ("confirmed_defects", "What looks found"),
    ("occupancy", "Occupancy"),
)


def narrowed(source: Source) -> tuple[Selection, int]:
    """The controls: what the list is narrowed and ordered by, and K; all kept in the address."""
    there = source.ask(chosen.choices)
    top = st.columns([3, 2, 1], vertical_alignment="bottom")
    with top[0]:
        search = st.text_input(
            "Search name, address or number", key="q", bind="query-params", placeholder="Any words"
        )
    with top[1]:
        order = st.selectbox(
            "Order",
            list(chosen.ORDERS),
            format_func=lambda key: chosen.ORDERS[key].label,
            key="order",
            bind="query-params",
        )
    with top[2]:
        k = st.number_input(
            "First K",
            min_value=1,
            max_value=1000,
            value=10,
            key="k",
            bind="query-params",
            help="How many buildings you can take on. The list is marked after them.",
        )
    with st.expander("Narrow down by area, owner, era, size or evidence"):
        columns = st.columns(3)
        with columns[0]:
            cities = _several("Area", there.cities, "area")
            owners = _several("Owner", there.owners, "owner")
        with columns[1]:
            managers = _several("Manager", there.managers, "manager")
            eras = _several("Era", tuple(there.eras), "era", there.eras)
        with columns[2]:
            sizes = _several("Size", tuple(narrowing.SIZES), "size", narrowing.SIZES)
            evidence = _several(
                "Evidence", tuple(narrowing.EVIDENCE), "evidence", narrowing.EVIDENCE
            )
        findings = st.pills(
            "Findings",
            list(narrowing.FINDINGS),
            selection_mode="multi",
            format_func=lambda key: narrowing.FINDINGS[key],
            key="found",
            bind="query-params",
        )
    selection = Selection(
        cities=cities,
        owners=owners,
        managers=managers,
        eras=eras,
        sizes=sizes,
        evidence=evidence,
        findings=tuple(findings or ()),
        search=search or "",
        order=order or "burden",
    )
    return selection, int(k)


def _several(
    label: str, options: tuple[str, ...], key: str, names: dict[str, str] | None = None
) -> tuple[str, ...]:
    picked = st.multiselect(
        label,
        list(options),
        format_func=lambda option: (names or {}).get(option, plate.plainly(option)),
        key=key,
        bind="query-params",
        placeholder="All",
    )
    return tuple(picked)


def urgent_panel(source: Source, selection: Selection) -> None:
    """What cannot wait, whatever the score, and what was urgent once."""
    frame = source.ask(where_next.urgent, selection, limit=URGENT_SHOWN)
    likely = source.ask(where_next.inferred_urgent, selection, limit=URGENT_SHOWN)
    root = str(source.workspace.root)
    cleared = source.ask(where_next.once_urgent, selection, root, limit=CLEARED_SHOWN)
    if not frame.empty:
        lines = [
            f"<li>{_where(row)}: <b>{word(row['defect'])}</b> "
            f'<span class="chip quiet">{plate.text(row["standing"])}</span>'
            f"<ul>{grounds(row['grounds'])}</ul>"
            f'<span class="soft">{plate.text(row["clears"])}</span></li>'
            for row in frame.to_dict(orient="records")
        ]
        found = int(frame.iloc[0]["found"])
        body = (
            '<section class="panel urgent"><h3>▲ Urgent, whatever the score: '
            f"{plural(found, 'opening')} plainly reported or measured</h3>"
            f"<ul>{''.join(lines)}</ul>{_rest(frame, 'opening')}{first_measure()}</section>"
        )
        follow(plate.show(body, key="urgent"))
        rows = lambda: where_next.urgent(source.cursor(), selection)  # noqa: E731
        downloads(rows, "urgent-openings", "Urgent openings")
    said = source.ask(where_next.urgent_reports, selection, limit=URGENT_SHOWN)
    if not said.empty:
        found = int(said.iloc[0]["found"])
        body = (
            '<section class="panel urgent"><h3>▲ Urgent, no opening named: '
            f"{plural(found, 'report')} of a shock, live metal or heat</h3>"
            f"<ul>{''.join(map(report_line, said.to_dict(orient='records')))}</ul>"
            f"{_rest(said, 'report')}{first_measure() if frame.empty else ''}</section>"
        )
        follow(plate.show(body, key="urgent-reports"))
        rows = lambda: where_next.urgent_reports(source.cursor(), selection)  # noqa: E731
        downloads(rows, "urgent-reports", "Urgent reports")
    if has_ledger():
        _urgent_in_ledger(source, selection, first=frame.empty and said.empty)
    _danger_set_aside(source)
    if not likely.empty:
        lines = [
            f"<li>{_where(row)}: live metal {percent(row['p_live_metal'])} likely "
            f'<span class="chip quiet">{NOT_URGENT[Standing(row["standing"])]}</span></li>'
            for row in likely.to_dict(orient="records")
        ]
        body = (
            '<section class="panel next"><h3>Inferred, not reported: live metal likely enough to '
            f"look</h3><ul>{''.join(lines)}</ul>{_rest(likely, 'place')}</section>"
        )
        follow(plate.show(body, key="inferred"))
        rows = lambda: where_next.inferred_urgent(source.cursor(), selection)  # noqa: E731
        downloads(rows, "inferred-openings", "Inferred live metal")
    if not cleared.empty:
        with st.expander("Once urgent, and what took it off the list"):
            lines = [
                f"<li>{_where(row)}: {plate.text(row['says'])} "
                f'<span class="soft">({said_by(row)})</span><br>'
                f"→ {plate.text(row['cleared_how'])} "
                f'<span class="soft">({said_by(row, "clearing")})</span></li>'
                for row in cleared.to_dict(orient="records")
            ]
            body = f"<section><ul>{''.join(lines)}</ul>{_rest(cleared, 'report')}</section>"
            follow(plate.show(body, key="cleared"))
            rows = lambda: where_next.once_urgent(source.cursor(), selection, root)  # noqa: E731
            downloads(rows, "cleared-openings", "Once urgent openings")
    set_aside = source.ask(queries.looks_set_aside)
    if set_aside:
        body = (
            f"<p>▲ {plural(set_aside, 'row')} of looks or reports set aside (page "
            f"{plate.link('Take in files', 'intake')}): whatever is reported there is in none of "
            "these lists.</p>"
        )
        follow(plate.show(body, key="set-aside"))


def _urgent_in_ledger(source: Source, selection: Selection, *, first: bool) -> None:
    """What the ledger holds for urgent and no list of what landed has."""
    held = where_next.urgent_in_ledger(source.cursor(), selection, dated_findings())
    if held.empty:
        return
    lines = [
        f"<li>{plate.link(row['finding_id'], 'finding', id=row['finding_id'])}: building "
        f"{plate.text(row['building_id'])}{_at(row)}: <b>{what(row)}</b></li>"
        for row in held.head(URGENT_SHOWN).to_dict(orient="records")
    ]
    rest = len(held) - URGENT_SHOWN
    more = f"<p>… and {plural(rest, 'other finding')}; the download has them all.</p>"
    body = (
        '<section class="panel urgent"><h3>▲ Urgent in the ledger: '
        f"{plural(len(held), 'finding')} written down by hand, or seen gone by a look, no repair "
        f"proven</h3><ul>{''.join(lines)}</ul>{more if rest > 0 else ''}"
        f"{first_measure() if first else ''}</section>"
    )
    follow(plate.show(body, key="urgent-findings"))
    downloads(lambda: held, "urgent-findings", "Urgent findings of the ledger")


def _danger_set_aside(source: Source) -> None:
    """Rows that wait, and reports of repairs, that speak of danger: in no list, whatever is
    selected."""
    lines = landed.danger_in(source.workspace)
    if not lines:
        return
    *told, last = map(plate.text, lines)
    shown = "".join(
        f"<li>{line.strip()}</li>" if line.startswith(" ") else f"</ul><h3>▲ {line}</h3><ul>"
        for line in told
    ).removeprefix("</ul>")
    commands = re.sub("`([^`]+)`", r"<code>\1</code>", last)
    waiting = plate.link("Set aside", "intake", part="aside")
    body = (
        f'<section class="panel urgent">{shown}</ul>'
        f"<p>{commands}</p><p>On screen they wait under {waiting}.</p></section>"
    )
    follow(plate.show(body, key="danger-aside"))


def _at(row: dict[str, Any]) -> str:
    parts = [f"{what} {row[key]}" for what, key in (("unit", "unit_id"), ("opening", "opening_id"))
             if not missing(row[key]) and row[key]]  # fmt: skip
    return "".join(f", {plate.text(part)}" for part in parts)


def _where(row: dict[str, Any]) -> str:
    if not missing(row["opening_id"]):
        opening = f"opening {row['opening_id']}"
    elif missing(row.get("openings")):
        opening = "no opening named"  # a paper
    else:
        opening = f"{plural(row['openings'], 'opening')} never recorded, each"
    unit = row["unit_id"]
    parts = (None if missing(unit) or not unit else f"unit {unit}", row.get("room"), opening)
    told = plate.text(", ".join(str(part) for part in parts if not missing(part)))
    return f"{plate.link(row['name'], 'building', id=row['building_id'])}: {told}"


def _rest(frame: pd.DataFrame, what: str) -> str:
    more = int(frame.iloc[0]["found"]) - len(frame)
    return (
        f"<p>… and {plural(more, f'other {what}')}; the download has them all.</p>" if more else ""
    )


def answer(
    frame: pd.DataFrame,
    sure: where_next.Sureness,
    counted: where_next.Counts,
    sets: pd.DataFrame,
) -> str:
    """The first question's answer, in a few sentences."""
    first = frame.iloc[0]
    name = plate.link(first["name"], "building", id=first["building_id"])
    k = sure.k
    certain = (
        f"{plural(sure.surely, 'building')} of these {'belongs' if sure.surely == 1 else 'belong'} "
        f"among the first {k} with 90 % probability or more; {count(sure.perhaps)} more may."
    )
    held = "".join(
        f" The first {count(row['first'])} hold {percent(row['share_low'])} to "
        f"{percent(row['share_high'])} of all dangerous openings (90 %), "
        f"{percent(1 - row['regret'])} of what the {count(row['first'])} with most of them hold, "
        f"and {percent(1 - row['burden_regret'])} of the most burden that {count(row['first'])} "
        "can hold."
        for row in sets[sets["first"].isin((5, 50))].to_dict(orient="records")
    )
    return (
        '<section class="panel next"><h3>Next: '
        f"{name}</h3><p>{plate.text(first['next_look'])}</p>"
        f'<p class="soft small">{certain} {plural(counted.confirmed, "building")} with a '
        f"confirmed defect, {count(counted.never_looked)} where nobody ever looked.{held}</p>"
        "</section>"
    )


def columns(
    counted: where_next.Counts, *, per_dwelling: bool, compared: bool
) -> list[plate.Column]:
    """The ranked table's columns."""

    def rank(row: dict[str, Any]) -> str:
        interval = f"{row['rank_low']}–{row['rank_high']}"
        return (
            f'<span class="num strong">{row["rank"]}</span><br>'
            f'<span class="num soft small" title="90 % interval of the rank">{interval}</span>'
        )

    def name(row: dict[str, Any]) -> str:
        chips = ""
        if row["urgent"]:
            chips += ' <span class="chip urgent">▲ Urgent</span>'
        facts = [
            str(part)
            for part in (
                row["building_id"] if row["building_id"] != row["name"] else None,
                row["address"],
                row["era_label"],
                plural(row["dwellings"], "dwelling"),
            )
            if not missing(part)
        ]
        label = plate.link(row["name"], "building", id=row["building_id"])
        return (
            f'<span class="strong">{label}</span>{chips}<br>'
            f'<span class="soft small">{plate.text(" · ".join(facts))}</span><br>'
            f'<span class="small look">{plate.text(row["next_look"])}</span>'
        )

    def burden(row: dict[str, Any]) -> str:
        dangerous = f"({row['dangerous_low']}–{row['dangerous_high']})"
        told = f'<span class="num soft small">{dangerous}</span>'
        if per_dwelling:
            each = number(row["burden_per_dwelling"])
            return (
                f'<span class="num strong">{each}</span> '
                f'<span class="soft small">per dwelling</span><br>{told}'
            )
        share = row["burden"] / counted.largest_burden if counted.largest_burden else 0.0
        return plate.bar(
            share, f'<br><span class="num strong">{number(row["burden"])}</span><br>{told}'
        )

    def score(row: dict[str, Any]) -> str:
        interval = between(row["score_low"], row["score_high"])
        return (
            f'<span class="num">{number(row["score"])}</span><br>'
            f'<span class="num soft small">({interval})</span>'
        )

    def ingredient(key: str) -> Callable[[dict[str, Any]], str]:
        column = f"contribution_{key}"

        def cell(row: dict[str, Any]) -> str:
            return f'<span class="num small">{signed(row[column])}</span>' + plate.part(
                row[column], counted.largest_part, key
            )

        return cell

    def blind(row: dict[str, Any]) -> str:
        return f'<span class="num">{percent(row["blind_share"])}</span>'

    def live(row: dict[str, Any]) -> str:
        return f'<span class="num">{percent(row["p_live_metal"])}</span>'

    def moved(row: dict[str, Any]) -> str:
        if missing(row["earlier_rank"]):
            return '<span class="soft small">new</span>'
        places = int(row["places_gained"])
        if places == 0:
            return '<span class="soft small">same place</span>'
        arrow = "▲ up" if places > 0 else "▼ down"
        return (
            f'<span class="num small">{arrow} {abs(places)}</span><br>'
            f'<span class="num soft small">was {row["earlier_rank"]:.0f}</span>'
        )

    return [
        plate.Column("Rank", rank, bare=True, width="3.6rem"),
        plate.Column("Building and most useful next look", name, heads=True),
        plate.Column("Burden (openings)", burden, width="5.6rem"),
        plate.Column("Score (90 %)", score, half=True, width="5.2rem"),
        *(plate.Column(label, ingredient(key), half=True, width="4.2rem") for key, label in PARTS),
        plate.Column("Live metal", live, half=True, width="3.4rem"),
        plate.Column("Blind", blind, half=True, width="3.4rem"),
        *([plate.Column("Since last build", moved, half=True, width="4.4rem")] if compared else []),
    ]


@screen(
    "Where next?",
    "Buildings in order of how many people live with how many dangerous openings, from what "
    "inspections rule out and what they leave open.",
)
def page() -> None:
    """The screen."""
    source = opened()
    state_of_build(source)
    today, ahead = st.container(), st.container()
    selection, k = narrowed(source)
    counted = source.ask(where_next.counts, selection)
    if counted.buildings == 0:
        empty(
            "none-selected",
            "No building fits",
            f"None of the {count(counted.all_buildings)} buildings fits what you narrowed the list "
            "to. Take a filter away, or search for fewer words.",
        )
        return
    listing, turning = st.container(), st.container()
    with turning:
        number_of = _page_number(-(-counted.buildings // ROWS))
    frame = source.ask(where_next.listed, selection, limit=ROWS, offset=(number_of - 1) * ROWS)
    sure = source.ask(where_next.sureness, selection, k)
    with ahead:
        urgent_panel(source, selection)
        if number_of == 1 and selection.order in ("burden", "dwelling"):
            sets = source.ask(queries.first_buildings)
            follow(plate.show(answer(frame, sure, counted, sets), key="answer"))
    with listing:
        _table(source, selection, k, counted, frame)
    _pictures(source, selection, k, frame)
    # Last, on top: the list need not wait for it.
    with today:
        _today(source, counted)


def _today(source: Source, counted: where_next.Counts) -> None:
    """The day's plan, or where to ask for it."""
    if counted.all_buildings > planned_looks.TODAY_UP_TO:
        shown = (
            f"<p>{plate.link('Day of looks', 'day-of-looks')}: which crew goes where, in which "
            "order, to which openings.</p>"
        )
    else:
        with st.spinner("Planning the day …"):
            shown = planned_looks.today_in_short(source)
    follow(plate.show(shown, key="today"))


def _page_number(pages: int) -> int:
    if pages <= 1:
        return 1
    asked = st.session_state.get("page")
    if isinstance(asked, int) and asked > pages:
        st.session_state["page"] = pages
    return int(
        st.number_input(
            f"Page (of {pages:,})",
            min_value=1,
            max_value=pages,
            key="page",
            bind="query-params",
            width=160,
        )
    )


def _table(
    source: Source,
    selection: Selection,
    k: int,
    counted: where_next.Counts,
    frame: pd.DataFrame,
) -> None:
    shown = (
        f"{plural(counted.buildings, 'building')}"
        + (f" of {count(counted.all_buildings)}" if selection.narrows else "")
        + f". {ORDER_TOLD} Burden: {BURDEN_UNIT}; in brackets the 90 % interval of the number of "
        f"dangerous openings. Score: {SCORE_UNIT}. Ingredients add up with a baseline to the "
        "score; a hollow bar takes away. Live metal: chance that anywhere in it metal is live in "
        "normal use. Blind: three-slot openings never looked at by a method able to see a false "
        "ground."
    )
    body = plate.table(
        frame.to_dict(orient="records"),
        columns(
            counted,
            per_dwelling=selection.ranked_by == "rank_per_dwelling",
            compared=source.earlier is not None,
        ),
        plate.text(shown),
        row_class=lambda row: " ".join(
            name
            for name, holds in (
                ("urgent", bool(row["urgent"])),
                ("past", row["position"] == k),
            )
            if holds
        ),
    )
    follow(plate.show(body, key="ranking"))
    everything = lambda: where_next.listed(source.cursor(), selection, limit=None)  # noqa: E731
    downloads(everything, "ranking", "All buildings of this list")


def _pictures(source: Source, selection: Selection, k: int, frame: pd.DataFrame) -> None:
    st.subheader("How sure is this order?", anchor=False)
    st.markdown(
        "Each line is the interval that holds the building's rank with 90 % probability; the "
        f"diamond is its rank. The shaded part is the first {k}. Long lines mean that looking "
        f"would change the order. {RANK_TOLD}"
    )
    picture(
        rank_intervals(plate.cells(frame), k, tone()),
        "Rank and rank interval of each building on this page of the list",
        frame[["rank", "rank_low", "rank_high", "building_id", "name", "p_top"]],
        "rank-intervals",
    )


page()

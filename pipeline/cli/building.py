"""``coverplate building``, ``openings``, ``quality``: one building and its openings."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd

from pipeline.cli.options import check_ending, json_option, workspace_option
from pipeline.cli.output import (
    cautions,
    echo,
    plain,
    print_json,
    print_table,
    say,
)
from pipeline.cli.rank import built, ranking_rows
from pipeline.cli.urgent import first_measure
from pipeline.pages.section_drawing import section_page
from pipeline.scoring.burden import ORDER_TOLD
from pipeline.scoring.explanation import (
    INGREDIENTS,
    SCORE_UNIT,
    error_told,
    next_look_told,
    spread_told,
)
from pipeline.scoring.why import STEPS, told
from pipeline.screens.section import section
from pipeline.screens.whole_building import STEP_LABELS
from pipeline.warehouse import queries
from pipeline.warehouse.frames import records
from shared.in_words import adding_up, day, number, percent, plural, words
from shared.standing import URGENT_WORDS
from shared.vocabulary import CONDITIONS

_FACTS = (
    "address",
    "city",
    "postal_code",
    "owner",
    "manager",
    "year_built",
    "era_label",
    "year_rewired",
    "wiring_method",
    "wiring_metal",
    "panel_type",
    "panel_condition",
    "fuses_oversized",
    "storeys",
    "dwellings",
    "dwellings_assumed",
    "openings",
    "openings_assumed",
    "openings_seen",
    "people",
    "occupants_assumed",
    "vulnerable_people",
    "vulnerable_assumed",
    "insured_value",
    "latitude",
    "longitude",
    "evaluated_on",
    "graded_share",
    "in_register",
)

_ASSUMED = {
    "dwellings": "dwellings_assumed",
    "openings": "openings_assumed",
    "people": "occupants_assumed",
    "vulnerable_people": "vulnerable_assumed",
}
"""The column that says whether a fact is assumed."""


@click.command(
    short_help="One building whole.",
    epilog="Examples: coverplate building 0042 --workspace housing  ·  "
    "coverplate building 0042 --section 0042.html",
)
@click.argument("building_id")
@click.option(
    "--section",
    "page",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a drawing of it, storey by storey, as .html to print.",
)
@workspace_option
@json_option
def building(building_id: str, page: Path | None, workspace: Path, as_json: bool) -> int:
    """One building whole: facts, how its score comes about, evidence, conflicts, next look."""
    if page is not None:
        check_ending(page, [".html"])
    with built(workspace) as con:
        frame = queries.building(con, building_id)
        if page is not None:
            first = records(frame)[0]
            version = str(queries.build_facts(con)["version"])
            page.write_text(
                section_page(
                    section(con, building_id), first["next_look"], bool(first["urgent"]), version
                ),
                encoding="utf-8",
            )
            say(f"written to {page}")
        unrecorded = queries.unrecorded_openings(con, building_id)
        findings = queries.data_quality(con, building_id)
    row = records(frame)[0]
    if as_json:
        print_json(
            [
                {
                    **ranking_rows(frame)[0],
                    "facts": {name: row[name] for name in _FACTS},
                    "effective_points": row["effective_points"],
                    "rates": {
                        name.removeprefix("rate_"): row[name]
                        for name in frame.columns
                        if name.startswith("rate_")
                    },
                    "unrecorded_openings": _unrecorded(unrecorded),
                    "data_quality": records(findings),
                }
            ]
        )
        return 0
    _print_building(row, unrecorded, findings)
    return 0


def _unrecorded(frame: pd.DataFrame) -> dict[str, Any] | None:
    if frame.empty:
        return None
    row = records(frame)[0]
    return {
        "openings": row["openings"],
        "p_three_slot": row["p_three_slot"],
        "p_dangerous": row["p_dangerous"],
        "p": {condition.value: row[f"p_{condition.value}"] for condition in CONDITIONS},
    }


def _print_building(row: dict[str, Any], unrecorded: pd.DataFrame, findings: pd.DataFrame) -> None:
    name = row["name"] if isinstance(row["name"], str) else ""
    echo(f"{row['building_id']} {name}".strip())
    echo(
        f"Rank {row['rank']} (90 %: {row['rank_low']} to {row['rank_high']}); probability of "
        f"being among the first {row['top']:.0f}: {percent(row['p_top'])}."
    )
    echo(
        f"Burden {number(row['burden'])}: {number(row['expected_dangerous_openings'])} dangerous "
        f"openings expected × {number(row['exposed_per_dwelling'])} people who live with each "
        "(those of a dwelling, vulnerable ones weighted)."
    )
    echo(ORDER_TOLD)
    if row["urgent"]:
        echo(f"URGENT: {URGENT_WORDS}.")
        first_measure()
    echo("")
    known = [
        [
            "era" if fact == "era_label" else words(fact),
            _fact(fact, row[fact]) + (" (assumed)" if row.get(_ASSUMED.get(fact, "")) else ""),
        ]
        for fact in _FACTS
        if fact not in _ASSUMED.values() and plain(row[fact]) is not None
    ]
    print_table("Facts", [("fact", "left"), ("value", "left")], known)
    echo("")
    labels = ["baseline: as many openings in a typical building"]
    labels += [STEP_LABELS[name].lower() for name in INGREDIENTS]
    labels += ["score"]
    parts = [row["baseline"], *(row[f"contribution_{name}"] for name in INGREDIENTS)]
    after = [number(value) for value in np.cumsum(parts)]
    print_table(
        "How the score comes about, one kind of knowledge after the other",
        [("what is known", "left"), ("adds", "right"), ("before → after", "right")],
        [
            [label, adds, change]
            for label, adds, change in zip(
                labels,
                adding_up(parts),
                [
                    after[0],
                    *(f"{b} → {a}" for b, a in itertools.pairwise(after)),
                    after[-1],
                ],
                strict=True,
            )
        ],
    )
    echo(f"Score: {SCORE_UNIT}.")
    echo(
        f"90 % interval {number(row['score_low'])} to {number(row['score_high'])}; per dwelling "
        f"{number(row['score_per_dwelling'])}; {percent(row['evidence_share'])} of it rests on "
        "openings that were looked at, the rest on assumption. "
        + error_told(percent(row["score_error"]))
    )
    if told := spread_told(row):
        echo(told)
    echo(
        f"Dangerous openings: {number(row['expected_dangerous_openings'])} expected, "
        f"{row['dangerous_low']} to {row['dangerous_high']} (90 %); any at all: "
        f"{percent(row['p_any_dangerous'])}; live metal anywhere: {percent(row['p_live_metal'])}. "
        f"Blind share {percent(row['blind_share'])}."
    )
    echo("\nWhy, what weighs most in the score first")
    for reason in row["reasons"]:
        echo(f"  · {reason}")
    echo(f"\nNext look\n  {row['next_look']}")
    if value := next_look_told(row):
        echo(f"  {value}")
    rest = _unrecorded(unrecorded)
    if rest:
        echo(
            f"  {rest['openings']} openings were never recorded; each is dangerous with "
            f"probability {percent(rest['p_dangerous'])}."
        )
    if len(findings):
        echo("\nWhat does not fit together")
        for message in findings["message"]:
            echo(f"  · {message}")
    cautions()


def _fact(name: str, value: Any) -> str:  # noqa: ANN401 - any cell of a frame
    if name == "graded_share":
        return percent(value) + " of the best grade (common areas)"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name == "evaluated_on":
        return day(value)
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if name in ("people", "vulnerable_people"):
        return number(value)
    return words(value)


@click.command(
    short_help="A building's recorded openings.", epilog="Example: coverplate openings 0042 --json"
)
@click.argument("building_id")
@workspace_option
@json_option
def openings(building_id: str, workspace: Path, as_json: bool) -> int:
    """Every recorded opening of a building: what was seen, and what remains possible."""
    with built(workspace) as con:
        queries.building(con, building_id)
        frame = queries.openings(con, building_id)
        unrecorded = _unrecorded(queries.unrecorded_openings(con, building_id))
    if as_json:
        print_json(
            [
                {
                    "opening_id": row["opening_id"],
                    "unit_id": row["unit_id"] or None,
                    "room": row["room"],
                    "slots": row["slots"],
                    "last_observed_on": row["last_observed_on"],
                    "methods": list(row["methods"]),
                    "p": {c.value: row[f"p_{c.value}"] for c in CONDITIONS},
                    "p_dangerous": row["p_dangerous"],
                    "confirmed": bool(row["confirmed"]),
                    "urgent": bool(row["urgent"]),
                    "defect": row["defect"],
                    "standing": row["standing"],
                    "urgent_defect": row["urgent_defect"],
                    "grounds": [dict(each) for each in row["grounds"]],
                    "rule_book_hash": row["rule_book_hash"],
                    "circuit_id": row["circuit_id"],
                    "why": [
                        {"known": step.known, "p_dangerous": step.after, "log_odds": step.log_odds}
                        for step in told(row)
                    ],
                    "next_look": None
                    if row["next_method"] is None
                    else {"method": row["next_method"], "settles": row["next_settles"]},
                }
                for row in records(frame)
            ]
        )
        return 0
    print_table(
        f"Recorded openings of {building_id}, likeliest danger first",
        [
            ("unit", "left"),
            ("room", "left"),
            ("opening", "left"),
            ("slots", "left"),
            ("last look", "left"),
            ("methods", "left"),
            ("dangerous", "right"),
            ("why", "left"),
            ("likeliest", "left"),
            ("next look", "left"),
            ("standing", "left"),
            ("", "left"),
        ],
        [
            [
                row["unit_id"] or "–",
                words(row["room"]),
                str(row["opening_id"]),
                words(row["slots"]),
                day(row["last_observed_on"]),
                words(row["methods"]),
                percent(row["p_dangerous"]),
                " → ".join(percent(step.after) for step in told(row)),
                _likeliest(row),
                words(row["next_method"]) if row["next_method"] else "",
                row["standing"],
                "urgent" if row["urgent"] else "confirmed" if row["confirmed"] else "",
            ]
            for row in records(frame)
        ],
    )
    echo(
        "\nWhy: chance of danger by "
        + ", then ".join(known for _, known in STEPS)
        + ". Next look: the least effort that settles nearly as much as any."
    )
    if unrecorded:
        echo(
            f"\nNever recorded: {unrecorded['openings']} openings, each dangerous with "
            f"probability {percent(unrecorded['p_dangerous'])}."
        )
    cautions()
    return 0


def _likeliest(row: dict[str, Any]) -> str:
    best = sorted(CONDITIONS, key=lambda condition: -row[f"p_{condition.value}"])[:2]
    return ", ".join(f"{words(c.value)} {percent(row[f'p_{c.value}'])}" for c in best)


@click.command(
    short_help="What does not fit together.", epilog="Example: coverplate quality --building 0042"
)
@click.option("--building", "building_id", help="Only this building.")
@workspace_option
@json_option
def quality(building_id: str | None, workspace: Path, as_json: bool) -> int:
    """What does not fit together: sources that disagree, surveys that are not complete, …"""
    with built(workspace) as con:
        frame = queries.data_quality(con, building_id)
    if as_json:
        print_json(records(frame))
        return 0
    print_table(
        f"{len(frame)} finding(s)",
        [("building", "left"), ("kind", "left"), ("finding", "left")],
        [[words(r["building_id"]), words(r["kind"]), str(r["message"])] for r in records(frame)],
    )
    return 0


@click.command(
    short_help="Buildings that a full register no longer names.",
    epilog="Example: coverplate retired --json",
)
@workspace_option
@json_option
def retired(workspace: Path, as_json: bool) -> int:
    """Buildings that the newest full register no longer names.

    They are in no other list, except those where a defect was reported: these stay everywhere until
    a person decides. A register counts as full where `intake --full-register` said so.
    """
    with built(workspace) as con:
        frame = queries.retired(con)
    if as_json:
        print_json(records(frame))
        return 0
    print_table(
        f"{plural(len(frame), 'building')} no longer named by a full register",
        [
            ("building", "left"),
            ("source", "left"),
            ("last named in", "left"),
            ("full register", "left"),
            ("as of", "left"),
            ("in other lists", "left"),
        ],
        [
            [
                str(row["building_id"]),
                str(row["source"]),
                Path(str(row["last_named"])).name,
                Path(str(row["full_register"])).name,
                day(row["as_of"]),
                "yes: a defect is reported" if row["defect_reported"] else "no",
            ]
            for row in records(frame)
        ],
    )
    return 0


@click.command(
    short_help="Citations, complaints, work orders, permits.",
    epilog="Examples: coverplate reports  ·  coverplate reports --building 0042 --json",
)
@click.option("--building", "building_id", help="Only this building.")
@workspace_option
@json_option
def reports(building_id: str | None, workspace: Path, as_json: bool) -> int:
    """What citations, complaints, work orders and permits say; the urgent ones first.

    A shock, live metal or heat that one of them reports is urgent until every recorded opening that
    it may mean was opened later by somebody able to tell. A paper that is closed answers nothing.
    """
    with built(workspace) as con:
        frame = queries.reports(con, building_id)
    if as_json:
        print_json(records(frame))
        return 0
    print_table(
        plural(len(frame), "report"),
        [
            ("building", "left"),
            ("unit", "left"),
            ("what", "left"),
            ("of", "left"),
            ("status", "left"),
            ("speaks of", "left"),
            ("what it says", "left"),
        ],
        [
            [
                str(row["building_id"]),
                str(row["unit_id"] or "–"),
                words(row["report_kind"]) + (f" {row['reference']}" if row["reference"] else ""),
                day(row["reported_on"]),
                words(row["status"]),
                words(row["subject"]) + (" (urgent)" if row["urgent"] else ""),
                str(row["description"] or row["code_section"] or "–"),
            ]
            for row in records(frame)
        ],
    )
    cautions()
    return 0

"""``coverplate rank``: the buildings in order, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
import duckdb
import pandas as pd

from pipeline.cli.options import existing, json_option, narrowing_options, workspace_option
from pipeline.cli.output import (
    cautions,
    echo,
    plain,
    print_json,
    print_table,
    progress,
    say,
)
from pipeline.landing import Workspace
from pipeline.scoring.burden import BURDEN_UNIT, ORDER_TOLD, RANK_TOLD
from pipeline.scoring.explanation import INGREDIENTS, SCORE_UNIT, before_after
from pipeline.warehouse import queries, store
from pipeline.warehouse.frames import records
from pipeline.warehouse.inputs import inputs_version, told_since_build, workspace_rule_book
from pipeline.warehouse.narrowing import Narrowing
from pipeline.warehouse.repairs import KnownRepairs, known_repairs
from shared.in_words import number, percent, plural
from shared.rule_book import load_rule_book


@click.command(
    short_help="Rank buildings, with intervals and reasons.",
    epilog="Examples: coverplate rank --top 20  ·  coverplate rank --by burden_per_dwelling  ·  "
    "coverplate rank --rule-book stricter.toml",
)
@click.option("--top", type=click.IntRange(min=1), help="Only the first K buildings.")
@click.option(
    "--by",
    type=click.Choice(list(queries.ORDERS)),
    default="burden",
    show_default=True,
    help="What to rank by: burden or score, of the whole building or per dwelling.",
)
@narrowing_options
@click.option(
    "--rule-book",
    "rule_book",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Compare with the ranking under another rule book.",
)
@workspace_option
@json_option
def rank(
    top: int | None,
    by: str,
    only: Narrowing,
    rule_book: Path | None,
    workspace: Path,
    as_json: bool,
) -> int:
    """Rank buildings by their burden, with intervals, score and reasons.

    The burden is the expected number of dangerous openings times the people who live with each.
    """
    place = existing(workspace)
    if rule_book is not None:
        if by != "burden" or only.narrows:
            raise click.UsageError(
                "--rule-book compares all buildings by burden: only --top and "
                "--workspace go with it."
            )
        return _compare(place, rule_book, top, as_json)
    warn_if_stale(place)
    with store.reading(place) as con:
        frame = queries.ranking(con, by=by, only=only, top=top)
        sets = queries.first_buildings(con)
        retired = queries.retired(con)
    if frame.empty:
        say("No building answers to that; names must be written in full, as the register has them.")
    if as_json:
        print_json(ranking_rows(frame))
    else:
        print_ranking(frame, sets if by == "burden" else None, by)
    left_out = int((~retired["defect_reported"].astype(bool)).sum())
    if left_out:
        say(
            f"{plural(left_out, 'building')} left out that a full register no longer names: see "
            "`coverplate retired`."
        )
    return 0


LISTED = 10
"""So many findings are named in a line."""


def is_stale(workspace: Workspace) -> bool:
    """Whether exports, ledger or rules changed after the last build, if there was one."""
    return _since_build(workspace) is not None


def _since_build(workspace: Workspace) -> KnownRepairs | None:
    """What the ledger says, where anything changed after the last build; None where nothing did."""
    current = store.current_version(workspace)
    if current is None:
        return None
    rules = workspace_rule_book(workspace)
    repairs = known_repairs(workspace, rules)
    return None if current == inputs_version(workspace, rules, repairs) else repairs


def warn_if_stale(workspace: Workspace) -> None:
    """Say so where exports or rules changed after the last build."""
    repairs = _since_build(workspace)
    if repairs is not None:
        say("Exports, ledger or rules changed since the last build: run `coverplate build`.")
        if since := told_since_build(workspace, repairs):
            named = ", ".join(since[:LISTED]) + ", …" * (len(since) > LISTED)
            say(
                f"▲ URGENT, and in no list or plan before a build: {named} "
                "(`coverplate findings show`)."
            )


@contextmanager
def built(workspace: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the warehouse of a workspace, having said so where more came since its build."""
    place = existing(workspace)
    warn_if_stale(place)
    with store.reading(place) as con:
        yield con


def ranking_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """The documented JSON of ``rank``."""
    keys = [
        "rank",
        "building_id",
        "name",
        "score",
        "score_per_dwelling",
        "score_low",
        "score_high",
        "rank_low",
        "rank_high",
        "expected_dangerous_openings",
        "dangerous_low",
        "dangerous_high",
        "p_any_dangerous",
        "blind_share",
    ]
    rows = []
    for row in frame.to_dict(orient="records"):
        rows.append(
            {
                **{key: plain(row[key]) for key in keys},
                "contributions": {
                    "baseline": row["baseline"],
                    **{name: row[f"contribution_{name}"] for name in INGREDIENTS},
                },
                "urgent": bool(row["urgent"]),
                "reasons": list(row["reasons"]),
                "p_top": row["p_top"],
                "evidence_share": row["evidence_share"],
                "next_look": row["next_look"],
                "rule_book_hash": row["rule_book_hash"],
                "p_live_metal": row["p_live_metal"],
                "burden": row["burden"],
                "burden_per_dwelling": row["burden_per_dwelling"],
                "exposed_per_dwelling": row["exposed_per_dwelling"],
                "score_error": row["score_error"],
                "score_median": row["score_median"],
                "score_tail": row["score_tail"],
                "steps": [
                    {"known": known, "before": before, "after": after}
                    for known, before, after in before_after(row)
                ],
                "next_look_value": _next_value(row),
            }
        )
    return rows


def _next_value(row: Mapping[Any, Any]) -> dict[str, Any] | None:
    """What lies where the next look is due; None where it is urgent or nothing is left to tell."""
    if plain(row["next_openings"]) is None:
        return None
    return {
        "openings": int(row["next_openings"]),
        "expected_dangerous": row["next_expected"],
        "share_of_unsettled": plain(row["next_share"]),
    }


def sets_told(sets: pd.DataFrame) -> list[str]:
    """Lines that say what the first buildings hold together (see ``queries.first_buildings``)."""
    lines = []
    for row in sets[sets["first"].isin((5, 10, 50))].to_dict(orient="records"):
        lines.append(
            f"The first {row['first']} hold {percent(row['share_low'])} to "
            f"{percent(row['share_high'])} of all dangerous openings, "
            f"{percent(1 - row['regret'])} of what the {row['first']} with most of them hold, and "
            f"{percent(1 - row['burden_regret'])} of the most burden that {row['first']} can hold."
        )
    return lines


def print_ranking(
    frame: pd.DataFrame, sets: pd.DataFrame | None = None, by: str = "burden"
) -> None:
    """Print a ranking for people.

    Args:
        frame: from ``queries.ranking``.
        sets: from ``queries.first_buildings``.
        by: the key of ``queries.ORDERS`` that it was ranked by.
    """
    each = "_per_dwelling" if by.endswith("_per_dwelling") else ""
    urgent = frame[frame["urgent"]]
    if len(urgent):
        echo(
            "Urgent, whatever the score (plainly reported or measured): "
            + ", ".join(_label(row) for row in urgent.to_dict(orient="records"))
            + "\n"
        )
    rows = []
    for row in frame.to_dict(orient="records"):
        rows.append(
            [
                str(row["rank"]),
                "" if pd.isna(row["rank_low"]) else f"{row['rank_low']:.0f}–{row['rank_high']:.0f}",
                _label(row) + (" (urgent)" if row["urgent"] else ""),
                number(row["burden" + each]),
                f"{row['dangerous_low']}–{row['dangerous_high']}",
                number(row["score" + each]),
                percent(row["p_live_metal"]),
                percent(row["blind_share"]),
                row["reasons"][0] if len(row["reasons"]) else "",
            ]
        )
    print_table(
        "",
        [
            ("rank", "right"),
            ("rank, 90 %", "left"),
            ("building", "left"),
            ("burden", "right"),
            ("dangerous, 90 %", "right"),
            ("score", "right"),
            ("live metal", "right"),
            ("blind", "right"),
            ("what weighs most", "left"),
        ],
        rows,
    )
    echo("")
    for line in [] if sets is None else sets_told(sets):
        echo(line)
    by_burden = by.startswith("burden")
    echo(ORDER_TOLD if by_burden else "Here buildings stand in order of their score.")
    per = " Burden and score are told per dwelling." if each else ""
    echo(f"Burden: {BURDEN_UNIT}. Score: {SCORE_UNIT}.{per}")
    if by_burden:
        echo(RANK_TOLD)
    echo(
        "90 %: interval of the rank, and of the number of dangerous openings. Live metal: chance "
        "that anywhere in it metal is live in normal use. Blind: share of "
        "three-slot openings never looked at by a method able to see a false ground."
    )
    if len(frame):
        echo(f"Rule book {frame['rule_book_hash'].iloc[0][:12]}.")
    cautions()


def _label(row: dict[Any, Any]) -> str:
    name = row["name"]
    return str(row["building_id"]) + (f" {name}" if isinstance(name, str) else "")


def _compare(workspace: Workspace, rule_book: Path, top: int | None, as_json: bool) -> int:
    # it builds: the model takes seconds to load, which no other ranking waits for
    from pipeline.warehouse.comparison import compare_rule_books

    other = load_rule_book(rule_book)
    with progress() as report:
        comparison = compare_rule_books(workspace, other, report)
    frame = comparison.frame if top is None else comparison.frame.head(top)
    if as_json:
        print_json([{**row, "kendall_tau": comparison.kendall_tau} for row in records(frame)])
        return 0
    print_table(
        f"Rule book {comparison.hash[:12]} against {comparison.other_hash[:12]}",
        [
            ("rank", "right"),
            ("other rank", "right"),
            ("moves", "right"),
            ("building", "left"),
            ("burden", "right"),
            ("other burden", "right"),
            ("score", "right"),
            ("other score", "right"),
        ],
        [
            [
                str(row["rank"]),
                str(row["other_rank"]),
                f"{row['move']:+d}" if row["move"] else "=",
                _label(row),
                number(row["burden"]),
                number(row["other_burden"]),
                number(row["score"]),
                number(row["other_score"]),
            ]
            for row in frame.to_dict(orient="records")
        ],
    )
    echo(
        f"\nMoves: places nearer the top (+) or further down (-) under the other rule book. "
        f"Kendall tau {comparison.kendall_tau:.3f} (1 is the same order). "
        f"{comparison.moved} of {len(comparison.frame)} buildings change rank."
    )
    return 0

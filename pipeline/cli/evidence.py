"""``coverplate evidence``: what each method can and cannot tell."""

from __future__ import annotations

from pathlib import Path

import click
import pandas as pd

from pipeline.cli.options import existing, json_option, workspace_option
from pipeline.cli.output import (
    cautions,
    echo,
    print_json,
    print_table,
)
from pipeline.evidence.likelihood import Likelihoods, likelihoods_of
from pipeline.evidence.opening_facts import FACTS, opening_facts
from pipeline.warehouse import predictions, queries, store
from pipeline.warehouse.frames import records
from shared.in_words import number, percent, words
from shared.rule_book import RuleBook, load_rule_book
from shared.vocabulary import CONDITIONS, Method


@click.command(
    short_help="What each method can and cannot tell.",
    epilog="Examples: coverplate evidence  ·  coverplate evidence --circuit  ·  "
    "coverplate evidence --inspectors --workspace housing",
)
@click.option("--method", type=click.Choice([method.value for method in Method]), help="Only this.")
@click.option("--circuit", is_flag=True, help="The circuit model's answers for each condition.")
@click.option("--pairs", is_flag=True, help="Every pair of conditions, by method.")
@click.option("--inspectors", is_flag=True, help="Inspectors as readers, from a workspace.")
@click.option(
    "--learned", is_flag=True, help="What a workspace's portfolio taught, beside the rules."
)
@click.option(
    "--said-and-found", is_flag=True, help="What would have been said of openings, and was found."
)
@click.option(
    "--rule-book",
    "rule_book",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Rule book to derive it from.",
)
@workspace_option
@json_option
def evidence(
    method: str | None,
    circuit: bool,
    pairs: bool,
    inspectors: bool,
    learned: bool,
    said_and_found: bool,
    rule_book: Path | None,
    workspace: Path,
    as_json: bool,
) -> int:
    """P(reading | condition, method), derived from the circuit model and rates of misreading.

    Below each method's table stand the pairs of conditions that it cannot tell apart.
    """
    if inspectors:
        return _inspectors(workspace, as_json)
    if learned:
        return _learned(workspace, as_json)
    if said_and_found:
        return _said_and_found(workspace, as_json)
    book = _rule_book(rule_book, workspace)
    if circuit:
        return _circuit(book, as_json)
    likelihoods = likelihoods_of(book)
    methods = [Method(method)] if method else list(Method)
    if pairs:
        frame = likelihoods.distinguishes()
        frame = frame[frame["method"].isin([m.value for m in methods])]
        if as_json:
            print_json(records(frame))
        else:
            print_table(
                "Distance 0: the same readings; 1: never the same",
                [
                    ("method", "left"),
                    ("condition", "left"),
                    ("other condition", "left"),
                    ("distance", "right"),
                    ("told apart", "left"),
                ],
                [
                    [
                        words(r["method"]),
                        words(r["condition_a"]),
                        words(r["condition_b"]),
                        f"{r['distance']:.2f}",
                        "yes" if r["separable"] else "no",
                    ]
                    for r in records(frame)
                ],
            )
        return 0
    table = likelihoods.table()
    table = table[table["method"].isin([m.value for m in methods])]
    if as_json:
        print_json(records(table))
        return 0
    for each in methods:
        _print_method(likelihoods, each)
    cautions()
    return 0


def _rule_book(path: Path | None, workspace: Path) -> RuleBook:
    if path is not None:
        return load_rule_book(path)
    own = workspace / "rule_book.toml"
    return load_rule_book(own) if own.is_file() else load_rule_book()


def _print_method(likelihoods: Likelihoods, method: Method) -> None:
    frame = likelihoods.table()
    wide = frame[frame["method"] == method.value].pivot(
        index="condition", columns="result", values="probability"
    )
    results = [c for c in wide.columns if wide[c].max() >= 0.05]
    print_table(
        f"\n{words(method.value)}: probability of each result (results under 5 % left out)",
        [("condition", "left"), *((words(result), "right") for result in results)],
        [
            [words(condition.value), *(percent(wide.loc[condition.value, r]) for r in results)]
            for condition in CONDITIONS
        ],
    )
    pairs = likelihoods.distinguishes()
    alike = pairs[(pairs["method"] == method.value) & ~pairs["separable"]]
    if len(alike) == len(CONDITIONS) * (len(CONDITIONS) - 1) // 2:
        echo("Cannot tell any two conditions apart.")
    elif len(alike):
        echo(
            "Cannot tell apart: "
            + "; ".join(
                f"{words(row['condition_a'])} / {words(row['condition_b'])}"
                for row in records(alike)
            )
            + "."
        )
    else:
        echo("Tells every condition from every other.")


def _circuit(book: RuleBook, as_json: bool) -> int:
    frame = opening_facts(book.circuit)
    if as_json:
        print_json(records(frame))
        return 0
    shown = (
        ("lamps", "lamps"),
        ("neutral_ground_volts_at_amps", "N–G under load, V"),
        ("ground_path_ohms", "ground path, Ω"),
        ("case_volts_normal_use", "case in normal use, V"),
        ("case_volts_open_neutral", "case, neutral open, V"),
        ("case_volts_case_fault", "case, hot-to-case fault, V"),
        ("body_milliamps_case_fault", "body current then, mA"),
    )
    print_table(
        "The circuit model, three-slot opening",
        [("condition", "left"), *((heading, "right") for _, heading in shown)],
        [
            [
                words(row["condition"]),
                *(
                    str(row[name])
                    if name == "lamps"
                    else "none"
                    if row[name] > 1e5
                    else number(row[name], 3)
                    for name, _ in shown
                ),
            ]
            for row in records(frame)
        ],
    )
    echo("")
    echo("  lamps: neutral to ground, hot to neutral, hot to ground; 1 lit, 0 dark")
    for name, heading in shown[1:]:
        echo(f"  {heading.rpartition(', ')[0]}: {FACTS[name]}")
    cautions()
    return 0


def _inspectors(workspace: Path, as_json: bool) -> int:
    with store.reading(existing(workspace)) as con:
        frame = con.execute("SELECT * FROM inspectors ORDER BY inspector").fetchdf()
    if as_json:
        print_json(records(frame))
        return 0
    print_table(
        "Share of looks passed whatever is shown, against others by the same method and building",
        [
            ("inspector", "left"),
            ("looks", "right"),
            ("compared", "right"),
            ("passes", "right"),
            ("leniency", "right"),
            ("at most", "right"),
        ],
        [
            [
                str(r["inspector"]),
                *(f"{r[name]:,}" for name in ("looks", "compared", "passes")),
                percent(r["leniency"]),
                percent(r["leniency_high"]),
            ]
            for r in records(frame)
        ],
    )
    return 0


def _learned(workspace: Path, as_json: bool) -> int:
    with store.reading(existing(workspace)) as con:
        frame, facts = queries.learned(con), queries.build_facts(con)
    if as_json:
        print_json(records(frame))
        return 0
    since = int(facts["files_landed"]) - int(facts["files_learned_from"])
    echo(
        f"Record {facts['learned_record']}: learned from {facts['buildings_learned_from']:,} "
        f"buildings when {facts['files_learned_from']:,} exports had landed, "
        + (f"kept over {since:,} more since." if since > 0 else "and nothing since.")
    )
    print_table(
        "What the portfolio taught, and the rule book's own figure",
        [
            ("of", "left"),
            ("share", "left"),
            ("learned", "right"),
            ("between", "right"),
            ("rule book", "right"),
        ],
        [
            [
                words(r["of"]),
                words(r["share"]),
                percent(r["mean"]),
                ""
                if pd.isna(r["mean_low"])
                else f"{percent(r['mean_low'])}–{percent(r['mean_high'])}",
                percent(r["default_mean"]),
            ]
            for r in records(frame)
        ],
    )
    return 0


_SAID = {
    predictions.WITHOUT_OWN_LOOKS: "this build would say of openings without their own looks",
    predictions.EARLIER_BUILDS: "the build before a capable look said of the opening",
}


def _said_and_found(workspace: Path, as_json: bool) -> int:
    place = existing(workspace)
    with store.reading(place) as con:
        frame = predictions.said_and_found(con, place)
    if as_json:
        print_json(records(frame))
        return 0
    for basis, said in _SAID.items():
        some = frame[frame["basis"] == basis]
        if some.empty:
            echo(f"Nothing to compare yet of what {said}.")
            continue
        print_table(
            f"Chance of danger that {said}, and with a capable look",
            [
                ("said", "left"),
                ("openings", "right"),
                ("said, mean", "right"),
                ("found", "right"),
            ],
            [
                [
                    f"{percent(r['said_from'])}–{percent(r['said_to'])}",
                    f"{r['openings']:,}",
                    percent(r["said"]),
                    percent(r["found"]),
                ]
                for r in records(some)
            ],
        )
    return 0

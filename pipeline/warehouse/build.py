"""Builds the warehouse: a pure function of landed exports, ledger and rule book."""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from pipeline.evidence import warm
from pipeline.evidence.assemble import (
    UNSEEN_LOCATION,
    Assembled,
    assemble,
    crew_index,
    location_factors,
)
from pipeline.evidence.classes import stakes, weigh_classes
from pipeline.evidence.expectation import prior_means
from pipeline.evidence.learning import Learned, crew_shift, learn, telling
from pipeline.evidence.leniency import judge_leniency
from pipeline.evidence.likelihood import Likelihoods
from pipeline.evidence.posterior import Model, Weigher, weigh_all
from pipeline.evidence.priors import era_index
from pipeline.evidence.states import RATES
from pipeline.landing import Workspace, create_views
from pipeline.offline import connect
from pipeline.scoring.burden import burden
from pipeline.scoring.severity import severity, severity_array
from pipeline.warehouse import results, store
from pipeline.warehouse.openings import BuildingResults, OpeningWriter
from pipeline.warehouse.repairs import KnownRepairs, known_repairs, write_repairs
from shared.faults import CoverplateError
from shared.rule_book import RuleBook, load_rule_book
from shared.vocabulary import WET_ROOM_WORDS

Progress = Callable[[str, float], None]

MODEL_VERSION = "5"
"""Raised whenever the same inputs would give other numbers, so that warehouses are built anew."""

MEMORY_LIMIT = "1500MB"
"""DuckDB's own limit; the arrays of the evidence come on top."""

REFINED, MORE_POINTS = 1_000, 16
"""So many buildings, the first in order and all with something urgent, are weighed with more
points, so that the simulation error of their scores is small."""

LOOKS_AT_ONCE = 1_000_000
"""About how many looks are gathered into openings in one go."""


@dataclass(frozen=True)
class Built:
    """What a build made.

    Attributes:
        path: the warehouse file.
        version: hash of its inputs.
        rule_book_hash: hash of the rule book.
        reused: True where the current warehouse already was this version.
        buildings: number of buildings in it.
    """

    path: Path
    version: str
    rule_book_hash: str
    reused: bool
    buildings: int


def workspace_rule_book(workspace: Workspace) -> RuleBook:
    """The workspace's own rule book if it has one, else the default."""
    own = workspace.root / "rule_book.toml"
    return load_rule_book(own if own.is_file() else None)


def inputs_version(
    workspace: Workspace, rule_book: RuleBook, repairs: KnownRepairs | None = None
) -> str:
    """Hash of everything that a warehouse is built from.

    Args:
        workspace: the workspace.
        rule_book: the rule book.
        repairs: what the ledger says of repairs; read from it when None.
    """
    repairs = repairs or known_repairs(workspace, rule_book)
    digest = hashlib.sha256(f"{MODEL_VERSION}\n{rule_book.hash}\n".encode())
    for manifest in workspace.manifests():
        digest.update(f"{manifest.sequence} {manifest.sha256}\n".encode())
        for part in manifest.parts:
            digest.update(f"{part.model_dump_json()}\n".encode())
    digest.update(repairs.digest.encode())
    return digest.hexdigest()[:16]


def sql_step(name: str) -> str:
    """Text of one of the SQL steps that lie beside this module."""
    return resources.files("pipeline.warehouse").joinpath("sql", name).read_text(encoding="utf-8")


def build(
    workspace: Workspace,
    rule_book: RuleBook | None = None,
    progress: Progress | None = None,
    *,
    into: Path | None = None,
) -> Built:
    """Build the warehouse beside the current one and swap it in.

    Args:
        workspace: the workspace.
        rule_book: the rule book; the workspace's own by default.
        progress: called with the step's name and the fraction of that step done.
        into: build to this file instead and swap nothing (for comparing rule books).

    Returns:
        What was built.
    """
    rule_book = rule_book or workspace_rule_book(workspace)
    # Read once: the version must name the very repairs that the warehouse holds.
    repairs = known_repairs(workspace, rule_book)
    version = inputs_version(workspace, rule_book, repairs)
    if into is None and store.current_version(workspace) == version:
        # A file that cannot be opened is made anew.
        with contextlib.suppress(CoverplateError):
            return _up_to_date(workspace, rule_book, version)
    target = into or workspace.warehouse / f".building-{os.getpid()}-{version}.duckdb"
    with store.building_beside(workspace):
        target.unlink(missing_ok=True)
        try:
            count = _build_file(workspace, rule_book, repairs, target, version, progress or _silent)
            if into is None:
                target = store.swap_in(workspace, target, version)
        except BaseException:
            target.unlink(missing_ok=True)
            target.with_name(target.name + ".wal").unlink(missing_ok=True)
            raise
    return Built(target, version, rule_book.hash, False, count)


def _up_to_date(workspace: Workspace, rule_book: RuleBook, version: str) -> Built:
    path = store.warehouse_path(workspace, version)
    con = store.open_reader(path)
    try:
        (count,) = con.execute("SELECT count(*) FROM buildings").fetchall()[0]
    finally:
        con.close()
    return Built(path, version, rule_book.hash, True, int(count))


def _silent(step: str, fraction: float) -> None:
    """Progress that nobody watches."""


def _build_file(
    workspace: Workspace,
    rule_book: RuleBook,
    repairs: KnownRepairs,
    target: Path,
    version: str,
    progress: Progress,
) -> int:
    con = connect(
        target,
        memory_limit=MEMORY_LIMIT,
        preserve_insertion_order="false",
        temp_directory=str(target.with_suffix(".tmp")),
    )
    warm.begin()
    try:
        progress("buildings and looks", 0.0)
        create_views(con, workspace)
        rule_tables(con, rule_book)
        _severities(con, rule_book)
        con.execute(sql_step("01_buildings.sql"))
        _building_eras(con, rule_book)
        progress("buildings and looks", 0.3)
        con.execute(sql_step("02_observations.sql"))
        write_repairs(con, repairs)
        con.execute(sql_step("02_urgent.sql"))
        con.execute(sql_step("03_inspector_results.sql"))
        _inspectors(con, rule_book)
        progress("buildings and looks", 0.6)
        likelihoods = Likelihoods(rule_book)
        _openings(con, likelihoods)
        con.execute(sql_step("05_signatures.sql"))
        progress("buildings and looks", 1.0)

        learned = _weigh(con, rule_book, likelihoods, progress)
        con.execute(sql_step("06_results.sql"))
        con.execute(sql_step("07_reasons.sql"))
        con.execute(sql_step("08_quality.sql"))
        con.execute(
            "CREATE TABLE build_facts AS SELECT ? AS version, ? AS rule_book_hash, "
            "? AS model_version, ? AS buildings_learned_from",
            [version, rule_book.hash, MODEL_VERSION, learned.buildings],
        )
        con.execute("CHECKPOINT")
        progress("scores and ranks", 1.0)
        ((count,),) = con.execute("SELECT count(*) FROM buildings").fetchall()
        return int(count)
    finally:
        con.close()


def _weigh(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    likelihoods: Likelihoods,
    progress: Progress,
) -> Learned:
    """Learn from the portfolio, weigh every building, write openings and scores."""
    assembled = assemble(rule_book, likelihoods, con)
    portfolio = assembled.portfolio
    at_stake = stakes(rule_book, severity_array(rule_book))
    crews = crew_index(assembled.buildings)
    seed = int(float(rule_book.scoring.seed))
    progress("learning from the portfolio", 0.0)
    warm.ready()
    learned = learn(
        rule_book,
        portfolio,
        at_stake,
        crews,
        seed,
        lambda done: progress("learning from the portfolio", done),
    )
    progress("learning from the portfolio", 1.0)
    shift = portfolio.shift.copy()
    shift[:, RATES.index("false_ground")] += crew_shift(learned, crews, len(portfolio))
    portfolio = replace(portfolio, shift=shift)
    assembled = replace(assembled, portfolio=portfolio)

    def model(*, readings: bool) -> Model:
        weighed = weigh_classes(
            rule_book, portfolio.classes, at_stake, learned.taught, readings=readings
        )
        draws = int(float(rule_book.scoring.draws)) if readings else 0
        interval = float(rule_book.scoring.interval)
        return Model(learned.priors, learned.taught, weighed, draws, interval, seed)

    full, slots_alone = model(readings=True), model(readings=False)
    found = _weigh_openings(con, assembled, full, slots_alone, likelihoods, progress)
    progress("scores and ranks", 0.0)
    results.write_learning(con, rule_book, learned, assembled.buildings, crews)
    flat = portfolio.classes.flat
    plain_harm = full.weighed.evidence.harm[flat] / portfolio.classes.location[flat]
    results.write_scores(
        con,
        rule_book,
        found,
        prior_means(portfolio, full, plain_harm),
        telling(portfolio),
        location_factors(rule_book)[UNSEEN_LOCATION],
    )
    return learned


def rule_tables(con: duckdb.DuckDBPyConnection, rule_book: RuleBook) -> None:
    """The rule book as a table, and ``rule(path)`` to read it in SQL."""
    numbers = pd.DataFrame(
        rule_book.numbers(), columns=["path", "value", "unit", "meaning", "source"]
    )
    con.register("numbers_frame", numbers)
    con.execute("CREATE TABLE rule_numbers AS SELECT * FROM numbers_frame")
    con.unregister("numbers_frame")
    words = "|".join(WET_ROOM_WORDS)
    con.execute("CREATE TABLE rule_texts (name VARCHAR, text VARCHAR)")
    con.execute("INSERT INTO rule_texts VALUES ('wet_rooms', ?)", [rf"\b({words})s?\b"])
    con.execute("CREATE MACRO rule(wanted) AS (SELECT value FROM rule_numbers WHERE path = wanted)")
    con.execute(
        "CREATE MACRO rule_text(wanted) AS (SELECT text FROM rule_texts WHERE name = wanted)"
    )


def _weigh_openings(
    con: duckdb.DuckDBPyConnection,
    assembled: Assembled,
    full: Model,
    slots_alone: Model,
    likelihoods: Likelihoods,
    progress: Progress,
) -> BuildingResults:
    """Weigh every building; those that matter most with more points."""
    portfolio = assembled.portfolio
    writer = OpeningWriter(con, assembled, full, slots_alone, likelihoods)
    factor = MORE_POINTS if len(portfolio) <= REFINED else 1
    writer.write(
        weigh_all(
            portfolio, full, lambda done: progress("weighing the evidence", done), factor=factor
        ),
        weigh_all(portfolio, slots_alone),
    )
    if factor == 1:
        exposed = con.execute(
            "SELECT exposed_per_dwelling FROM building_sizes ORDER BY building_no"
        ).fetchnumpy()["exposed_per_dwelling"]
        urgent = con.execute("SELECT DISTINCT building_no FROM urgent_openings").fetchnumpy()
        expected = burden(writer.results.dangerous, np.asarray(exposed, dtype=np.float64))
        first = np.argsort(-expected, kind="stable")[:REFINED]
        chosen = np.union1d(first, np.asarray(urgent["building_no"], dtype=np.int64))
        more, again = Weigher(portfolio, full, MORE_POINTS), Weigher(portfolio, slots_alone)
        writer.replace(
            (more.weigh(np.array([b]), draws=full.draws) for b in chosen.tolist()),
            (again.weigh(np.array([b]), draws=0) for b in chosen.tolist()),
        )
    return writer.results


def _severities(con: duckdb.DuckDBPyConnection, rule_book: RuleBook) -> None:
    con.register("severity_frame", severity(rule_book))
    con.execute("CREATE TABLE severities AS SELECT * FROM severity_frame")
    con.unregister("severity_frame")


def _building_eras(con: duckdb.DuckDBPyConnection, rule_book: RuleBook) -> None:
    """Era key and label of every building by its year of construction."""
    frame = con.execute("SELECT building_no, year_built FROM buildings ORDER BY 1").fetchdf()
    index = era_index(rule_book, frame["year_built"].to_numpy(dtype=np.float64, na_value=np.nan))
    keys = np.array([*rule_book.eras, None], dtype=object)
    labels = np.array([*(era.label for era in rule_book.eras.values()), None], dtype=object)
    eras = pd.DataFrame(
        {"building_no": frame["building_no"], "era": keys[index], "era_label": labels[index]}
    )
    con.register("era_frame", eras)
    con.execute("CREATE TABLE building_eras AS SELECT * FROM era_frame ORDER BY building_no")
    con.unregister("era_frame")


def _openings(con: duckdb.DuckDBPyConnection, likelihoods: Likelihoods) -> None:
    """Gather looks into openings, some buildings at a time."""
    step = sql_step("04_openings.sql").format(code=likelihoods.reading_code_sql())
    ((looks, buildings),) = con.execute(
        "SELECT (SELECT count(*) FROM observations), (SELECT count(*) FROM buildings)"
    ).fetchall()
    stretch = max(1, buildings // (looks // LOOKS_AT_ONCE + 1))
    for first in range(0, max(1, buildings), stretch):
        con.execute(f"SET VARIABLE first_building = {first}")
        con.execute(f"SET VARIABLE last_building = {first + stretch - 1}")
        con.execute(step)


def _inspectors(con: duckdb.DuckDBPyConnection, rule_book: RuleBook) -> None:
    counts = con.execute("SELECT * FROM inspector_results").fetchdf()
    con.register("inspector_frame", judge_leniency(rule_book, counts))
    con.execute("CREATE TABLE inspectors AS SELECT * FROM inspector_frame ORDER BY inspector")
    con.unregister("inspector_frame")

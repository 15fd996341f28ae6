"""Builds the warehouse: a pure function of landed exports, ledger, rule book and learned record.

What was learned (``evidence.learned_record``) is kept from build to build while it fits. Under the
same record only buildings whose evidence changed are weighed (``touched``); all are ranked anew.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd
from threadpoolctl import threadpool_limits

from pipeline.evidence import held_out, learned_record, warm
from pipeline.evidence.assemble import (
    UNSEEN_LOCATION,
    Assembled,
    assemble,
    crew_index,
    location_factors,
    some_of,
)
from pipeline.evidence.classes import Stakes, by_slots_alone, stakes, weigh_classes
from pipeline.evidence.current_record import current_hash
from pipeline.evidence.expectation import prior_means, typical_prior_mean
from pipeline.evidence.learned_record import LearnedRecord
from pipeline.evidence.learning import crew_shift, learn, telling
from pipeline.evidence.leniency import as_recorded, judge_leniency
from pipeline.evidence.likelihood import Likelihoods, likelihoods_of
from pipeline.evidence.posterior import Model
from pipeline.evidence.priors import era_index
from pipeline.evidence.states import RATES
from pipeline.evidence.unsure_shares import unsure_classes
from pipeline.landing import Workspace, logbook
from pipeline.offline import connect
from pipeline.scoring.burden import burden
from pipeline.scoring.severity import as_array, severity
from pipeline.warehouse import predictions, results, soundness, store, touched, vanished
from pipeline.warehouse.frames import store_frame
from pipeline.warehouse.inputs import Progress, landed_digest, version_of, workspace_rule_book
from pipeline.warehouse.openings import BuildingResults, OpeningWriter
from pipeline.warehouse.plainly_told import plainly_told, sql_step
from pipeline.warehouse.relearning import (
    LearnAgainError,
    check_not_outgrown,
    check_still_fits,
    new_record,
    portfolio_size,
    record_at_hand,
)
from pipeline.warehouse.repairs import KnownRepairs, known_repairs
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

MEMORY_LIMIT = "1500MB"
"""DuckDB's own limit; the arrays of the evidence come on top."""

REFINED, SMALL_ERROR = 1_000, 0.01
"""So many buildings, the first in order as things were learned, and all with something urgent, are
weighed with more points, until simulation leaves no more than so much of their scores unsure."""

MORE_POINTS = (8, 32)
"""How many times as many: first all of these buildings, then those whose error is not small."""

FINEST, MOST_POINTS = 100, (128, 512)
"""So many buildings, the first in order as things were learned, get as many as these times more
while their error is not small."""

WAITING = "waiting for another build to end"
"""The step that a build tells of while another one is about to swap."""

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
        weighed: buildings that were weighed for it; the others' results were taken over.
        learned: why what the portfolio teaches was learned anew; "" where the record was kept.
        notes: what went wrong on the way and was made good.
    """

    path: Path
    version: str
    rule_book_hash: str
    reused: bool
    buildings: int
    weighed: int
    learned: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Task:
    """What one run over the exports is to do.

    Attributes:
        workspace, rule_book, repairs: what to build from.
        landed: hash of it, taken before anything was read: what lands meanwhile is for the next.
        record: what was learned earlier; None to learn.
        keep_draws: whether a later build is to take results over from this one.
        take_over: whether results may be taken over from the current warehouse.
        progress: called with the step's name and the fraction of that step done.
    """

    workspace: Workspace
    rule_book: RuleBook
    repairs: KnownRepairs
    landed: str
    record: LearnedRecord | None
    keep_draws: bool
    take_over: bool
    progress: Progress


@dataclass(frozen=True)
class _Done:
    """What came of it: the record used, version, buildings, buildings weighed, and notes."""

    record: LearnedRecord
    version: str
    buildings: int
    weighed: int
    notes: tuple[str, ...]


def build(
    workspace: Workspace,
    rule_book: RuleBook | None = None,
    progress: Progress | None = None,
    *,
    into: Path | None = None,
    learn_again: bool = False,
) -> Built:
    """Build the warehouse beside the current one and swap it in.

    What a killed intake left half done, and what is damaged of the files derived from exports, is
    put right first. A build waits while another one is running.

    Args:
        workspace: the workspace.
        rule_book: the rule book; the workspace's own by default.
        progress: called with the step's name and the fraction of that step done.
        into: build to this file instead, learning for it alone, and swap nothing (for comparing
            rule books).
        learn_again: learn even if the record of what was learned still fits.

    Returns:
        What was built.

    Raises:
        CoverplateError: something that landed is damaged and cannot be derived anew.
    """
    rule_book = rule_book or workspace_rule_book(workspace)
    progress = progress or _silent
    if into is not None:
        return _build(workspace, rule_book, progress, into, learn_again, ())
    with store.building_alone(workspace, lambda: progress(WAITING, 0.0)):
        notes = tuple(soundness.prepare(workspace))
        try:
            return _build(workspace, rule_book, progress, None, learn_again, notes)
        except duckdb.Error as trouble:
            if not workspace.busy():
                raise
            raise CoverplateError(
                f"an intake changed what landed while it was read: {str(trouble).splitlines()[0]}",
                to_do="wait until it has ended and run `coverplate build` again",
            ) from trouble


def _build(
    workspace: Workspace,
    rule_book: RuleBook,
    progress: Progress,
    into: Path | None,
    learn_again: bool,
    notes: tuple[str, ...],
) -> Built:
    """Build as ``build`` does, once what is to be read is in order and no other build swaps."""
    soundness.refuse_another_ledger(workspace, rule_book)
    # Read once: the version must name the very repairs that the warehouse holds.
    repairs = known_repairs(workspace, rule_book)
    landed = landed_digest(workspace, rule_book, repairs)
    version = version_of(landed, current_hash(workspace.learned))
    damaged = ""
    if into is None:
        current = store.current_version(workspace)
        damaged = store.damage(workspace, current) if current is not None else ""
        if current == version and not damaged and not learn_again:
            try:
                return _up_to_date(workspace, rule_book, version, notes)
            except CoverplateError as fault:  # a file that cannot be read is made anew
                damaged = fault.found
        if damaged:
            notes += (
                f"The warehouse {current} was damaged ({damaged}); it is made anew and nothing is "
                "taken over from it.",
            )
    record: LearnedRecord | None = None
    why = "for this file alone"
    ledger: dict[str, Any] | None = None
    if into is None:
        ledger, told = soundness.ledger_now(workspace, rule_book)
        record, why, more = record_at_hand(workspace, rule_book, store.MODEL_VERSION)
        notes += (*told, *more)
        if learn_again:
            record, why = None, "as asked"
    target = into or workspace.warehouse / f".building-{os.getpid()}-{version}.duckdb"
    with store.building_beside(workspace):
        try:
            keep = into is None
            task = _Task(
                workspace, rule_book, repairs, landed, record, keep, keep and not damaged, progress
            )
            try:
                done = _build_file(task, target, notes)
                why = why if record is None else ""
            except LearnAgainError as moved:
                done = _build_file(replace(task, record=None), target, notes)
                why = str(moved)
            if into is None:
                predictions.keep(workspace, target)
                gone = vanished.vanished(workspace, target)
                learned = learned_record.save(workspace.learned, done.record)
                facts: dict[str, Any] = {"learned": learned, "ledger": ledger}
                if gone:
                    facts["vanished"] = gone
                    done = replace(done, notes=(*done.notes, *vanished.told(gone)))
                target = store.swap_in(workspace, target, done.version, facts)
        except BaseException:
            for left in (target, target.with_name(target.name + ".wal"), store.draws_path(target)):
                left.unlink(missing_ok=True)
            raise
    return Built(
        target, done.version, rule_book.hash, False, done.buildings, done.weighed, why, done.notes
    )


def _up_to_date(
    workspace: Workspace, rule_book: RuleBook, version: str, notes: tuple[str, ...]
) -> Built:
    """The current warehouse, which is what a build would make.

    Raises:
        CoverplateError: it cannot be read.
    """
    if not logbook.built_lines(workspace, version):
        soundness.read_through(workspace, version)
        ledger, told = soundness.ledger_now(workspace, rule_book)
        facts = {"learned": current_hash(workspace.learned), "ledger": ledger}
        told += store.enter_built(
            workspace, store.warehouse_path(workspace, version), version, facts
        )
        notes += (*told, "The warehouse's hash is kept in the logbook from now on.")
    else:
        notes += tuple(soundness.enter_ledger(workspace, rule_book))
    path = store.warehouse_path(workspace, version)
    con = store.open_reader(path)
    try:
        (count,) = con.execute("SELECT count(*) FROM buildings").fetchall()[0]
    finally:
        con.close()
    return Built(path, version, rule_book.hash, True, int(count), 0, "", notes)


def _refuse_no_building(con: duckdb.DuckDBPyConnection, workspace: Workspace) -> None:
    """Refuse to build of nothing.

    Raises:
        CoverplateError: nothing landed, or no row that counts names a building.
    """
    (there,) = con.execute("SELECT EXISTS (FROM buildings)").fetchall()[0]
    if there:
        return
    if not workspace.manifests():
        raise CoverplateError(
            f"nothing has landed in {workspace.root} yet: there is nothing to weigh",
            expected="at least one export taken in",
            to_do="take exports in with `coverplate intake FILE…`; where it refused a file, answer "
            "its question first",
        )
    raise CoverplateError(
        f"no row that counts in {workspace.root} names a building: there is nothing to weigh",
        expected="at least one row of an export that was not set aside",
        to_do="see why rows were set aside with `coverplate quarantine list`, correct them with "
        "`coverplate quarantine export FILE.csv` and take them in again; or take other exports in",
    )


def _silent(step: str, fraction: float) -> None:
    """Progress that nobody watches."""


def _build_file(task: _Task, target: Path, notes: tuple[str, ...]) -> _Done:
    """Build a file.

    Raises:
        LearnAgainError: the task's record does not fit what has landed since.
    """
    rule_book, record, progress = task.rule_book, task.record, task.progress
    for left in (target, store.draws_path(target)):
        left.unlink(missing_ok=True)
    con = connect(
        target,
        memory_limit=MEMORY_LIMIT,
        preserve_insertion_order="false",
        temp_directory=str(target.with_suffix(".tmp")),
    )
    warm.begin()
    opened, trouble = _earlier(task)
    try:
        progress("buildings and looks", 0.0)
        likelihoods = likelihoods_of(rule_book)
        in_doubt = plainly_told(con, task.workspace, task.repairs, rule_book)
        _refuse_no_building(con, task.workspace)
        severities = severity(rule_book)
        store_frame(con, "severities", severities, "slots, condition, protected")
        _building_eras(con, rule_book)
        progress("buildings and looks", 0.3)
        portfolio = portfolio_size(con)
        if record is not None:
            check_not_outgrown(rule_book, record, portfolio)
        con.execute(sql_step("03_inspector_results.sql"))
        _inspectors(con, rule_book, record)
        progress("buildings and looks", 0.6)
        earlier, more = _openings(con, likelihoods, opened)
        _typical(con, record)
        con.execute(sql_step("05_signatures.sql"))
        progress("buildings and looks", 1.0)

        at_stake = stakes(rule_book, as_array(severities))
        with threadpool_limits(1, user_api="blas"):
            weighed = _weigh(
                con, task, portfolio, likelihoods, at_stake, store.draws_path(target), earlier
            )
        record = weighed.record
        con.execute("SET VARIABLE said_from = ?", [predictions.SAID_FROM])
        con.execute(sql_step("06_results.sql"))
        con.execute(sql_step("07_reasons.sql"))
        con.execute(sql_step("08_quality.sql"))
        con.execute(sql_step("09_narrowed_by.sql"))
        version = version_of(task.landed, record.hash)
        con.execute(
            "CREATE TABLE build_facts AS SELECT ? AS version, ? AS rule_book_hash, "
            "? AS model_version, ? AS buildings_learned_from, ? AS learned_record, "
            "? AS files_learned_from, (SELECT count(DISTINCT sequence) FROM landed_files) "
            "AS files_landed",
            [
                version,
                rule_book.hash,
                store.MODEL_VERSION,
                record.portfolio.learned_from,
                record.hash,
                record.portfolio.files,
            ],
        )
        con.execute("CHECKPOINT")
        progress("scores and ranks", 1.0)
        ((count,),) = con.execute("SELECT count(*) FROM buildings").fetchall()
        told = (*notes, *in_doubt, *trouble, *more, *weighed.notes)
        return _Done(record, version, int(count), weighed.weighed, told)
    finally:
        con.close()
        if opened is not None:
            opened.close()


@dataclass(frozen=True)
class _Weighed:
    """The record used, buildings weighed, and what went wrong on the way."""

    record: LearnedRecord
    weighed: int
    notes: tuple[str, ...]


def _weigh(
    con: duckdb.DuckDBPyConnection,
    task: _Task,
    size: learned_record.Portfolio,
    likelihoods: Likelihoods,
    at_stake: Stakes,
    draws_file: Path,
    earlier: touched.Earlier | None,
) -> _Weighed:
    """Learn from the portfolio if need be, weigh buildings, write openings and scores.

    Raises:
        LearnAgainError: the task's record does not fit what has landed since.
    """
    rule_book, record, progress = task.rule_book, task.record, task.progress
    assembled = assemble(
        rule_book,
        likelihoods,
        con,
        None if record is None else np.array(record.era_shares),
    )
    portfolio = assembled.portfolio
    crews = crew_index(assembled.buildings)
    names = learned_record.crew_names(assembled.buildings, tuple(crews))
    seed = int(float(rule_book.scoring.seed))
    progress("learning from the portfolio", 0.0)
    warm.ready()
    learned = (
        record.learned(names)
        if record is not None
        else learn(
            rule_book,
            portfolio,
            at_stake,
            crews,
            seed,
            lambda done: progress("learning from the portfolio", done),
            held_out.sample(rule_book, portfolio),
        )
    )
    of_crews = np.zeros_like(portfolio.shift)
    of_crews[:, RATES.index("false_ground")] = crew_shift(learned, crews, len(portfolio))
    portfolio = replace(portfolio, shift=portfolio.shift + of_crews)
    assembled = replace(assembled, portfolio=portfolio)

    def model(*, readings: bool) -> Model:
        classes = portfolio.classes if readings else by_slots_alone(portfolio.classes)[0]
        weighed = weigh_classes(rule_book, classes, at_stake, learned.taught, readings=readings)
        draws = int(float(rule_book.scoring.draws)) if readings else 0
        interval = float(rule_book.scoring.interval)
        return Model(learned.priors, learned.taught, weighed, draws, interval, seed, readings)

    full, slots_alone = model(readings=True), model(readings=False)
    content = touched.contents(con, assembled)
    sample = held_out.held_out_now(
        rule_book,
        at_stake,
        portfolio,
        of_crews,
        full,
        content,
        [] if record is None else record.held_out,
    )
    if record is not None:
        check_still_fits(rule_book, record, sample)
    progress("learning from the portfolio", 1.0)
    kept, found, notes = _taken_over(con, earlier, assembled, content)
    unsure = unsure_classes(
        rule_book, portfolio.classes, at_stake, learned.taught, learned.share_draws
    )
    writer = OpeningWriter(con, assembled, full, slots_alone, likelihoods, unsure, found)
    untouched = np.zeros(len(portfolio), dtype=np.bool_)
    if kept is not None:
        untouched[kept.new] = True
    fresh = np.flatnonzero(~untouched)
    seen = telling(portfolio)
    thresholds = _weigh_openings(con, writer, fresh, seen, record, progress)
    found = writer.results
    progress("scores and ranks", 0.0)
    flat = portfolio.classes.flat
    plain_harm = full.weighed.evidence.harm[flat] / portfolio.classes.location[flat]
    found.prior_harm[fresh] = prior_means(some_of(assembled, fresh).portfolio, full, plain_harm)
    touched.write_weighed(con, found, content, draws_file if task.keep_draws else None)
    results.write_learning(con, rule_book, learned, assembled.buildings, crews)
    results.write_scores(
        con,
        rule_book,
        found,
        typical_prior_mean(portfolio, full, plain_harm),
        seen,
        location_factors(rule_book)[UNSEEN_LOCATION],
    )
    if record is None:
        record = new_record(
            con,
            rule_book,
            store.MODEL_VERSION,
            learned,
            names,
            size.model_copy(update={"learned_from": learned.buildings}),
            assembled.era_shares.tolist(),
            sample,
            thresholds,
        )
    return _Weighed(record, len(fresh), notes)


def _earlier(task: _Task) -> tuple[touched.Earlier | None, tuple[str, ...]]:
    """The current warehouse, if built under the same record; what is to be told of damage."""
    if task.record is None or not task.take_over:
        return None, ()
    try:
        found = touched.earlier_results(
            task.workspace, task.record.hash, task.rule_book.hash, store.MODEL_VERSION
        )
    except CoverplateError as damaged:
        return None, (str(damaged),)
    return found, ()


def _taken_over(
    con: duckdb.DuckDBPyConnection,
    earlier: touched.Earlier | None,
    assembled: Assembled,
    content: touched.Texts,
) -> tuple[touched.Kept | None, BuildingResults | None, tuple[str, ...]]:
    """What stays of the current warehouse."""
    if earlier is None:
        return None, None, ()
    try:
        kept, found = earlier.take_over(con, assembled, content)
    except CoverplateError as damaged:
        return None, None, (str(damaged),)
    return kept, found, ()


def _typical(con: duckdb.DuckDBPyConnection, record: LearnedRecord | None) -> None:
    """What stands in where a register is silent, as learned or of this portfolio."""
    if record is None:
        con.execute(sql_step("05_typical.sql"))
        return
    values = record.typical.model_dump()
    listed = ", ".join(f"?::DOUBLE AS {name}" for name in values)
    con.execute(f"CREATE TEMP TABLE typical_building AS SELECT {listed}", list(values.values()))


def _weigh_openings(
    con: duckdb.DuckDBPyConnection,
    writer: OpeningWriter,
    buildings: npt.NDArray[np.int64],
    seen: npt.NDArray[np.bool_],
    record: LearnedRecord | None,
    progress: Progress,
) -> tuple[float, float]:
    """Weigh buildings; those that matter most with more points.

    Which those are must depend on nothing but the building and the record: the same result whether
    it is weighed with all the others or alone.

    Args:
        con: the warehouse under construction.
        writer: what to write with.
        buildings: which to weigh, in order.
        seen: whether anybody looked at a building, for all of them: where nobody did, its score is
            a sum without error.
        record: what was learned earlier; None where all of this is new.
        progress: called with the fraction done.

    Returns:
        The burdens from which buildings are weighed with more points, and with the most; 0 where
        all are.
    """
    size = len(seen)
    if record is not None:
        more_from, most_from = record.more_points_from, record.most_points_from
    else:
        more_from = 0.0 if size <= REFINED else np.inf
        most_from = 0.0 if size <= FINEST else np.inf
    factor = 1 if more_from > 0 else MORE_POINTS[0]
    writer.write(buildings, factor, lambda done: progress("weighing the evidence", done))
    exposed = con.execute(
        "SELECT exposed_per_dwelling FROM building_sizes ORDER BY building_no"
    ).fetchnumpy()["exposed_per_dwelling"]
    expected = burden(writer.results.dangerous, np.asarray(exposed, dtype=np.float64))
    if record is None:
        ordered = np.sort(expected)
        more_from = float(ordered[-REFINED]) if size > REFINED else 0.0
        most_from = float(ordered[-FINEST]) if size > FINEST else 0.0
    finest = expected >= most_from
    unsure = buildings
    if factor == 1:
        urgent = con.execute("SELECT DISTINCT building_no FROM urgent_openings").fetchnumpy()
        chosen = expected >= more_from
        chosen[np.asarray(urgent["building_no"], dtype=np.int64)] = True
        unsure = buildings[chosen[buildings]]
        writer.write(unsure, MORE_POINTS[0])
    found = writer.results
    for factor in (*MORE_POINTS[1:], *MOST_POINTS):
        error = found.harm_error[unsure] > SMALL_ERROR * found.placed_harm[unsure]
        unsure = unsure[error & seen[unsure]]
        if factor in MOST_POINTS:
            unsure = unsure[finest[unsure]]
        if len(unsure):
            writer.write(unsure, factor)
    writer.finish()
    return more_from, most_from


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


def _openings(
    con: duckdb.DuckDBPyConnection, likelihoods: Likelihoods, earlier: touched.Earlier | None
) -> tuple[touched.Earlier | None, tuple[str, ...]]:
    """Gather looks into openings, some buildings at a time; what has not changed is taken over.

    Returns:
        The current warehouse, None if it turned out to be damaged; what is to be told of that.
    """
    con.execute(sql_step("04_changed.sql"))
    notes = tuple[str, ...]()
    if earlier is not None:
        try:
            earlier.take_openings(con)
        except CoverplateError as damaged:
            earlier, notes = None, (str(damaged),)
    con.execute(
        "CREATE TEMP TABLE to_gather AS SELECT building_no, looks, "
        "row_number() OVER (ORDER BY building_no) - 1 AS place "
        "FROM looks_now ANTI JOIN gathered_before USING (building_no)"
    )
    step = sql_step("04_openings.sql").format(code=likelihoods.reading_code_sql())
    ((looks, buildings),) = con.execute("SELECT sum(looks), count(*) FROM to_gather").fetchall()
    stretch = max(1, buildings // ((looks or 0) // LOOKS_AT_ONCE + 1))
    for first in range(0, buildings, stretch):
        con.execute(f"SET VARIABLE first_building = {first}")
        con.execute(f"SET VARIABLE last_building = {first + stretch - 1}")
        con.execute(step)
    return earlier, notes


def _inspectors(
    con: duckdb.DuckDBPyConnection, rule_book: RuleBook, record: LearnedRecord | None
) -> None:
    counts = con.execute("SELECT * FROM inspector_results").fetchdf()
    if record is None:
        judged = judge_leniency(rule_book, counts)
    else:
        recorded = {
            name: (reader.leniency, reader.leniency_high) for name, reader in record.readers.items()
        }
        judged = as_recorded(rule_book, counts, recorded)
    con.register("inspector_frame", judged)
    con.execute("CREATE TABLE inspectors AS SELECT * FROM inspector_frame ORDER BY inspector")
    con.unregister("inspector_frame")

"""Whether what was learned is kept or learned again, and the record of what was learned anew."""

from __future__ import annotations

import duckdb
import pandas as pd

from pipeline.evidence import learned_record
from pipeline.evidence.learned_record import HeldOut, LearnedRecord, Portfolio, TypicalBuilding
from pipeline.evidence.learning import Learned
from pipeline.landing import Workspace
from shared.faults import CoverplateError
from shared.rule_book import RuleBook

_CHANGED = "the rules or the model changed"


class LearnAgainError(Exception):
    """The record at hand does not fit any more; its text says why."""


def portfolio_size(con: duckdb.DuckDBPyConnection) -> Portfolio:
    """How much has landed, nothing learned from it yet."""
    ((files, looks, buildings),) = con.execute(
        "SELECT (SELECT count(DISTINCT sequence) FROM landed_files), "
        "(SELECT count(*) FROM observations), (SELECT count(*) FROM buildings)"
    ).fetchall()
    return Portfolio(files=files, looks=looks, buildings=buildings, learned_from=0)


def record_at_hand(
    workspace: Workspace, rule_book: RuleBook, model_version: str
) -> tuple[LearnedRecord | None, str, tuple[str, ...]]:
    """The record that was learned earlier, or None; why that; and what is to be told of damage."""
    try:
        record = learned_record.load_current(workspace.learned, rule_book, model_version)
    except CoverplateError as damaged:
        # One of another version may have other fields: it is no damage that it does not fit.
        if learned_record.model_of(workspace.learned) not in (None, model_version):
            return None, _CHANGED, ()
        return None, "the record of it was damaged", (str(damaged),)
    if record is None:
        return None, "for the first time", ()
    if (record.model_version, record.rule_book_hash) != (model_version, rule_book.hash):
        return None, _CHANGED, ()
    if not record.portfolio.learned_from:
        return None, "there was nothing to learn from last time", ()
    return record, "", ()


def check_not_outgrown(rule_book: RuleBook, record: LearnedRecord, now: Portfolio) -> None:
    """Check that the portfolio is not much larger than what was learned from.

    Raises:
        LearnAgainError: if it is.
    """
    most, then = float(rule_book.learning.relearn_growth), record.portfolio
    if now.looks > most * then.looks or now.buildings > most * then.buildings:
        raise LearnAgainError(
            f"the portfolio grew from {then.looks:,} looks in {then.buildings:,} buildings to "
            f"{now.looks:,} in {now.buildings:,}"
        )


def check_still_fits(rule_book: RuleBook, record: LearnedRecord, sample: list[HeldOut]) -> None:
    """Check that the record makes held-out buildings about as likely as when it was learned.

    Raises:
        LearnAgainError: if it does not.
    """
    then, now = learned_record.mean_gain(record.held_out), learned_record.mean_gain(sample)
    most = float(rule_book.learning.relearn_tolerance)
    if abs(now - then) > most:
        raise LearnAgainError(
            f"held-out buildings' mean log likelihood over the rule book's moved from {then:.3f} "
            f"to {now:.3f}, by more than {most:g}"
        )


def new_record(
    con: duckdb.DuckDBPyConnection,
    rule_book: RuleBook,
    model_version: str,
    learned: Learned,
    names: dict[str, list[str]],
    portfolio: Portfolio,
    era_shares: list[float],
    sample: list[HeldOut],
    points_from: tuple[float, float],
) -> LearnedRecord:
    """The record of what was learned in a build.

    Args:
        con: the warehouse under construction.
        rule_book, model_version: what it was learned under.
        learned: what was learned.
        names: from ``learned_record.crew_names``.
        portfolio: how much it was learned from.
        era_shares: shares of the eras.
        sample: the held-out buildings.
        points_from: burdens from which buildings were weighed with more, and the most, points.
    """
    readers = con.execute("SELECT inspector, leniency, leniency_high FROM inspectors").fetchall()
    typical = con.execute("SELECT * FROM typical_building").fetchdf().iloc[0]
    return LearnedRecord(
        model_version=model_version,
        rule_book_hash=rule_book.hash,
        portfolio=portfolio,
        rates=learned_record.rates_of(learned),
        shares=learned_record.shares_of(learned.taught),
        share_draws=[learned_record.shares_of(each) for each in learned.share_draws],
        crews=learned_record.crews_of(learned, names),
        readers={
            str(name): learned_record.Reader(leniency=mean, leniency_high=high)
            for name, mean, high in readers
        },
        era_shares=era_shares,
        typical=TypicalBuilding(
            **{
                str(name): None if pd.isna(value) else float(value)
                for name, value in typical.to_dict().items()
            }
        ),
        held_out=sample,
        more_points_from=points_from[0],
        most_points_from=points_from[1],
    )

"""What a portfolio taught, as a record of its own: written once, never changed, named by its hash.

Given the record (and the rule book), what becomes of a building depends on the building's own
evidence alone. So everything that one building takes from the others is in it: the rates and how
sure they are, the portfolio's shares, the effects of owners and managers by name, each reader's
leniency, the eras' shares and the typical building that stand in where a register is silent, and
the score from which a building is weighed with more points.

The record lies in the workspace's folder ``learned``, as ``HASH.json``; ``CURRENT`` there names the
one that the current warehouse was built with. Floats are written so that they read back exactly.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Annotated

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.evidence.current_record import POINTER, current_hash
from pipeline.evidence.learning import Learned
from pipeline.evidence.priors import Priors, group_keys
from pipeline.evidence.states import RATES, STATE_COUNT, Array, Taught
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.whole_file import appearing_whole

FORMAT = 2

Probability = Annotated[float, Field(ge=0, le=1)]


class Part(BaseModel):
    """A part of the record: nothing unknown in it, never changed, no infinite numbers."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Rates(Part):
    """Beta parameters of the rates: draws by group, draw and rate, and the best by group and rate.

    Attributes:
        draws_a, draws_b: shape (G, K, 5).
        centre_a, centre_b: shape (G, 5).
        group_shares: probability of each group where no year is known, shape (G,).
    """

    draws_a: list[list[list[float]]]
    draws_b: list[list[list[float]]]
    centre_a: list[list[float]]
    centre_b: list[list[float]]
    group_shares: list[Probability]


class Shares(Part):
    """What holds for the portfolio as a whole; see ``states.Taught``."""

    circuit_follows: Probability
    origin_follows: Probability
    opening_follows: Probability
    opening_own: Probability
    careful: Probability
    head: Probability
    live: Probability
    gfci: list[list[Probability]]


class Crews(Part):
    """Effects of one factor's names on the log odds of false grounds.

    Attributes:
        matters: probability that the factor explains anything.
        effects: by name; a name that is not here has none.
    """

    matters: Probability
    effects: dict[str, float]


class Reader(Part):
    """One reader: share of looks passed whatever is shown, mean and 95th percentile."""

    leniency: Probability
    leniency_high: Probability


class TypicalBuilding(Part):
    """What stands in where a register is silent; None where no building of the portfolio told."""

    value_of_dwelling: float | None
    dwellings_of_storey: float | None
    dwellings: float | None


class Portfolio(Part):
    """How large the portfolio was.

    Attributes:
        files: exports landed.
        looks: looks in force.
        buildings: buildings.
        learned_from: buildings with looks that it was learned from.
    """

    files: int
    looks: int
    buildings: int
    learned_from: int


class HeldOut(Part):
    """One building of the sample that tells whether the record still fits.

    Attributes:
        content: hash of its evidence.
        gain: log likelihood of its evidence under the record less that under the rule book's own
            priors, natural logarithm; see ``held_out``.
    """

    content: str
    gain: float


class LearnedRecord(Part):
    """Everything that buildings take from each other; see the module's text.

    Attributes:
        model_version, rule_book_hash: what it was learned under; it fits no other.
        portfolio: what it was learned from.
        rates, shares: see there.
        share_draws: ``shares`` as unsure as they are (see ``learning.Learned``).
        crews: by factor (owner, manager).
        readers: by inspector; one that is not here counts as never compared.
        era_shares: shares of the eras where a year is missing or wrong.
        typical: what stands in for missing sizes.
        held_out: see there.
        more_points_from, most_points_from: burdens from which a building is weighed with more
            points, and with the most.
    """

    format: int = FORMAT
    model_version: str
    rule_book_hash: str
    portfolio: Portfolio
    rates: Rates
    shares: Shares
    share_draws: list[Shares]
    crews: dict[str, Crews]
    readers: dict[str, Reader]
    era_shares: list[Probability]
    typical: TypicalBuilding
    held_out: list[HeldOut]
    more_points_from: float
    most_points_from: float

    @property
    def text(self) -> str:
        """The record as it is written."""
        return json.dumps(self.model_dump(), ensure_ascii=False, sort_keys=True) + "\n"

    @property
    def hash(self) -> str:
        """Hash of its content; its name."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:16]

    def learned(self, names: dict[str, list[str]]) -> Learned:
        """The same as arrays, the crews in the order of ``names`` (see ``crew_names``)."""
        rates = self.rates
        group_shares = np.array(rates.group_shares)
        return Learned(
            priors=Priors(np.array(rates.draws_a), np.array(rates.draws_b), group_shares),
            centre=Priors(
                np.array(rates.centre_a)[:, None],
                np.array(rates.centre_b)[:, None],
                group_shares,
            ),
            taught=_taught(self.shares),
            buildings=self.portfolio.learned_from,
            crew={
                factor: np.array([self.crews[factor].effects.get(name, 0.0) for name in each])
                for factor, each in names.items()
            },
            crew_support={factor: self.crews[factor].matters for factor in names},
            share_draws=tuple(_taught(each) for each in self.share_draws),
        )


def _taught(shares: Shares) -> Taught:
    return Taught(**(shares.model_dump() | {"gfci": np.array(shares.gfci)}))


def mean_gain(sample: list[HeldOut]) -> float:
    """Mean gain of a sample's buildings; 0 where there are none."""
    return sum(each.gain for each in sample) / len(sample) if sample else 0.0


def crew_names(buildings: pd.DataFrame, factors: tuple[str, ...]) -> dict[str, list[str]]:
    """Names of each factor in the order of ``assemble.crew_index``."""
    return {
        factor: [str(name) for name in pd.factorize(buildings[factor], sort=True)[1]]
        for factor in factors
    }


def rates_of(learned: Learned) -> Rates:
    """The rates of what was learned."""
    return Rates(
        draws_a=learned.priors.a.tolist(),
        draws_b=learned.priors.b.tolist(),
        centre_a=learned.centre.a[:, 0].tolist(),
        centre_b=learned.centre.b[:, 0].tolist(),
        group_shares=learned.priors.shares.tolist(),
    )


def shares_of(taught: Taught) -> Shares:
    """The portfolio's shares of what was learned."""
    return Shares(**(vars(taught) | {"gfci": taught.gfci.tolist()}))


def crews_of(learned: Learned, names: dict[str, list[str]]) -> dict[str, Crews]:
    """Effects by name; names without one are left out."""
    return {
        factor: Crews(
            matters=learned.crew_support[factor],
            effects={
                name: effect
                for name, effect in zip(each, learned.crew[factor].tolist(), strict=False)
                if effect != 0.0
            },
        )
        for factor, each in names.items()
    }


def save(folder: Path, record: LearnedRecord) -> str:
    """Write a record, whole or not at all, and make it the current one; return its hash."""
    folder.mkdir(parents=True, exist_ok=True)
    name = record.hash
    for target, text in ((f"{name}.json", record.text), (POINTER, name + "\n")):
        with appearing_whole(folder / target) as partial:
            partial.write_text(text, encoding="utf-8")
    return name


def load_current(
    folder: Path, rule_book: RuleBook, model_version: str | None = None
) -> LearnedRecord | None:
    """Read the current record; None where there is none.

    One that another rule book or, if it is given, another version of the model made is not held to
    the shapes of these: it is whole, and is learned anew for another reason.

    Raises:
        CoverplateError: if it is missing, damaged, or of another format.
    """
    name = current_hash(folder)
    if name is None:
        return None
    path = folder / f"{name}.json"
    try:
        record = LearnedRecord.model_validate(json.loads(path.read_text(encoding="utf-8")))
        if record.format != FORMAT:
            raise ValueError(f"format {record.format}, not {FORMAT}")
        if record.hash != name:
            raise ValueError("its content does not match its name")
        same_model = model_version in (None, record.model_version)
        if record.rule_book_hash == rule_book.hash and same_model:
            _check_shapes(record, rule_book)
    except (OSError, ValueError, ValidationError) as damaged:
        raise CoverplateError(
            f"the record of what was learned, {path}, cannot be used: "
            f"{str(damaged).splitlines()[0]}",
            expected="a record written by `coverplate build`",
            to_do="nothing; it is learned again",
        ) from damaged
    return record


def model_of(folder: Path) -> str | None:
    """Which version of the model made the current record; None where that cannot be read."""
    try:
        path = folder / f"{current_hash(folder)}.json"
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    version = found.get("model_version") if isinstance(found, dict) else None
    return version if isinstance(version, str) else None


def _check_shapes(record: LearnedRecord, rule_book: RuleBook) -> None:
    groups, rates = len(group_keys(rule_book)), record.rates
    draws = (groups, len(rates.draws_a[0]) if rates.draws_a else 0, len(RATES))
    wanted: list[tuple[object, tuple[int, ...]]] = [
        (rates.draws_a, draws),
        (rates.draws_b, draws),
        (rates.centre_a, (groups, len(RATES))),
        (rates.centre_b, (groups, len(RATES))),
        (rates.group_shares, (groups,)),
        (record.era_shares, (groups - 1,)),
        *((each.gfci, (STATE_COUNT, 2)) for each in (record.shares, *record.share_draws)),
    ]
    for values, shape in wanted:
        found: Array = np.array(values, dtype=np.float64)
        if found.shape != shape:
            raise ValueError(f"shape {found.shape} where {shape} is expected")

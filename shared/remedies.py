"""Rule-book sections of the remediation ledger: remedies, due dates, what proves a repair.

A remedy is a row of a table, not code: for which conditions it is allowed, what it leaves behind,
which markings it requires. Whether what it leaves is still a defect is worked out, so that an entry
which is no fix (a receptacle exchanged and nothing more) can stand in the table and is refused.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import Field as PydanticField
from pydantic import model_validator

from shared.numbers import Number, OpenShare, Positive, Section, Share, bounded, says
from shared.vocabulary import OPEN_BOX_METHODS, Condition, Marking, Method


class SeverityClass(StrEnum):
    """How soon something must be done, in the words of the US federal inspection standard."""

    LIFE_THREATENING = "life_threatening"
    SEVERE = "severe"
    MODERATE = "moderate"
    LOW = "low"


class Remedy(Section):
    """What may be done about a defect, by which rule, and what it leaves behind.

    Attributes:
        label: what people call it.
        rule: article that allows it, with its paragraph.
        source: how that rule is known.
        scope: what one job covers; costs are per one of these.
        leaves: condition before to condition after; a condition that is absent is not allowed.
        refused_for: the reason, for conditions that are not allowed.
        slots_after, protected_after: the face and the protection that it leaves.
        markings: labels that the rule requires on the receptacle or cover.
        done_by: who must do it.
        ground_ohms_below: what the ground path must stay below after it; None where the remedy
            makes no ground path.
        check_with_authority: newer requirements that the replacement may trigger.
        opens_walls: whether walls or ceilings are usually opened for it.
        cost_low, cost_typical, cost_high: placeholders to be replaced.
        hours: an electrician's, for one job; None where nobody said.
    """

    label: str
    rule: str
    source: str = PydanticField(min_length=3)
    scope: Literal["opening", "circuit", "building"]
    leaves: dict[Condition, Condition]
    refused_for: dict[Condition, str] = PydanticField(default_factory=dict)
    slots_after: Literal["two_slot", "three_slot", "as_it_was"]
    protected_after: Literal["yes", "as_it_was"]
    markings: tuple[Literal[Marking.NO_EQUIPMENT_GROUND, Marking.GFCI_PROTECTED], ...] = ()
    ground_ohms_below: Annotated[Number, bounded(0.01, 25.0)] | None = PydanticField(
        default=None, description="what the ground path must stay below after it"
    )
    done_by: str
    check_with_authority: tuple[str, ...] = ()
    opens_walls: bool = False
    cost_low: Number = says("low cost")
    cost_typical: Number = says("typical cost")
    cost_high: Number = says("high cost")
    hours: Annotated[Number, bounded(0.0, 1e5)] | None = PydanticField(
        default=None, description="an electrician's hours"
    )

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        costs = (float(self.cost_low), float(self.cost_typical), float(self.cost_high))
        if not 0 <= costs[0] <= costs[1] <= costs[2]:
            raise ValueError("costs must be at least 0 and rise from low to typical to high")
        makes_path = self.leaves.get(Condition.UNGROUNDED) is Condition.GROUNDED
        if makes_path and self.ground_ohms_below is None:
            raise ValueError("ground_ohms_below is missing: the remedy makes a ground path")
        both = set(self.leaves) & set(self.refused_for)
        if both:
            raise ValueError("both allowed and refused for " + ", ".join(sorted(both)))
        return self


class CostLine(Section):
    """A cost beside those of the remedies, told and added as a line of its own.

    Attributes:
        label: what people call it.
        source: why it is counted so, and how that is known.
        per: dwelling: once for all work at one dwelling; job: once with every job of a remedy.
        opens_walls: whether only remedies that open walls bring it.
        built_before: only in buildings built before this year; where the year is not known, it is
            not known whether.
        cost: a placeholder to be replaced.
    """

    label: str
    source: str = PydanticField(min_length=3)
    per: Literal["dwelling", "job"]
    opens_walls: bool = False
    built_before: Annotated[Number, bounded(1600.0, 2100.0)] | None = PydanticField(
        default=None, description="only in buildings built before this year"
    )
    cost: Annotated[Number, bounded(0.0, 1e9)] = says("cost")


class GfciRules(Section):
    """From when a GFCI that a repair rests on is asked about; nothing of it is in a probability."""

    oldest_years: Annotated[Number, bounded(1.0, 60.0)] = says(
        "age above which a GFCI is to be tested or replaced"
    )
    test_within_days: Positive = says(
        "days after the last test by its own button from which another is asked for"
    )
    self_test_year: Annotated[Number, bounded(1968.0, 2100.0)] = says(
        "year up to which a GFCI may have been made without a test of itself"
    )


class Regulation(Section):
    """Windows that somebody else sets; they run in elapsed time and nothing pauses them."""

    label: str
    hours: dict[SeverityClass, Positive] = says("hours from notice to correction")


class Due(Section):
    """When something should be done."""

    regulation: str = says("key of the regulation that findings stand under, or none")
    severity_class: dict[Condition, SeverityClass]
    severity_class_source: str = PydanticField(min_length=3)
    record_conflict_class: SeverityClass
    target_days: dict[SeverityClass, Positive] = says("own target, days from being raised")
    verify_within_days: Positive = says("days after which an unproven fix counts as ageing")
    regulations: dict[str, Regulation]

    @model_validator(mode="after")
    def _complete(self) -> Self:
        faults: list[str] = []
        defects = [c for c in Condition if c is not Condition.GROUNDED]
        if absent := [c.value for c in defects if c not in self.severity_class]:
            faults.append("no severity class for " + ", ".join(absent))
        if missing := [c.value for c in SeverityClass if c not in self.target_days]:
            faults.append("no target_days for " + ", ".join(missing))
        for name, each in self.regulations.items():
            if lacking := [c.value for c in SeverityClass if c not in each.hours]:
                faults.append(f"no hours of {name} for " + ", ".join(lacking))
        if self.regulation != "none" and self.regulation not in self.regulations:
            faults.append(f"regulation {self.regulation!r} is not among the regulations")
        if faults:
            raise ValueError("; ".join(faults))
        return self


ProofReading = Literal[
    "cover_removed",
    "ground_present",
    "neutral_ground_jumper",
    "polarity",
    "neutral_ground_volts",
    "load_amps",
    "ground_path_ohms",
]
"""Columns of a look that a method may have to give before it proves anything."""


_OPENED: tuple[ProofReading, ...] = (
    "cover_removed",
    "ground_present",
    "neutral_ground_jumper",
    "polarity",
)

LEAST_READINGS: dict[Method, tuple[ProofReading, ...]] = {
    Method.VOLTMETER_UNDER_LOAD: ("neutral_ground_volts", "load_amps"),
    Method.GROUND_IMPEDANCE_METER: ("ground_path_ohms",),
    **dict.fromkeys(OPEN_BOX_METHODS, _OPENED),
}
"""Readings that no rule book may do without: a word alone proves nothing."""

_JUMPERED = frozenset({Condition.FALSE_GROUND, Condition.REVERSED_FALSE_GROUND})
LEAST_INSTEAD: dict[Condition, frozenset[Condition]] = {
    Condition.GROUNDED: _JUMPERED | {Condition.UNGROUNDED, Condition.REVERSED},
    Condition.UNGROUNDED: _JUMPERED | {Condition.REVERSED_UNGROUNDED},
}
"""What no rule book may leave unexcluded: a jumper and swapped conductors kill."""


class LedgerRules(Section):
    """What raises a finding and what proves a repair."""

    suspect_probability: OpenShare = says(
        "probability of a defect from which an unconfirmed one is raised as suspected"
    )
    withdraw_probability: OpenShare = says(
        "probability below which a suspected defect that nobody worked on is no longer indicated"
    )
    verify_distance: Annotated[Number, bounded(0.2, 1.0)] = says(
        "total-variation distance between defect and repaired state from which a method can "
        "verify a repair"
    )
    verify_odds: Annotated[Number, bounded(3.0, 1e6)] = says(
        "times as likely under the repaired state as under any defect that a look must be to prove"
    )
    fail_odds: Annotated[Number, bounded(1.0, 20.0)] = says(
        "times as likely under a defect as under the repaired state from which a look disproves"
    )
    neutral_ground_volts_below: Annotated[Number, bounded(0.5, 20.0)] = says(
        "what neutral to ground must stay below under load after a repair that leaves a ground"
    )
    second_look_least: Share = says(
        "least share of a firm's reported fixes that are drawn for a look by another firm"
    )
    interval: OpenShare = says("probability held by intervals of shares and survival")
    protection_seen_by: tuple[Method, ...]
    needs_ground_slot: tuple[Method, ...]
    left_instead: dict[Condition, tuple[Condition, ...]]
    left_instead_source: str = PydanticField(min_length=3)
    proof_readings: dict[Method, tuple[ProofReading, ...]]
    proof_readings_source: str = PydanticField(min_length=3)

    @model_validator(mode="after")
    def _every_method(self) -> Self:
        faults = []
        for method in Method:
            least = set(LEAST_READINGS.get(method, ()))
            if method not in self.proof_readings:
                faults.append(f"proof_readings: no line for {method.value}")
            elif lacking := least - set(self.proof_readings[method]):
                faults.append(f"proof_readings.{method.value} lacks {', '.join(sorted(lacking))}")
        for left, least_instead in LEAST_INSTEAD.items():
            if lacking_too := least_instead - set(self.left_instead.get(left, ())):
                faults.append(
                    f"left_instead.{left.value} lacks "
                    + ", ".join(sorted(each.value for each in lacking_too))
                )
        if faults:
            raise ValueError("; ".join(faults))
        return self

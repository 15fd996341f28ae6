"""Verify to close: only a method able to see the defect can prove that it is gone.

A method is capable if its evidence table tells the state that the remedy leaves from the defect and
from what a careless repair would have left instead (a jumper makes an open ground read as a
ground). A capable look proves the repair if it is much likelier under the repaired state than
under every such defect, and if it says what the condition alone does not: the face of the opening,
protection and markings where the remedy rests on them.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import duckdb

from pipeline.evidence.likelihood import Likelihoods
from pipeline.ledger import events as ev
from pipeline.ledger.families import DefectFamily, members
from pipeline.ledger.state import Finding, State
from pipeline.offline import connect
from shared.faults import CoverplateError
from shared.rule_book import RuleBook
from shared.vocabulary import (
    CONDITIONS,
    NO_LOOK_RESULTS,
    Condition,
    Marking,
    Method,
    Result,
    Slots,
    YesNo,
)

LOOK_COLUMNS: dict[str, str] = {
    "method": "VARCHAR",
    "result": "VARCHAR",
    "cover_removed": "VARCHAR",
    "ground_present": "VARCHAR",
    "neutral_ground_jumper": "VARCHAR",
    "polarity": "VARCHAR",
    "neutral_ground_volts": "DOUBLE",
    "load_amps": "DOUBLE",
    "ground_path_ohms": "DOUBLE",
    "plate_earth_volts": "DOUBLE",
    "case_earth_volts": "DOUBLE",
    "ground_contact_earth_volts": "DOUBLE",
    "hot_neutral_volts": "DOUBLE",
    "non_contact_detector": "VARCHAR",
    "heat_or_scorch": "VARCHAR",
    "shock_reported": "VARCHAR",
}
"""Columns of a look that bear on the condition, as typed for the code of a look."""


Verdict = Literal["proven", "disproved", "says_nothing"]


@dataclass(frozen=True)
class Judgement:
    """What a look says about a reported fix.

    Attributes:
        verdict: proven, disproved, or says_nothing.
        reason: why, in one sentence.
        methods: methods that could prove this fix.
    """

    verdict: Verdict
    reason: str
    odds: float | None
    methods: tuple[Method, ...]


class Judge:
    """Judges looks and fixes under one rule book.

    Args:
        book: the rule book.
    """

    def __init__(self, book: RuleBook) -> None:
        self.book = book

    @cached_property
    def likelihoods(self) -> Likelihoods:
        """The evidence tables, built when first needed."""
        return Likelihoods(self.book)

    @cached_property
    def _distances(self) -> dict[tuple[Method, Condition, Condition], float]:
        frame = self.likelihoods.distinguishes()
        names = ("method", "condition_a", "condition_b", "distance")
        found: dict[tuple[Method, Condition, Condition], float] = {}
        for method, one, other, distance in zip(*(frame[n].tolist() for n in names), strict=True):
            pair = Condition(one), Condition(other)
            found[Method(method), *pair] = found[Method(method), *pair[::-1]] = distance
        return found

    @cached_property
    def _reader(self) -> duckdb.DuckDBPyConnection:
        return connect()

    def code(self, look: ev.Look) -> str:
        """Return the evidence code of a look; see ``Likelihoods.reading_code_sql``."""
        typed = ", ".join(f"?::{kind} AS {name}" for name, kind in LOOK_COLUMNS.items())
        values = look.model_dump(mode="json", include=set(LOOK_COLUMNS))
        row = self._reader.execute(
            f"SELECT {self.likelihoods.reading_code_sql()} "
            f"FROM (SELECT {typed}, NULL::VARCHAR AS reader)",
            [values[name] for name in LOOK_COLUMNS],
        ).fetchall()
        return str(row[0][0])

    def must_exclude(self, finding: Finding) -> frozenset[Condition]:
        """Return the conditions that a look must exclude before the reported fix is proven."""
        fix, target = _claim(finding)
        wrong = {finding.condition} if finding.condition else set()
        if finding.raised.family in (
            DefectFamily.FALSE_GROUND,
            DefectFamily.FALSE_GROUND_UPSTREAM,
            DefectFamily.OPEN_CONDUCTOR,
        ):
            wrong |= set(members(finding.raised.family))
        if fix.leaves_slots is not Slots.TWO_SLOT:
            wrong |= set(self.book.ledger.left_instead.get(target, ()))
        return frozenset(wrong - {target})

    def capable(self, finding: Finding) -> tuple[Method, ...]:
        """Return the methods whose evidence tables can prove the reported fix."""
        return tuple(method for method in Method if self.why_blind(finding, method) is None)

    def why_blind(self, finding: Finding, method: Method) -> str | None:
        """Return why a method cannot prove the reported fix, or None if it can."""
        fix, target = _claim(finding)
        rules = self.book.ledger
        if fix.leaves_slots is Slots.TWO_SLOT and method in rules.needs_ground_slot:
            return f"{_said(method)} needs a ground slot, and the remedy leaves two slots"
        blind = [
            condition
            for condition in CONDITIONS
            if condition in self.must_exclude(finding)
            and self._distances[method, target, condition] < float(rules.verify_distance)
        ]
        if blind:
            return f"{_said(method)} cannot tell {_said(target)} from " + " or ".join(
                _said(each) for each in blind
            )
        if fix.leaves_protected is YesNo.YES and method not in rules.protection_seen_by:
            return f"{_said(method)} cannot tell whether the opening is GFCI-protected"
        return None

    def judge(self, finding: Finding, look: ev.Look) -> Judgement:
        """Say what a look after the reported fix proves.

        Raises:
            CoverplateError: no fix stands reported, or the look is not dated after it.
        """
        fix, target = _claim(finding)
        methods = self.capable(finding)
        if look.observed_on <= fix.fixed_on:
            raise CoverplateError(
                f"{finding.finding_id}: the look is of {look.observed_on}, the fix was reported "
                f"done on {fix.fixed_on}",
                expected="a look dated after the reported fix",
                to_do="look again with one of: " + _listed(methods),
            )
        verdict, reason, odds = self._verdict(finding, fix, target, look)
        return Judgement(verdict, reason, odds, methods)

    def _verdict(
        self, finding: Finding, fix: ev.FixReported, target: Condition, look: ev.Look
    ) -> tuple[Verdict, str, float | None]:
        rules = self.book.ledger
        found = self.likelihoods.weights(self.code(look))
        weights = {each: float(w) for each, w in zip(CONDITIONS, found, strict=True)}
        fit = max(weights[each] for each in _fit(fix, target))
        most = max(weights.values())
        likeliest = _named(finding, weights, CONDITIONS)
        if fit * float(rules.fail_odds) <= most:
            shown = f"{_said(look.method)} found {_said(look.result)}: the opening reads as "
            return "disproved", f"{shown}{_said(likeliest)}, not as {_said(target)}", None
        unfit = _unfit(fix, target, look)
        if unfit is not None:
            return "disproved", unfit, None
        blind = self.why_blind(finding, look.method)
        if blind is not None:
            return "says_nothing", blind, None
        if look.result in NO_LOOK_RESULTS and min(weights.values()) == max(weights.values()):
            return "says_nothing", f"{_said(look.result)} is no reading", None
        proof = f"{_said(look.method)} found {_said(target)}"
        odds = None
        wrong = self.must_exclude(finding)
        if wrong:
            rival = _named(finding, weights, [each for each in CONDITIONS if each in wrong])
            odds = fit / max(weights[each] for each in wrong)
            likelier = f"{odds:.3g} times as likely if the repair holds as if it is {_said(rival)}"
            if odds < float(rules.verify_odds):
                needed = f"{float(rules.verify_odds):g} times are needed"
                return "says_nothing", f"the reading is only {likelier}; {needed}", odds
            proof += f", {likelier}"
        silent = _silent(fix, target, look)
        if silent:
            words = " or ".join(silent)
            return "says_nothing", f"the look does not say {words}; this remedy rests on it", odds
        return "proven", proof, odds

    def verified(self, finding: Finding, look: ev.Look) -> ev.Verified | ev.VerificationFailed:
        """Return the event that a look amounts to.

        Raises:
            CoverplateError: the look proves nothing either way; says which methods would.
        """
        result = self.judge(finding, look)
        if result.verdict == "proven":
            odds = None if result.odds is None else round(float(result.odds), 6)
            return ev.Verified(look=look, odds=odds, rule_book_hash=self.book.hash)
        if result.verdict == "disproved":
            return ev.VerificationFailed(
                look=look, reason=result.reason, rule_book_hash=self.book.hash
            )
        raise CoverplateError(
            f"{finding.finding_id} stays reported, unproven: {result.reason}",
            expected="a look after the fix by one of: " + _listed(result.methods),
            to_do="have the opening looked at by one of these; opening the box is the deciding "
            "check and is for a qualified person",
        )


def _claim(finding: Finding) -> tuple[ev.FixReported, Condition]:
    fix = finding.fix
    if fix is None or fix.leaves_condition is None:
        raise CoverplateError(
            f"{finding.finding_id} has no reported fix that could be verified",
            to_do="report the fix first",
        )
    return fix, fix.leaves_condition


def _said(word: Condition | Method | Result) -> str:
    return word.value.replace("_", " ")


def _listed(methods: tuple[Method, ...]) -> str:
    return ", ".join(method.value for method in methods) or "none of the known methods"


def _named(
    finding: Finding, weights: dict[Condition, float], among: Sequence[Condition]
) -> Condition:
    """Return the likeliest condition; the finding's own where it is as good as that."""
    likeliest = max(among, key=lambda each: weights[each])
    own = finding.condition
    if own is not None and own in among and weights[own] >= 0.9 * weights[likeliest]:
        return own
    return likeliest


def _fit(fix: ev.FixReported, target: Condition) -> frozenset[Condition]:
    """Return the conditions that are no defect once the remedy stands: its own, and any better."""
    fit = {target, Condition.GROUNDED}
    if fix.leaves_slots is Slots.TWO_SLOT:
        fit.add(Condition.UNGROUNDED)
    return frozenset(fit)


def _marked(fix: ev.FixReported, look: ev.Look) -> bool:
    shown = set(fix.markings) if look.marking is Marking.BOTH else {look.marking}
    return set(fix.markings) <= shown


def _unfit(fix: ev.FixReported, target: Condition, look: ev.Look) -> str | None:
    """Say what a look shows of face, protection and marking that the remedy should not leave."""
    if target is not Condition.UNGROUNDED:
        return None
    if fix.leaves_slots is Slots.TWO_SLOT and look.slots is Slots.THREE_SLOT:
        return "the receptacle still has three slots"
    if fix.leaves_protected is YesNo.YES:
        if look.gfci_protected is YesNo.NO:
            return "the opening is not GFCI-protected"
        if look.marking is not None and not _marked(fix, look):
            return "a required marking is missing"
    return None


def _silent(fix: ev.FixReported, target: Condition, look: ev.Look) -> list[str]:
    """Return what a look leaves open of face, protection and marking."""
    if target is not Condition.UNGROUNDED:
        return []
    silent = []
    if fix.leaves_slots is Slots.TWO_SLOT and look.slots is None:
        silent.append("how many slots the receptacle has")
    if fix.leaves_protected is YesNo.YES:
        if look.gfci_protected is None:
            silent.append("whether the opening is GFCI-protected")
        if look.marking is None:
            silent.append("whether it is marked")
    return silent


def days_unproven(finding: Finding, today: dt.date) -> int | None:
    """Return for how many days a fix has stood reported without proof, or None if none does."""
    if finding.state is not State.FIX_REPORTED_UNPROVEN or finding.fix is None:
        return None
    return (today - finding.fix.fixed_on).days

"""Verify to close: only a method able to see the defect can prove that it is gone.

A method is capable if its evidence table tells the state that the remedy leaves from the defect and
from what careless work would have left instead (a jumper makes an open ground read as a ground,
conductors go back the wrong way round). A capable look proves the repair if it is much likelier
under the repaired state than under every such defect, gives the readings that its method must give
and what the remedy rests on (path, face, protection, markings), comes after the fix and after the
last look that saw the defect, and is by somebody else than whoever did the work.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import duckdb

from pipeline.evidence.likelihood import Likelihoods, likelihoods_of
from pipeline.evidence.readings import OWN_WORDS, WORDS
from pipeline.landing.own_notes import speaks_against
from pipeline.ledger import events as ev
from pipeline.ledger.families import DefectFamily, members
from pipeline.ledger.persons import (
    is_another_firm,
    may_be_of_firm,
    may_be_one,
    may_name_somebody,
    names_somebody,
)
from pipeline.ledger.state import Finding
from pipeline.offline import scratch
from shared.faults import CoverplateError
from shared.records import OPENING_OBSERVATIONS
from shared.rule_book import RuleBook
from shared.vocabulary import (
    CONDITIONS,
    NO_LOOK_RESULTS,
    Condition,
    Marking,
    Method,
    Polarity,
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
        return likelihoods_of(self.book)

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
        return scratch()

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
        if finding.condition and finding.condition not in members(finding.raised.family):
            # it recurs as what a look reported, which does not take back what it was before
            wrong |= set(members(finding.raised.family))
        wrong |= set(self.book.ledger.left_instead.get(target, ()))
        if self.ohms_below(fix) is not None:
            wrong.add(Condition.POOR_GROUND)
        return frozenset(wrong - {target})

    def reported(self, finding: Finding, look: ev.Look) -> Condition | None:
        """Return the defect that a look names in its own word; the finding's own condition where
        the word may mean it, names no defect, or names one that is less grave."""
        own, named = finding.condition, self.named(look)
        if own is None or own in named or Condition.GROUNDED in named or not named:
            return own
        found = self.likelihoods.weights(self.code(look))
        likeliest = max(named, key=lambda each: found[CONDITIONS.index(each)])
        if likeliest is Condition.FALSE_GROUND_UPSTREAM and (
            own is Condition.REVERSED_FALSE_GROUND or look.polarity is Polarity.REVERSED
        ):
            # no less grave for being further up
            likeliest = Condition.REVERSED_FALSE_GROUND_UPSTREAM
        due = self.book.due
        days = {c: float(due.target_days[due.severity_class[c]]) for c in (own, likeliest)}
        return likeliest if days[likeliest] <= days[own] else own

    @staticmethod
    def named(look: ev.Look) -> list[Condition]:
        """Return the conditions that a look's own word means; none where it is no reading."""
        if look.result not in WORDS:
            return []
        says = OWN_WORDS[:, WORDS.index(look.result)] > 0
        named = [each for each, meant in zip(CONDITIONS, says, strict=True) if meant]
        if Condition.FALSE_GROUND_UPSTREAM in named:
            # the word says where the bond is, not which way round the conductors are
            named.append(Condition.REVERSED_FALSE_GROUND_UPSTREAM)
        return named

    def ohms_below(self, fix: ev.FixReported) -> float | None:
        """Return what the ground path must stay below after a fix, ohms; None if no matter."""
        remedy = self.book.remedies.get(fix.remedy)
        if remedy is None or remedy.ground_ohms_below is None:
            return None
        return float(remedy.ground_ohms_below)

    def must_say(self, finding: Finding, method: Method) -> tuple[str, ...]:
        """Return the columns that a look by a method must fill in to prove the reported fix."""
        fix, target = _claim(finding)
        columns: list[str] = list(self.book.ledger.proof_readings[method])
        if self.ohms_below(fix) is not None:
            columns.append("ground_path_ohms")
        if target is Condition.UNGROUNDED and fix.leaves_slots is Slots.TWO_SLOT:
            columns.append("slots")
        if fix.leaves_protected is YesNo.YES:
            columns += ["gfci_protected", "gfci_button_tripped", "marking"]
        return (*dict.fromkeys(columns), "inspector")

    def capable(self, finding: Finding) -> tuple[Method, ...]:
        """Return the methods whose evidence tables can prove the reported fix."""
        return tuple(method for method in Method if self.why_blind(finding, method) is None)

    def why_blind(self, finding: Finding, method: Method) -> str | None:
        """Return why a method cannot prove the reported fix, or None if it can."""
        fix, target = _claim(finding)
        rules = self.book.ledger
        # how good a path is, a measurement says, whatever else the method can tell
        settled = {Condition.POOR_GROUND} if self.ohms_below(fix) is not None else set()
        if fix.leaves_slots is Slots.TWO_SLOT and method in rules.needs_ground_slot:
            return f"{_said(method)} needs a ground slot, and the remedy leaves two slots"
        blind = [
            condition
            for condition in CONDITIONS
            if condition in self.must_exclude(finding) - settled
            and self._distances[method, target, condition] < float(rules.verify_distance)
        ]
        if blind:
            others = _either([_said(each) for each in blind])
            return f"{_said(method)} cannot tell {_said(target)} from {others}"
        if fix.leaves_protected is YesNo.YES and method not in rules.protection_seen_by:
            return f"{_said(method)} cannot tell whether the opening is GFCI-protected"
        return None

    def sees_further_up(self, method: Method) -> bool:
        """Say whether a method tells a sound opening from one with a bond in a box further up."""
        pair = Condition.GROUNDED, Condition.FALSE_GROUND_UPSTREAM
        return self._distances[method, *pair] >= float(self.book.ledger.verify_distance)

    def blind_further_up(self, finding: Finding, method: Method) -> str | None:
        """Return why a method cannot tell what the reported fix leaves from a bond in a box further
        up, or None if it can."""
        _, target = _claim(finding)
        bond = Condition.FALSE_GROUND_UPSTREAM
        if self._distances[method, target, bond] >= float(self.book.ledger.verify_distance):
            return None
        return f"{_said(method)} cannot tell {_said(target)} from {_said(bond)}"

    def judge(self, finding: Finding, look: ev.Look) -> Judgement:
        """Say what a look after the reported fix proves.

        Raises:
            CoverplateError: no fix stands reported, or the look is not dated after it and after the
                last look that saw the defect.
        """
        fix, target = _claim(finding)
        methods = self.capable(finding)
        for day, what, after in self._must_follow(finding, fix):
            if look.observed_on <= day:
                raise CoverplateError(
                    f"{finding.finding_id}: the look is of {look.observed_on}, {what} on {day}",
                    expected=f"a look dated after {after}",
                    to_do="look again with one of: " + _listed(methods),
                )
        verdict, reason, odds = self._verdict(finding, fix, target, look)
        return Judgement(verdict, reason, odds, methods)

    def may_answer(
        self, finding: Finding, observed_on: dt.date, inspector: str | None, firm: str | None
    ) -> bool:
        """Say whether a look is of a day after all work reported at a finding and by somebody who
        is shown to be another than whoever did it.

        Args:
            finding: at which a fix is reported.
            observed_on: the day of the look.
            inspector, firm: who looked.
        """
        fix = finding.fix
        if fix is None or inspector is None:
            return False
        later = all(observed_on > day for day, _, _ in self._must_follow(finding, fix))
        return later and self._by_a_worker(finding, fix, inspector, firm) is None

    @staticmethod
    def _must_follow(finding: Finding, fix: ev.FixReported) -> list[tuple[dt.date, str, str]]:
        """Days that a look must be dated after: what was then, and what of that it must follow."""
        return [
            (fix.fixed_on, "the fix was reported done", "the reported fix"),
            *(
                (
                    each.fixed_on,
                    f"{each.firm} reported work done",
                    "all work reported since the last verdict",
                )
                for each in finding.unjudged
            ),
            (finding.pointed_on, "the defect was last seen", "the defect was last seen"),
        ]

    @staticmethod
    def _by_a_worker(
        finding: Finding, fix: ev.FixReported, inspector: str | None, firm: str | None
    ) -> str | None:
        """Say why a look may be by somebody who worked there since the last verdict."""
        workers = (fix, *(each for each in finding.unjudged if each is not fix))
        return next(filter(None, (_not_another(each, inspector, firm) for each in workers)), None)

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
        unfit = self._unfit(fix, target, look)
        if unfit is not None:
            return "disproved", unfit, None
        if not finding.raised.opening_id:
            unnamed = "the finding names no opening, so that no look at one of them proves it"
            return "says_nothing", unnamed, None
        blind = self.why_blind(finding, look.method)
        if blind is not None:
            return "says_nothing", blind, None
        if look.result in NO_LOOK_RESULTS:
            return "says_nothing", f"{_said(look.result)} is no reading", None
        lacking = self._lacking(finding, look)
        if lacking:
            return "says_nothing", "; ".join(lacking), None
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
        return "proven", proof, odds

    def _unfit(self, fix: ev.FixReported, target: Condition, look: ev.Look) -> str | None:
        """Say what a look plainly reports that the remedy should not leave; None if nothing."""
        limits = self.book.urgent
        metal = [look.plate_earth_volts, look.case_earth_volts, look.ground_contact_earth_volts]
        if look.result not in NO_LOOK_RESULTS and look.result not in _words(fix, target):
            return f"{_said(look.method)} found {_said(look.result)}"
        if look.neutral_ground_jumper is YesNo.YES:
            return "ground contact and neutral are tied together"
        if look.polarity is Polarity.REVERSED:
            return "hot and neutral are on each other's contacts"
        if Condition.UNGROUNDED not in _fit(fix, target) and look.ground_present is YesNo.NO:
            return "no equipment grounding path was found"
        if look.heat_or_scorch is YesNo.YES:
            return "the opening is hot or shows scorch marks"
        if look.shock_reported is YesNo.YES or look.non_contact_detector is YesNo.YES:
            return "a shock or voltage on metal was reported"
        if any(volts is not None and volts >= float(limits.touch_volts) for volts in metal):
            return "voltage was measured on metal"
        volts = look.neutral_ground_volts
        if target is Condition.GROUNDED and volts is not None:
            highest = float(self.book.ledger.neutral_ground_volts_below)
            if volts >= highest:
                return f"{volts:g} V between neutral and ground, less than {highest:g} may be"
        volts = look.hot_neutral_volts
        if volts is not None and volts > float(limits.supply_high):
            return f"{volts:g} V between hot and neutral"
        most = self.ohms_below(fix)
        ohms = look.ground_path_ohms
        if most is not None and ohms is not None and ohms >= most:
            return f"the ground path measures {ohms:g} Ω, less than {most:g} is asked for"
        if fix.leaves_slots is Slots.TWO_SLOT and look.slots is Slots.THREE_SLOT:
            return "the receptacle still has three slots"
        if fix.leaves_protected is YesNo.YES:
            if look.gfci_protected is YesNo.NO:
                return "the opening is not GFCI-protected"
            if look.gfci_button_tripped is YesNo.NO:
                return "the GFCI's own test button took no power off this opening"
            if look.marking is not None and not _marked(fix, look):
                return "a required marking is missing"
        return None

    def _lacking(self, finding: Finding, look: ev.Look) -> list[str]:
        """Return what a look that fits leaves open, each in words."""
        fix, target = _claim(finding)
        silent = [
            OPENING_OBSERVATIONS.field(column).meaning
            for column in self.must_say(finding, look.method)
            if getattr(look, column) is None
        ]
        found = [f"the look does not say {_either(silent)}"] if silent else []
        volts = look.hot_neutral_volts
        if volts is not None and volts < float(self.book.urgent.supply_low):
            found.append(f"at {volts:g} V between hot and neutral the circuit may be dead")
        if look.ground_path_ohms == 0:
            found.append("0 Ω is no measurement of a path")
        face = _another_face(finding, fix, look)
        if face is not None:
            found.append(face)
        opens = "cover_removed" in self.must_say(finding, look.method)
        if opens and look.cover_removed is YesNo.NO:
            found.append("the cover was not off")
        left = Result.OPEN_GROUND if target is Condition.UNGROUNDED else Result.CORRECT
        if look.note and speaks_against(look.note, left):
            found.append(
                "its own note tells of danger, of what was not done or of a dead circuit, or takes "
                "the row back: have somebody look again whose note agrees with what was found"
            )
        by = self._by_a_worker(finding, fix, look.inspector, look.firm_of_inspector)
        return [*found, by] if by else found

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
        lacking = look.method in result.methods and self._lacking(finding, look)
        raise CoverplateError(
            f"{finding.finding_id} stays reported, unproven: {result.reason}",
            expected="a look after the fix by one of: " + _listed(result.methods),
            to_do="write down what is missing if it was seen or measured, else have the opening "
            "looked at once more with it; opening the box is for a qualified person"
            if lacking
            else "have the opening looked at by one of these; opening the box is the deciding "
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


def _another_face(finding: Finding, fix: ev.FixReported, look: ev.Look) -> str | None:
    """Say that a look was at a face that the remedy does not leave, or None. Whoever rewires to
    what has neither two slots nor three leaves that face as it was."""
    seen, left = look.slots, fix.leaves_slots
    if seen is None or left is None or seen is left:
        return None
    if seen is Slots.OTHER and finding.raised.slots is Slots.OTHER:
        return None
    return (
        f"the look names the face {_said(seen)}, the repair leaves {_said(left)}: "
        "may be another receptacle"
    )


def _said(word: Condition | Method | Result | Slots) -> str:
    return word.value.replace("_", " ")


def _either(words: Sequence[str]) -> str:
    """Join words as "a, b or c"."""
    *most, last = words
    return f"{', '.join(most)} or {last}" if most else last


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


def _words(fix: ev.FixReported, target: Condition) -> frozenset[Result]:
    """Return the words that a look at the repaired opening may say."""
    own = OWN_WORDS[[CONDITIONS.index(each) for each in _fit(fix, target)]].max(axis=0) > 0
    words = {word for word, says in zip(WORDS, own, strict=True) if says}
    if target is Condition.UNGROUNDED:
        words.add(Result.OPEN_GROUND)
    return frozenset(words)


def _marked(fix: ev.FixReported, look: ev.Look) -> bool:
    shown = set(fix.markings) if look.marking is Marking.BOTH else {look.marking}
    return set(fix.markings) <= shown


def _not_another(
    fix: ev.FixReported, inspector: str | None, inspectors_firm: str | None
) -> str | None:
    """Say why a look isn't shown to be by somebody else than whoever did the work."""
    if inspector is None:
        return None  # said already: the look does not say who looked
    named = may_name_somebody(inspector)
    if named and (may_be_one(inspector, fix.firm) or may_be_of_firm(inspector, fix.firm)):
        return f"{inspector} may be who did the work; somebody else has to look"
    worker = fix.worker if may_name_somebody(fix.worker) else None
    if named and worker is not None and may_be_one(inspector, worker, fix.firm):
        return (
            f"{inspector} may be who did the work ({worker}); somebody else has to look, or, where "
            "they are two people, write both names in full or beside each the licence number"
        )
    if not names_somebody(inspector):
        return (
            f"{inspector!r} names no person, so that nothing shows that somebody else looked: a "
            "role, one word alone or what stands for a name may be anybody's; write the first "
            "name and surname of who looked, or have somebody look who is named"
        )
    if not names_somebody(fix.worker) and not is_another_firm(inspectors_firm, fix.firm):
        return (
            f"{_not_said(fix.worker)}, so that nothing shows that somebody else "
            "looked: report the fix again with the worker's first name and surname, or name the "
            "firm of who looked (both firms must be named in full, and may not be one: "
            f"{inspectors_firm or 'none'} and {fix.firm} are not shown to be two)"
        )
    return None


def _not_said(worker: str | None) -> str:
    if not worker or not worker.strip():
        return "the report does not say who did the work"
    return f"the report says {worker!r} did the work, which is no person's first name and surname"


WITHOUT_WORKER = (
    "Without the worker's name only another firm can prove this: the report must name its firm, "
    "and the look its inspector and another firm. The same report again with the worker's name "
    "(first name and surname, no role) puts it right."
)
"""What is asked of whoever reports a fix without saying who did the work."""


def worker_missing(fix: ev.FixReported) -> str | None:
    """Return what is to be said where a report does not name who did the work, else None."""
    return None if names_somebody(fix.worker) else WITHOUT_WORKER


def proving_methods(judge: Judge, finding: Finding, *, further_up: bool) -> list[dict[str, Any]]:
    """Return what each method would prove of the reported fix, one row a method.

    Args:
        judge: whose rules.
        finding: whose fix.
        further_up: whether a bond in a box further up stands as a finding of the same opening.

    Returns:
        Keys method, proves, reason (why not, or None), must_say (what the look must say, in words),
        columns (the same as columns of a look), after (the day after which it must be dated),
        ground_ohms_below (or None), worker_missing (what follows from the report naming no worker,
        or None).
    """
    fix, _ = _claim(finding)
    rows: list[dict[str, Any]] = []
    for method in Method:
        reason = judge.why_blind(finding, method)
        if reason is None and further_up:
            reason = judge.blind_further_up(finding, method)
        columns = judge.must_say(finding, method) if reason is None else ()
        rows.append(
            {
                "method": method.value,
                "proves": reason is None,
                "reason": reason,
                "must_say": [OPENING_OBSERVATIONS.field(each).meaning for each in columns],
                "columns": list(columns),
                "after": max(fix.fixed_on, finding.pointed_on),
                "ground_ohms_below": judge.ohms_below(fix),
                "worker_missing": worker_missing(fix),
            }
        )
    return rows

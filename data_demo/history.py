"""Two years of invented remediation for a portfolio: who did what about which finding, and when.

Firms, people and rates are invented. What is written goes through the same checks as anything that
a person writes: a remedy that leaves the defect is never reported, and no repair is called proven
without a look that can prove it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import duckdb
import numpy as np

from pipeline.ledger import events as ev
from pipeline.ledger.families import (
    FAMILY,
    URGENT_FAMILIES,
    DefectFamily,
    FindingKey,
    finding_id,
)
from pipeline.ledger.history import current
from pipeline.ledger.remedies import allowed_remedies
from pipeline.ledger.store import Draft, Ledger
from pipeline.ledger.sync import pending_findings
from pipeline.ledger.visits import plan_visit
from shared.remedies import Remedy
from shared.rule_book import RuleBook
from shared.vocabulary import URGENT_CONDITIONS, Condition, Marking, Method, Result, Slots

DAYS = 730
LATELY = 0.5
"""Share of buildings that were taken up in the last weeks."""

URGENT_DAYS_AGO = 6
"""What is urgent was found within the last days: it would be no good example if it had waited."""

VISITS = 4
"""Visits planned for the days after the history's end."""

RECURS = 0.12
"""Share of proven repairs after which the defect is found once more."""

ORIGIN = "import"

REGULATION = {"housing_authority": "us_public_housing"}
"""Portfolios that stand under a regulation; the others have only their own targets."""

OFFICE = {
    "housing_authority": "J. Sorrelby",
    "property_manager": "A. Vale",
    "insurer": "W. Tranter-Hume",
}

FIRMS: dict[str, float] = {
    "Pellworth Electric": 0.06,
    "Oddy & Sons Wiring": 0.30,
    "Quillmarsh Electrical": 0.12,
    "House crew": 0.45,
}
"""Invented firms, and the share of their repairs that a look finds wanting."""

WORKERS: dict[str, str] = {
    "Pellworth Electric": "D. Orme",
    "Oddy & Sons Wiring": "T. Oddy",
    "Quillmarsh Electrical": "B. Quill",
    "House crew": "V. Hask",
}
"""Who of each firm does the work."""

FIRM_SHARE = (0.4, 0.25, 0.2, 0.15)

REMEDY_WEIGHT: dict[str, float] = {
    "gfci_type_marked": 5.0,
    "gfci_upstream_marked": 2.0,
    "two_slot_again": 2.0,
    "grounding_conductor_added": 1.5,
    "circuit_rewired": 0.7,
    "building_rewired": 0.0,
    "conductors_put_right": 6.0,
    "conductor_joined_again": 6.0,
    "protection_added_only": 1.0,
}


@dataclass(frozen=True)
class Replayed:
    """What was written: findings raised and further events."""

    findings: int
    events: int


def replay_history(
    ledger: Ledger,
    warehouse: duckdb.DuckDBPyConnection,
    portfolio: str,
    seed: int,
    *,
    until: dt.date | None = None,
) -> Replayed:
    """Write two years of invented history for the findings that the evidence gives.

    Args:
        ledger: an empty ledger; one that has findings already is left as it is.
        warehouse: the portfolio's warehouse.
        portfolio: key in ``data_demo.portfolios.PORTFOLIOS``.
        seed: the same seed, warehouse and last day give the same history.
        until: its last day; today by default.
    """
    if ledger.heads():
        return Replayed(0, 0)
    last = _at(until or dt.date.today(), 0.0)
    regulation = REGULATION.get(portfolio, "none")
    pending = pending_findings(warehouse, ledger, regulation=regulation, at=last)
    papers = [each for each in pending if not each.opening_id and each.grade == "suspected"]
    raised = [each for each in pending if each not in papers]
    office = OFFICE.get(portfolio, "Office")
    rng = np.random.default_rng(seed)
    # buildings are taken up one after the other, so that some findings are old and some are new
    taken_up = {
        building: last - dt.timedelta(days=_days_ago(rng))
        for building in sorted({each.building_id for each in raised})
    }
    # A proven repair of anything at an opening takes away what was urgent there.
    urgent_places = {_place(each) for each in raised if _is_urgent(each)}
    by_day: dict[dt.datetime, list[ev.Raised]] = {}
    drafts: list[Draft] = []
    again: list[tuple[dt.datetime, ev.Raised, list[Draft]]] = []
    for payload in raised:
        seen = payload.last_seen_on or payload.first_seen_on
        if payload.grade == "record_in_doubt":
            seen = taken_up[payload.building_id].date()
            payload = payload.model_copy(update={"first_seen_on": seen, "last_seen_on": seen})
        # never before the last look that found the defect: what is repaired is what was seen
        begun = taken_up[payload.building_id]
        if _place(payload) in urgent_places:
            begun = last - dt.timedelta(days=URGENT_DAYS_AGO)
        start = max(begun, _at(seen, 0.0)) + dt.timedelta(days=int(rng.integers(0, 5)), hours=9)
        start = min(start, last)
        by_day.setdefault(start, []).append(payload)
        key = FindingKey(payload.building_id, payload.unit_id, payload.opening_id, payload.family)
        identity = finding_id(key, payload.occurrence)
        life = _Life(ledger.rule_book, rng, payload, start)
        happens = life.made_safe() if _place(payload) in urgent_places else life.events()
        own = [Draft(identity, each, at=when) for when, each in happens if when <= last]
        drafts += own
        if own and own[-1].payload.kind == "verified" and rng.random() < RECURS:
            back = _back_again(ledger.rule_book, rng, payload, identity, own[-1], last)
            again += [back] if back else []
    for payload in papers:
        # what papers say at no opening is known soon after, and nobody takes it up
        seen = payload.last_seen_on or payload.first_seen_on
        by_day.setdefault(min(_at(seen, 9.0), last), []).append(payload)
    for start in sorted(by_day):
        ledger.raise_many(by_day[start], who=office, origin=ORIGIN, at=start)
    drafts.sort(key=lambda draft: draft.at or last)
    ledger.append_many(drafts, who=office, origin=ORIGIN)
    for when, payload, later in again:
        ledger.raise_finding(payload, who=office, origin=ORIGIN, at=when)
        ledger.append_many(later, who=office, origin=ORIGIN)
    further = sum(len(later) for _, _, later in again)
    visits = _plan_visits(ledger, office, last)
    return Replayed(len(raised) + len(papers) + len(again), len(drafts) + further + visits)


def _plan_visits(ledger: Ledger, office: str, last: dt.datetime) -> int:
    """Visits in the days to come, to the dwellings with most open findings of one firm."""
    frame = current(ledger)
    frame = frame[frame["treatment"].isin(["none", "made_safe", "disproved"])]
    frame = frame[frame["firm"].notna() & (frame["unit_id"] != "")]
    groups = frame.groupby(["building_id", "unit_id", "firm"], sort=True)
    written = 0
    for number, (key, rows) in enumerate(
        sorted(groups, key=lambda each: (-len(each[1]), each[0]))[:VISITS]
    ):
        events = plan_visit(
            ledger,
            list(zip(rows["finding_id"], rows["sequence"].astype(int), strict=True)),
            on=(last + dt.timedelta(days=2 + number)).date(),
            person=WORKERS[str(key[2])],
            firm=str(key[2]),
            who=office,
            origin=ORIGIN,
            at=last,
        )
        written += len(events)
    return written


def _days_ago(rng: np.random.Generator) -> int:
    """How long ago a building was taken up: lately, or at any time of the two years."""
    if rng.random() < LATELY:
        return int(rng.integers(1, 25))
    return int(rng.integers(25, DAYS - 5))


def _back_again(
    book: RuleBook,
    rng: np.random.Generator,
    raised: ev.Raised,
    identity: str,
    proof: Draft,
    last: dt.datetime,
) -> tuple[dt.datetime, ev.Raised, list[Draft]] | None:
    """The defect found once more after its repair was proven; None if that is still to come."""
    assert proof.at is not None
    found = proof.at + dt.timedelta(days=float(rng.lognormal(np.log(50), 0.6)))
    if found > last:
        return None
    payload = raised.model_copy(
        update={
            "occurrence": raised.occurrence + 1,
            "recurs_of": identity,
            "first_seen_on": found.date(),
            "last_seen_on": found.date(),
            "pointed_on": found.date(),
            "note": "a tenant rang up; seen with the cover off",
        }
    )
    key = FindingKey(raised.building_id, raised.unit_id, raised.opening_id, raised.family)
    new = finding_id(key, payload.occurrence)
    life = _Life(book, rng, payload, found)
    later = [Draft(new, each, at=when) for when, each in life.taken_on() if when <= last]
    return found, payload, later


def _at(day: dt.date, hours: float) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(), dt.UTC) + dt.timedelta(hours=hours)


def _place(raised: ev.Raised) -> tuple[str, str, str]:
    return raised.building_id, raised.unit_id, raised.opening_id


def _is_urgent(raised: ev.Raised) -> bool:
    return raised.family in URGENT_FAMILIES or raised.condition in URGENT_CONDITIONS


class _Life:
    """What becomes of one finding, in order of time."""

    def __init__(
        self, book: RuleBook, rng: np.random.Generator, raised: ev.Raised, start: dt.datetime
    ) -> None:
        self.book = book
        self.rng = rng
        self.raised = raised
        self.now = start
        self.firm = str(rng.choice(list(FIRMS), p=FIRM_SHARE))

    def _chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def _later(self, median_days: float) -> dt.datetime:
        days = max(0.1, float(self.rng.lognormal(np.log(median_days), 0.7)))
        self.now += dt.timedelta(days=days)
        return self.now

    def events(self) -> Iterator[tuple[dt.datetime, ev.Payload]]:
        condition = self.raised.condition
        if condition is None:
            yield from self._record()
            return
        if self._chance(0.05):
            since = self._later(0.2)
            yield since, ev.MadeSafe(how="circuit_de_energised", since=since.date())
        if not self._chance(0.95 if self.raised.grade == "confirmed" else 0.75):
            if self._chance(0.4):
                yield self._later(60), ev.Dismissed(reason="case closed when the tenancy ended")
            return
        yield self._later(5), ev.Accepted()
        if not self._chance(0.95):
            return
        when = self._later(6)
        due = (when + dt.timedelta(days=30)).date() if self._chance(0.5) else None
        yield when, self._assigned(due)
        if self._chance(0.3):
            yield from self._at_the_door()
        yield from self._repairs(condition)

    def taken_on(self) -> Iterator[tuple[dt.datetime, ev.Payload]]:
        """Taken on and given back to the firm."""
        yield self._later(2), ev.Accepted(note="the same opening once more")
        when = self._later(3)
        yield when, self._assigned((when + dt.timedelta(days=20)).date())

    def made_safe(self) -> Iterator[tuple[dt.datetime, ev.Payload]]:
        """Switch off at once and assign: when the invented history ends the repair of what is
        urgent is still to be made, so that it is seen."""
        since = self._later(0.2)
        yield since, ev.MadeSafe(how="circuit_de_energised", since=since.date())
        yield self._later(1), ev.Accepted()
        if self._chance(0.7):
            when = self._later(2)
            due = (when + dt.timedelta(days=1)).date()
            yield when, self._assigned(due)

    def _assigned(self, due: dt.date | None) -> ev.Assigned:
        note = None if due is None else "the firm can come no sooner"
        return ev.Assigned(firm=self.firm, due_on=due, note=note)

    def _record(self) -> Iterator[tuple[dt.datetime, ev.Payload]]:
        if self._chance(0.5):
            yield self._later(20), ev.Accepted(note="asked the office for the papers")
        if self._chance(0.2):
            yield self._later(40), ev.Dismissed(reason="the older record is a copying error")

    def _at_the_door(self) -> Iterator[tuple[dt.datetime, ev.Payload]]:
        given = self._later(4)
        entry = given + dt.timedelta(days=3)
        yield given, ev.NoticeGiven(given_on=given.date(), entry_on=entry.date())
        self.now = entry
        refused = self._chance(0.4)
        if refused:
            yield entry, ev.EntryRefused(on=entry.date())
        else:
            yield entry, ev.NoAccess(on=entry.date(), note="nobody at home")
        paused = self._later(0.3)
        words = "entry refused, a second notice is out" if refused else "nobody at home"
        yield paused, ev.Paused(since=paused.date(), reason="no_access", note=words)
        resumed = self._later(12)
        yield resumed, ev.Resumed(since=resumed.date())

    def _repairs(self, condition: Condition) -> Iterator[tuple[dt.datetime, ev.Payload]]:
        slots = Slots(self.raised.slots) if self.raised.slots else None
        allowed = allowed_remedies(self.book, condition, slots)
        names = [name for name in allowed if REMEDY_WEIGHT.get(name, 0) > 0]
        weights = np.array([REMEDY_WEIGHT[name] for name in names])
        for attempt in range(3):
            if not names or not self._chance(0.92):
                return
            name = str(self.rng.choice(names, p=weights / weights.sum()))
            remedy = allowed[name]
            low, high = float(remedy.cost_low), float(remedy.cost_high)
            price = round(float(self.rng.triangular(low, float(remedy.cost_typical), high)), 2)
            if attempt == 0 and self._chance(0.5):
                yield self._later(5), ev.Quoted(firm=self.firm, amount=price, remedy=name)
            done = self._later(22)
            permit = f"P-{self.rng.integers(1000, 9999)}" if remedy.scope == "circuit" else None
            fix = ev.FixReported(
                remedy=name,
                fixed_on=done.date(),
                firm=self.firm,
                worker=WORKERS[self.firm],
                cost=price if self._chance(0.9) else None,
                permit=permit,
                markings=remedy.markings,
            )
            yield done + dt.timedelta(hours=1), fix
            if not self._chance(0.8):
                if self._chance(0.4):
                    words = "three-lamp tester lights as it should; that does not prove it"
                    yield self._later(4), ev.Commented(text=words)
                return
            self.now = done + dt.timedelta(days=1)
            looked = self._later(12)
            wanting = self._chance(FIRMS[self.firm])
            look = _look(looked.date(), condition, remedy, self.raised, wanting)
            if self._chance(0.6):
                look = look.model_copy(update={"firm_of_inspector": "Ambrel & Daughters"})
            if not wanting:
                yield looked, ev.Verified(look=look)
                return
            yield looked, ev.VerificationFailed(look=look)


def _look(
    day: dt.date, before: Condition, remedy: Remedy, raised: ev.Raised, wanting: bool
) -> ev.Look:
    """A look after a repair that holds, or that is found wanting, by a method that can tell."""
    by = {
        DefectFamily.FALSE_GROUND_UPSTREAM: Method.UPSTREAM_BOX_SEEN,
        DefectFamily.POOR_GROUND: Method.NEUTRAL_LIFTED_TEST,
    }
    content: dict[str, object] = {
        "observed_on": day,
        "inspector": "S. Ambrel",
        "method": by.get(FAMILY[before], Method.COVER_OFF_INSPECTION),
        "cover_removed": "yes",
    }
    target = remedy.leaves[before]
    if wanting and FAMILY[before] in (FAMILY[Condition.UNGROUNDED], FAMILY[Condition.FALSE_GROUND]):
        return ev.Look(**content, result=Result.FALSE_GROUND)
    if wanting:
        results = {
            Condition.REVERSED: Result.HOT_NEUTRAL_REVERSED,
            Condition.OPEN_NEUTRAL: Result.OPEN_NEUTRAL,
            Condition.OPEN_HOT: Result.OPEN_HOT,
            Condition.HOT_ON_GROUND: Result.HOT_GROUND_REVERSED,
            Condition.POOR_GROUND: Result.POOR_GROUND,
            Condition.FALSE_GROUND_UPSTREAM: Result.FALSE_GROUND_UPSTREAM,
            Condition.REVERSED_FALSE_GROUND_UPSTREAM: Result.REVERSED_FALSE_GROUND,
            Condition.OPEN_NEUTRAL_UNGROUNDED: Result.OPEN_NEUTRAL,
            Condition.SHARED_NEUTRAL_OPEN: Result.ABNORMAL_VOLTAGE,
        }
        return ev.Look(**content, result=results[before])
    content |= {"neutral_ground_jumper": "no", "polarity": "correct"}
    if target is Condition.GROUNDED:
        content |= {"ground_present": "yes", "ground_path_ohms": 0.2}
        return ev.Look(**content, result=Result.CORRECT)
    content["ground_present"] = "no"
    content["slots"] = raised.slots if remedy.slots_after == "as_it_was" else remedy.slots_after
    if remedy.protected_after == "yes":
        both = len(remedy.markings) == 2
        content |= {"gfci_protected": "yes", "gfci_button_tripped": "yes"}
        content["marking"] = Marking.BOTH if both else remedy.markings[0]
    return ev.Look(**content, result=Result.OPEN_GROUND)

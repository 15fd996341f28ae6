"""The jobs that a plan of repairs chooses among: what each takes away, costs and must be done by.

Harm is the score's: what the score of a building counts, over the years of the plan. A repair
counts from the middle of its year, and takes away what the model holds possible at its openings, as
far as the rule book allows the remedy for it, less what the remedy leaves and the doubt in a proof.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from operator import ge
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipeline.ledger.due import due as due_dates
from pipeline.ledger.remedies import why_refused
from pipeline.ledger.store import Ledger
from pipeline.ledger.triage import with_stakes
from pipeline.planning.grants import Grant
from pipeline.planning.harm_removed import harm_removed
from pipeline.planning.job_prices import JobPrices
from pipeline.planning.repair_choice import (
    BUILDING,
    CIRCUIT,
    DWELLING,
    OPENING,
    Bools,
    Floats,
    Jobs,
)
from pipeline.warehouse.narrowing import Narrowing
from pipeline.warehouse.queries import PROBABILITIES, stakes
from shared.in_words import plural
from shared.remedies import Remedy
from shared.rule_book import RuleBook
from shared.vocabulary import Condition, Slots

DAYS_A_YEAR = 365.25

LEAST_SHARE = 1e-8
"""Share of all harm below which a job at an opening that need not be repaired is left out."""


@dataclass(frozen=True)
class Gathered:
    """The jobs that may be planned and what is to be said of them.

    Attributes:
        jobs: for the choice; harm as a share of all harm over the years of the plan.
        rows: one a job: remedy, label, building_id, unit_id, circuit_id, scope, price_from,
            cost_low, cost_high, p_dangerous.
        openings: one an opening: building_id, unit_id, opening_id, circuit_id, harm (share a year),
            p_dangerous, since (the finding first seen there), conditions.
        findings: open ones: finding_id, building_id, unit_id, opening_id, condition, grade,
            urgent, due_on, due_year, first_seen_on, opening (number or -1), why (why it is not
            planned for; blank where it is).
        total: harm of all buildings a year, as the score counts it.
        scores: buildings with score, score_low, score_high.
        told: what else is to be said.
    """

    jobs: Jobs
    rows: pd.DataFrame
    openings: pd.DataFrame
    findings: pd.DataFrame
    total: float
    scores: pd.DataFrame
    told: tuple[str, ...]


_FINDINGS = ["finding_id", "building_id", "unit_id", "opening_id", "condition", "grade", "urgent",
             "due_on", "due_year", "first_seen_on"]  # fmt: skip


def _findings(
    con: duckdb.DuckDBPyConnection, ledger: Ledger | None, book: RuleBook, day: dt.date
) -> pd.DataFrame:
    """Open findings that stand for a defect, and openings that are urgent without one."""
    frame = pd.DataFrame(columns=_FINDINGS)
    if ledger is not None:
        now = dt.datetime.combine(day, dt.time(12), dt.UTC)
        all_of = due_dates(ledger, book, now)
        some = all_of[all_of["open"] & (all_of["grade"] != "record_in_doubt")]
        some = with_stakes(some, stakes(con, some)).reset_index(drop=True)
        dates = pd.DataFrame({
            "target": pd.to_datetime(some["present_target_on"]),
            "window": pd.to_datetime(some["regulatory_due_at"]).dt.normalize(),
        })  # fmt: skip
        some["due_on"] = dates.min(axis=1)
        days = (some["due_on"] - pd.Timestamp(day)).dt.days
        some["due_year"] = np.maximum(np.floor(days / DAYS_A_YEAR) + 1, 1).fillna(1)
        frame = some[_FINDINGS]
    urgent = con.execute(
        "SELECT b.building_id, u.unit_id, u.opening_id, u.defect AS condition, "
        "u.reported_on AS first_seen_on, u.measured FROM urgent_openings AS u JOIN buildings AS b "
        "USING (building_no) LEFT JOIN reported_fixes AS r USING (building_no, unit_id, opening_id)"
        " WHERE r.building_no IS NULL ORDER BY ALL"
    ).fetchdf()
    place = ["building_id", "unit_id", "opening_id"]
    urgent["condition"] = [each if each in set(Condition) else None for each in urgent["condition"]]
    # what only lamps or people say of a condition is no reason to repair on a guess
    urgent["grade"] = np.where(urgent["measured"].eq(True), "confirmed", "suspected")
    live = frame[frame["urgent"].astype(bool)]
    known = {
        sure: set(each[place].itertuples(index=False, name=None))
        for sure, each in ((False, live), (True, live[live["grade"] == "confirmed"]))
    }
    sure = (urgent["grade"] == "confirmed") & urgent["condition"].notna()
    rows = zip(sure, urgent[place].itertuples(index=False, name=None), strict=True)
    new = np.array([row not in known[told] for told, row in rows], dtype=bool)
    urgent = urgent[new].assign(finding_id="", urgent=True, due_on=pd.Timestamp(day), due_year=1)
    both = [each for each in (frame, urgent[_FINDINGS]) if len(each)]
    frame = pd.concat(both, ignore_index=True) if both else pd.DataFrame(columns=_FINDINGS)
    frame["unit_id"] = frame["unit_id"].fillna("")
    frame["opening_id"] = frame["opening_id"].fillna("")
    return frame


def gather(
    con: duckdb.DuckDBPyConnection, ledger: Ledger | None, book: RuleBook, only: Narrowing,
    *, years: int, day: dt.date, grants: tuple[Grant, ...] = (),
) -> Gathered:  # fmt: skip
    """Put together the jobs that may be planned.

    Args:
        con: a warehouse.
        ledger: findings with dates and prices; None where there is none.
        book: the rule book.
        only: which buildings.
        years: of the plan.
        day: on which it begins.
        grants: sums for some jobs only.
    """
    where, parameters = only.where()
    chosen = f"SELECT building_no FROM narrowed_by WHERE {where}"
    groups = con.execute(
        f"""
        SELECT building_no, row_no, openings, recorded, protection, harm, location_factor, defect,
            p_dangerous, p_live_metal, p_two_slot, p_three_slot, p_other,
            {", ".join(PROBABILITIES)}
        FROM opening_groups WHERE building_no IN ({chosen}) AND openings > 0
        ORDER BY building_no, row_no
        """,
        parameters,
    ).fetchdf()
    scores = con.execute(
        f"""
        SELECT b.building_no, b.building_id, b.year_built, z.dwellings, s.score, s.score_low,
            s.score_high
        FROM buildings AS b JOIN building_scores AS s USING (building_no)
        JOIN building_sizes AS z USING (building_no)
        WHERE b.building_no IN ({chosen}) ORDER BY b.building_no
        """,
        parameters,
    ).fetchdf()
    named = con.execute(
        f"""
        SELECT building_no, building_id, unit_id, opening_id, circuit_id, row_no,
            reported_fixed_on IS NOT NULL AS fixed
        FROM opening_facts WHERE building_no IN ({chosen})
        ORDER BY building_no, unit_id, circuit_id, opening_id
        """,
        parameters,
    ).fetchdf()
    total = float(scores["score"].sum())
    scores["place"] = np.arange(len(scores))
    at = scores.set_index("building_no")
    groups["group"] = np.arange(len(groups))
    groups["at"] = groups["building_no"].map(at["place"])
    # each building's openings share out its score by their harm, so that all adds up to it
    part = groups["harm"] * groups["location_factor"]
    whole = (part * groups["openings"]).groupby(groups["at"]).transform("sum")
    share = part / whole.where(whole > 0, 1.0)
    groups["worth"] = share * groups["building_no"].map(at["score"]) / max(total * years, 1e-300)
    shares, fits = harm_removed(groups, book)
    named = named.merge(groups[["building_no", "row_no", "group", "at", "worth", "p_dangerous"]],
                        on=["building_no", "row_no"])  # fmt: skip
    named["opening"] = np.arange(len(named))
    findings = _findings(con, ledger, book, day)
    findings = findings[findings["building_id"].isin(scores["building_id"])]
    return _Gathering(
        book, JobPrices(book, ledger), groups, scores, named, findings, shares, fits, total, grants,
        years,
    ).all()  # fmt: skip


class _Gathering:
    """Makes jobs, level by level."""

    def __init__(
        self, book: RuleBook, prices: JobPrices, groups: pd.DataFrame, scores: pd.DataFrame,
        named: pd.DataFrame, findings: pd.DataFrame, shares: Floats, fits: Bools, total: float,
        grants: tuple[Grant, ...], years: int,
    ) -> None:  # fmt: skip
        self.book, self.prices, self.groups, self.scores = book, prices, groups, scores
        self.named, self.total, self.grants, self.years = named, total, grants, years
        self.remedies = list(book.remedies.items())
        group = named["group"].to_numpy()
        self.removed = shares[group] * named["worth"].to_numpy()[:, None]
        self.fits = fits[group]
        self.findings = self._placed(findings.reset_index(drop=True))
        self._by_opening()
        units = named["unit_id"].astype(str)
        circuits = named["circuit_id"].astype(object).where(named["circuit_id"].notna(), None)
        own = [f"c{each}" if each is not None else f"o{n}" for n, each in enumerate(circuits)]
        self.dwelling_key = list(zip(named["at"].tolist(), units.tolist(), strict=True))
        self.dwellings = {key: n for n, key in enumerate(dict.fromkeys(self.dwelling_key))}
        circuit_key = list(zip(self.dwelling_key, own, strict=True))
        self.circuits = {key: n for n, key in enumerate(dict.fromkeys(circuit_key))}
        self.circuit = np.array([self.circuits[key] for key in circuit_key], dtype=np.int64)
        self.rows: list[tuple[Any, ...]] = []
        self.covers: list[list[int]] = []

    def _placed(self, findings: pd.DataFrame) -> pd.DataFrame:
        """Findings with the number of their opening and, where none is planned for it, why."""
        number = {
            key: n for n, key in enumerate(
                self.named[["building_id", "unit_id", "opening_id"]].itertuples(
                    index=False, name=None))
        }  # fmt: skip
        keys = findings[["building_id", "unit_id", "opening_id"]].itertuples(index=False, name=None)
        findings["opening"] = [number.get(key, -1) for key in keys]
        dwellings = self.scores.set_index("building_id")["dwellings"]
        why = []
        for row in findings.to_dict(orient="records"):
            if not row["opening_id"]:
                several = 0 if row["unit_id"] else round(float(dwellings[row["building_id"]]))
                why.append(
                    f"it names no dwelling, and the building has {several}: ask which is meant, "
                    "and have it looked at"
                    if several > 1
                    else "it names no opening: have the place looked at"
                )
            elif not isinstance(row["condition"], str):
                why.append("nobody knows what is wrong with the wiring: have it looked at")
            elif row["opening"] < 0:
                why.append("no landed export knows the opening")
            else:
                why.append("")
        findings["why"] = why
        return findings

    def _by_opening(self) -> None:
        size = len(self.named)
        self.due = np.zeros(size, dtype=np.int64)
        self.first = np.zeros(size, dtype=bool)
        self.since = np.full(size, np.inf)
        self.findings_at: list[list[str]] = [[] for _ in range(size)]
        self.conditions: list[list[str]] = [[] for _ in range(size)]
        placed = self.findings[self.findings["why"] == ""]
        slots = np.where(
            self.groups["p_two_slot"].to_numpy()[self.named["group"].to_numpy()] < 0.5,
            Slots.THREE_SLOT, Slots.TWO_SLOT,
        )  # fmt: skip
        fixed = self.named["fixed"].to_numpy(dtype=bool)
        for row in placed.to_dict(orient="records"):
            here = int(row["opening"])
            condition = Condition(row["condition"])
            allowed = np.array([
                why_refused(each, condition, Slots(slots[here])) is None
                for each in self.book.remedies.values()
            ])  # fmt: skip
            seen = self.conditions[here]
            self.fits[here] = self.fits[here] & allowed if seen else allowed
            seen.append(condition.value)
            if row["finding_id"]:
                self.findings_at[here].append(str(row["finding_id"]))
            self.since[here] = min(self.since[here], pd.Timestamp(row["first_seen_on"]).timestamp())
            if row["grade"] != "confirmed":
                continue
            year = 1 if row["urgent"] else int(row["due_year"])
            if year <= self.years:
                self.due[here] = min(self.due[here] or year, year)
            self.first[here] |= bool(row["urgent"])
        # a fix that nobody proved is looked at, not made a second time
        held = fixed & np.array([not each for each in self.conditions], dtype=bool)
        self.fits[held] = False
        self.held = int(held.sum())

    def all(self) -> Gathered:
        """All levels, as jobs."""
        self._openings()
        self._circuits()
        self._dwellings()
        return self._gathered()

    def _add(
        self, name: str, level: int, place: int, openings: list[int], removed: float,
        price: tuple[float, float, float, str], hours: float,
    ) -> None:  # fmt: skip
        self.rows.append((name, level, place, removed, *price, hours))
        self.covers.append(openings)

    def _hours(self, remedy: Remedy) -> float:
        return 0.0 if remedy.hours is None else float(remedy.hours)

    def _openings(self) -> None:
        """Jobs at one opening, also of circuits of which only it is known; worse ones left out."""
        alone = np.bincount(self.circuit, minlength=len(self.circuits))[self.circuit] == 1
        scopes = {True: ("opening", "circuit"), False: ("opening",)}
        least = LEAST_SHARE / self.years
        useful = self.fits & ((self.removed > least) | (self.due > 0)[:, None])
        for here in np.flatnonzero(useful.any(axis=1)).tolist():
            options = []
            for column, (name, remedy) in enumerate(self.remedies):
                if useful[here, column] and remedy.scope in scopes[alone[here]]:
                    price = self.prices.job(name, self.findings_at[here])
                    options.append((float(self.removed[here, column]), -price[0],
                                    -self._hours(remedy), name, remedy.scope, price))  # fmt: skip
            for mine in options:
                worth, _, hours, name, scope, price = mine
                if any(o[:3] != mine[:3] and all(map(ge, o[:3], mine[:3])) for o in options):
                    continue
                level, place = OPENING, here
                if scope == "circuit":
                    level, place = CIRCUIT, int(self.circuit[here])
                self._add(name, level, place, [here], worth, price, -hours)

    def _circuits(self) -> None:
        order = np.argsort(self.circuit, kind="stable")
        ends = np.flatnonzero(np.diff(self.circuit[order], append=-1)) + 1
        start = 0
        for end in ends.tolist():
            members = order[start:end]
            start = end
            if len(members) < 2:
                continue
            for column, (name, remedy) in enumerate(self.remedies):
                if remedy.scope != "circuit":
                    continue
                good = members[self.fits[members, column]]
                removed = float(self.removed[good, column].sum())
                if len(good) and (removed > LEAST_SHARE / self.years or self.due[good].any()):
                    ids = [each for o in good.tolist() for each in self.findings_at[o]]
                    self._add(name, CIRCUIT, int(self.circuit[good[0]]), good.tolist(), removed,
                              self.prices.job(name, ids), self._hours(remedy))  # fmt: skip

    def _dwellings(self) -> None:
        """Whole dwellings and buildings; a remedy of buildings is priced a dwelling where its unit
        says so."""
        entry_hours = float(self.book.looks.entry_minutes) / 60
        of: list[list[int]] = [[] for _ in self.dwellings]
        for opening, key in enumerate(self.dwelling_key):
            of[self.dwellings[key]].append(opening)
        hidden = self.groups[~self.groups["recorded"]].reset_index(drop=True)
        lump = np.zeros((len(self.scores), len(self.remedies)))
        worth = (hidden["worth"] * hidden["openings"]).to_numpy()
        shares = harm_removed(hidden, self.book)[0]
        np.add.at(lump, hidden["at"].to_numpy(np.int64), shares * worth[:, None])
        in_building: list[list[int]] = [[] for _ in range(len(self.scores))]
        for (place, _), number in self.dwellings.items():
            in_building[place].append(number)
        unit_of = {number: key[1] for key, number in self.dwellings.items()}
        for column, (name, remedy) in enumerate(self.remedies):
            if remedy.scope != "building":
                continue
            each_dwelling = "dwelling" in remedy.cost_typical.unit
            for place, row in enumerate(self.scores.to_dict(orient="records")):
                count = int(row["dwellings"])
                built = row["year_built"]
                entry = self.prices.entry(built, False) + self.prices.entry(built, True)
                price = self.prices.job(name, [])
                removed = 0.0
                every: list[int] = []
                refused = False
                for number in in_building[place]:
                    openings = of[number]
                    refused |= any(
                        self.conditions[o] and not self.fits[o, column] for o in openings
                    )
                    mine = float(self.removed[openings, column].sum())
                    removed += mine
                    every += openings
                    if each_dwelling and count > 1 and unit_of[number] and not refused:
                        cost = (price[0] + entry, price[1] + entry, price[2] + entry, price[3])
                        self._add(name, DWELLING, number, openings,
                                  mine + float(lump[place, column]) / count, cost,
                                  self._hours(remedy) + entry_hours)  # fmt: skip
                if refused:
                    continue
                removed += float(lump[place, column])
                times = count if each_dwelling else 1
                more = self.prices.of_job[remedy.opens_walls]
                low, middle, high = (
                    (each - more) * times + more + entry * count
                    for each in (price[1], price[0], price[2])
                )
                if removed > LEAST_SHARE / self.years:
                    self._add(name, BUILDING, place, every, removed,
                              (middle, low, high, price[3]),
                              self._hours(remedy) * times + entry_hours * count)  # fmt: skip

    def _gathered(self) -> Gathered:
        columns = ["remedy", "level", "place", "removed", "cost", "cost_low", "cost_high",
                   "price_from", "hours"]  # fmt: skip
        rows = pd.DataFrame(self.rows, columns=columns)
        named, scores = self.named, self.scores
        dwelling = np.array([self.dwellings[key[0]] for key in self.circuits], dtype=np.int64)
        building = np.array([key[0] for key in self.dwellings], dtype=np.int64)
        built = scores["year_built"].to_list()
        entry = np.array([self.prices.entry(built[b], False) for b in building.tolist()])
        walls = np.array([self.prices.entry(built[b], True) for b in building.tolist()])
        opens = np.array([self.book.remedies[name].opens_walls for name in rows["remedy"]], bool)
        pair_job = np.repeat(np.arange(len(rows)), [len(each) for each in self.covers])
        pair_opening = np.array([o for each in self.covers for o in each], dtype=np.int64)
        weight = np.where(self.due > 0, 1e-6 + named["worth"].to_numpy(), 0.0)
        jobs = Jobs(
            removed=rows["removed"].to_numpy(np.float64), cost=rows["cost"].to_numpy(np.float64),
            hours=rows["hours"].to_numpy(np.float64), level=rows["level"].to_numpy(np.int64),
            place=rows["place"].to_numpy(np.int64), pair_job=pair_job, pair_opening=pair_opening,
            circuit=self.circuit, dwelling=dwelling, building=building, walls=opens,
            entry_cost=entry, walls_cost=walls,
            entry_hours=np.full(len(building), float(self.book.looks.entry_minutes) / 60),
            due=self.due, first=self.first & (self.due > 0), weight=weight,
            granted=np.zeros((len(rows), 0), dtype=bool),
        )  # fmt: skip
        at = jobs.building_of() if len(rows) else np.zeros(0, dtype=np.int64)
        rows["building_id"] = scores["building_id"].to_numpy()[at]
        in_dwelling = jobs.dwelling_of()
        in_dwelling = np.where(jobs.level == DWELLING, jobs.place, in_dwelling)
        units = [key[1] for key in self.dwellings]
        rows["unit_id"] = [units[d] if d >= 0 else None for d in in_dwelling.tolist()]
        known = named["circuit_id"].astype(object).where(named["circuit_id"].notna(), None).tolist()
        rows["circuit_id"] = [
            known[each[0]] if level in (OPENING, CIRCUIT) else None
            for each, level in zip(self.covers, rows["level"], strict=True)
        ]
        safe = np.ones(len(rows))
        chances = named["p_dangerous"].to_numpy(np.float64)
        np.multiply.at(safe, pair_job, 1 - chances[pair_opening])
        rows["p_dangerous"] = 1 - safe
        granted = np.array([
            [(not g.remedies or name in g.remedies) and (not g.buildings or b in g.buildings)
             for g in self.grants]
            for name, b in zip(rows["remedy"], rows["building_id"], strict=True)
        ], dtype=bool).reshape(len(rows), len(self.grants))  # fmt: skip
        openings = named[["building_id", "unit_id", "opening_id", "circuit_id", "p_dangerous"]]
        openings = openings.assign(harm=named["worth"], since=self.since)
        told = []
        if self.held:
            told.append(
                f"{self.held} openings have a reported fix that nobody proved: they are looked at, "
                "not repaired a second time, and stay in the harm that is left."
            )
        if bare := len(scores) - named["at"].nunique():
            told.append(
                f"No opening is recorded in {plural(bare, 'building')}: only repairs of whole "
                "buildings can be planned there."
            )
        unknown_year = int(scores["year_built"].isna().sum())
        if unknown_year:
            told.append(
                f"The year of {unknown_year} buildings is not known: precautions that hang on it "
                "are counted there."
            )
        return Gathered(replace(jobs, granted=granted), rows, openings, self.findings, self.total,
                        scores, tuple(told))  # fmt: skip

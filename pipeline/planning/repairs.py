"""A plan of repairs: which remedy for which opening, circuit, dwelling or building, in which year.

Beside it stand simple orders under the same terms, harm left against money, which decisions should
wait for a look, and which stand whatever is assumed.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from pipeline.evidence.likelihood import likelihoods_of
from pipeline.ledger.store import Ledger
from pipeline.ledger.sync import pending_findings
from pipeline.planning.asked import check_asked, unknown_buildings
from pipeline.planning.enough import detection_of
from pipeline.planning.grants import Grant
from pipeline.planning.repair_choice import (
    BUILDING,
    CIRCUIT,
    DWELLING,
    OPENING,
    Choice,
    Floats,
    Ints,
    Jobs,
    Terms,
)
from pipeline.planning.repair_jobs import LEAST_SHARE, Gathered, gather
from pipeline.planning.repair_search import IN_ONE, SOLVER_SECONDS, choose, required
from pipeline.warehouse.frames import records
from pipeline.warehouse.narrowing import Narrowing
from shared.faults import CoverplateError
from shared.in_words import count, plural
from shared.rule_book import RuleBook
from shared.vocabulary import Method

LOOKS_FIRST = 20
"""Decisions for which it is said what a look beforehand is worth."""

QUICK_SECONDS = 2.0
"""Time limit of a programme where many plans are made."""

STEPS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
"""Budgets of the frontier, in times the one asked for."""

RIVALS = {
    "worst_first": "the opening of most harm first",
    "cheapest_first": "the cheapest repair first",
    "oldest_first": "the finding first seen longest ago first",
}
"""Simple orders; each keeps to the same money, hours, dates and grants, and takes at each opening
the cheapest remedy that is allowed."""

HARM_UNIT = "score × years: death equivalents per million years, times years"
"""Unit of harm over the years of a plan."""

PLAN_TOLD = (
    "Harm is the score, added up over the years of the plan; a repair counts from the middle of "
    "its year. An entry is paid once a dwelling and year; a circuit of which nobody knows what "
    "hangs on it is paid for one opening. What is likely but not seen is planned by its chance."
)
"""What is to be said beside a plan."""

LEVELS = {OPENING: "opening", CIRCUIT: "circuit", DWELLING: "dwelling", BUILDING: "building"}

ASSUMPTIONS = {
    "costs_low": "all costs at the rule book's low",
    "costs_high": "all costs at the rule book's high",
    "efficacy_low": "patches take away a fifth less, rewiring a twentieth less",
    "danger_low": "every building's harm at the low end of its interval",
    "danger_high": "every building's harm at the high end of its interval",
    "hours_fewer": "a quarter fewer electrician hours",
    "hours_more": "a quarter more electrician hours",
}
"""What is tried, and in which words. The sizes are judgement, the ends are the rule book's and the
model's own."""


@dataclass(frozen=True)
class RepairPlan:
    """A plan and what stands beside it.

    Attributes:
        jobs: one row a job: year, building_id, unit_id, circuit_id, opening_ids, scope, remedy,
            label, conditions (found or suspected there), cost (of the job, from grants too;
            entries of dwellings apart), price_from, hours, harm_removed (``HARM_UNIT``),
            p_dangerous, must (first, due or blank), due_on, done_by (the soonest day by which what
            must be repaired is due, up to the year's end: in time only if done by then, late where
            it is before the year begins; missing where no such day lies in it), finding_ids;
            with assumptions tried, stands_in (of how many it stays) and stands. In a year, what
            must be done stands in order of these days.
        unable: findings not repaired in time: finding_id, place, condition, urgent, due_on, why.
        years: one row a year: money, spent, grants, hours, hours_spent.
        rivals: order, told, harm_left, cost, must_met of must (openings repaired in the year in
            which they are due, or before), first_share and due_share (of the harm at what comes
            first, and at what else is due, that is: plans are compared by these, then by harm);
            the plan and the bound among them.
        looks: decisions to look at first: what a look is worth against what it costs.
        frontier: budget a year, harm_left, cost, gap; None where not asked for.
        assumptions: assumption, told, harm_left, change, kept (share of decisions); likewise.
        harm_total, harm_left, bound_left: over the years of the plan.
        gap: of the plan against the bound.
        made_by, told: how it was made and what is to be said.
    """

    jobs: pd.DataFrame
    unable: pd.DataFrame
    years: pd.DataFrame
    rivals: pd.DataFrame
    looks: pd.DataFrame
    frontier: pd.DataFrame | None
    assumptions: pd.DataFrame | None
    harm_total: float
    harm_left: float
    bound_left: float
    gap: float
    made_by: str
    told: tuple[str, ...]


def each_year(given: Sequence[float] | None, years: int, what: str) -> Floats:
    """One number a year out of none (endless), one, or one a year.

    Raises:
        CoverplateError: there are more or fewer.
    """
    if not given:
        return np.full(years, np.inf)
    if len(given) not in (1, years):
        raise CoverplateError(
            f"{len(given)} numbers for {what}, and {years} years",
            expected="one number, or one a year",
            to_do="give them with commas between, or change --years",
        )
    return np.array([*given] * (years if len(given) == 1 else 1), dtype=np.float64)


def plan_repairs(
    con: duckdb.DuckDBPyConnection, ledger: Ledger | None, book: RuleBook, only: Narrowing,
    *, budget: Sequence[float] | None = None, hours: Sequence[float] | None = None,
    years: int = 3, grants: tuple[Grant, ...] = (), day: dt.date | None = None,
    frontier: bool = False, assumptions: bool = False, seconds: float = SOLVER_SECONDS,
) -> RepairPlan:  # fmt: skip
    """Plan the repairs of some years.

    Args:
        con: a warehouse.
        ledger: findings with dates and prices; None where there is none.
        book: the rule book.
        only: which buildings.
        budget: money a year, one number or one a year; endless where None.
        hours: electrician's hours a year, likewise.
        years: how many.
        grants: sums for some jobs only.
        day: on which the first year begins; today by default.
        frontier: whether other budgets are planned too.
        assumptions: whether it is tried what stands under other assumptions.
        seconds: time limit of a programme.

    Raises:
        CoverplateError: hours are limited and the rule book does not say how long a remedy takes;
            a building is not known, or none answers; the day is far off.
    """
    missing = [name for name, each in book.remedies.items() if each.hours is None]
    if hours and missing:
        raise CoverplateError(
            f"the rule book does not say how many hours {', '.join(missing)} takes",
            expected="hours = { value, unit, source } under [remedies.NAME]",
            to_do="add them to your rule book, or leave --electrician-hours out",
        )
    when = day or dt.date.today()
    check_asked(con, only, when)
    paid_for = [building for grant in grants for building in grant.buildings]
    if unknown := unknown_buildings(con, paid_for):
        raise CoverplateError(
            f"a grant names buildings that nobody knows: {', '.join(map(repr, unknown))}",
            expected="identifiers as exports write them",
            to_do="correct the file of grants; nothing was planned",
        )
    got = gather(con, ledger, book, only, years=years, day=when, grants=grants)
    terms = Terms(
        weights=np.arange(years, 0, -1, dtype=np.float64) - 0.5,
        money=each_year(budget, years, "--budget"),
        hours=each_year(hours, years, "--electrician-hours"),
        grants=np.array([each.amount for each in grants], dtype=np.float64),
    )
    met = required(got.jobs, terms, seconds)
    found = choose(got.jobs, terms, met, seconds)
    rivals = {name: _rival(got, terms, name) for name in RIVALS}
    best, by = found, found.by
    for name, each in rivals.items():
        if each.standing() > best.standing():
            best, by = each, RIVALS[name]
    if best.standing()[:2] != found.standing()[:2]:
        # a bound holds for what repairs the same in time
        same = np.zeros(len(met), dtype=bool)
        same[sorted(best.met())] = True
        found = choose(got.jobs, terms, same, seconds)
        if found.standing() >= best.standing():
            best, by = found, found.by
    bound = max(found.bound, best.removed)
    harm = got.total * years
    left = 1.0 - best.removed
    told = [*got.told, *_not_in_ledger(con, ledger, book, set(got.scores["building_id"]))]
    jobs, unable = _rows(got, best, book, harm, when), _unable(got, best, when, years)
    tried = None
    if assumptions:
        tried, kept = _assumptions(got, terms, best, harm, jobs.index.to_list())
        jobs["stands_in"], jobs["stands"] = kept, kept == len(tried)
    return RepairPlan(
        jobs=jobs,
        unable=unable,
        years=_years(best, when),
        rivals=_beside(got, best, by, rivals, bound, harm),
        looks=_looks_first(got, best, book, harm),
        frontier=_frontier(got, terms, best, harm) if frontier else None,
        assumptions=tried,
        harm_total=harm,
        harm_left=harm * left,
        bound_left=harm * (1.0 - bound),
        gap=max((bound - best.removed) / bound, 0.0) if bound > LEAST_SHARE else 0.0,
        made_by=by,
        told=tuple(told),
    )


def _not_in_ledger(
    con: duckdb.DuckDBPyConnection, ledger: Ledger | None, book: RuleBook, buildings: set[str]
) -> list[str]:
    """What the ledger does not know yet, and so has no date and perhaps no place in the plan."""
    new = [
        each for each in pending_findings(con, ledger, book)
        if each.building_id in buildings and each.grade != "record_in_doubt"
    ]  # fmt: skip
    if not new:
        return []
    papers = sum(not each.opening_id for each in new)
    sure = sum(bool(each.opening_id) and each.grade == "confirmed" for each in new)
    parts = [
        plural(papers, "of a paper that names no opening", "of papers that name no opening"),
        f"{count(sure)} confirmed",
        f"{count(len(new) - papers - sure)} suspected",
    ]
    listed = ", ".join(part for part in parts if not part.startswith("0 "))
    return [
        f"{plural(len(new), 'finding is', 'findings are')} not in the ledger yet ({listed}): no "
        "due date is known of them, and of papers nothing is planned. Only what is urgent at an "
        "opening comes first all the same. Run `coverplate findings sync`, then plan again."
    ]


def _rival(got: Gathered, terms: Terms, order: str) -> Choice:
    """A simple order: what must come first in it, then what is due, then the rest."""
    jobs = got.jobs
    cheapest: dict[int, int] = {}
    patches = np.flatnonzero(jobs.level <= CIRCUIT)
    for job in patches[np.argsort(jobs.cost[patches], kind="stable")].tolist():
        for opening in jobs.lists.openings[job]:
            cheapest.setdefault(opening, job)
    opening = np.array([*cheapest], dtype=np.int64)
    job = np.array([*cheapest.values()], dtype=np.int64)
    harm = got.openings["harm"].to_numpy(np.float64)[opening]
    since = got.openings["since"].to_numpy(np.float64)[opening]
    keys = {
        "worst_first": (-harm,),
        "cheapest_first": (-harm, jobs.cost[job]),
        "oldest_first": (-harm, since),
    }[order]
    must = np.where(jobs.due[opening] == 0, 2, np.where(jobs.first[opening], 0, 1))
    line = np.lexsort((*keys, must))
    found = Choice(jobs, terms, by=RIVALS[order])
    found.filled(job[line][must[line] < 2].tolist(), due=True)
    return found.filled(job[line].tolist())


def _openings_text(got: Gathered, listed: list[int]) -> list[str]:
    return got.openings["opening_id"].iloc[listed].astype(str).tolist()


def _rows(got: Gathered, best: Choice, book: RuleBook, harm: float, day: dt.date) -> pd.DataFrame:
    """One row a job of a choice, by year and place."""
    jobs = got.jobs
    openings = jobs.lists.openings
    at: dict[int, list[dict[str, Any]]] = {}
    for each in records(got.findings):
        at.setdefault(int(each["opening"]), []).append(each)
    rows = []
    names = got.openings["opening_id"].astype(str).tolist()
    every = records(got.rows.iloc[[*best.year]])
    for (job, year), row in zip(best.year.items(), every, strict=True):
        here = [each for o in openings[job] for each in at.get(o, [])]
        dates = [each["due_on"] for each in here if not pd.isna(each["due_on"])]
        due = [o for o in openings[job] if jobs.due[o]]
        must = "" if not due else "first" if any(jobs.first[o] for o in due) else "due"
        ends = pd.Timestamp(day) + pd.DateOffset(years=year + 1)
        within = [
            each["due_on"] for each in here
            if each["grade"] == "confirmed" and not pd.isna(each["due_on"])
            and each["due_on"] < ends
        ]  # fmt: skip
        rows.append({
            "year": year + 1, "building_id": row["building_id"], "unit_id": row["unit_id"],
            "circuit_id": row["circuit_id"],
            "opening_ids": [names[o] for o in openings[job]],
            "scope": LEVELS[int(row["level"])], "remedy": row["remedy"],
            "label": book.remedies[str(row["remedy"])].label,
            "conditions": sorted(
                {c for each in here if isinstance(c := each["condition"], str)}
            ),
            "cost": round(float(row["cost"]), 2), "price_from": row["price_from"],
            "hours": float(row["hours"]),
            "harm_removed": harm * float(best.terms.weights[year] * jobs.removed[job]),
            "p_dangerous": float(row["p_dangerous"]), "must": must,
            "due_on": min(dates).date() if dates else None,
            "done_by": min(within).date() if within and must else None,
            "finding_ids": [each["finding_id"] for each in here if each["finding_id"]],
            "job": job,
        })  # fmt: skip
    columns = ["year", "building_id", "unit_id", "circuit_id", "opening_ids", "scope", "remedy",
               "label", "conditions", "cost", "price_from", "hours", "harm_removed",
               "p_dangerous", "must", "due_on", "done_by", "finding_ids", "job"]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns)
    for name in ("unit_id", "circuit_id"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
    frame["rank"] = frame["must"].map({"first": 0, "due": 1, "": 2})
    frame["soonest"] = pd.to_datetime(frame["done_by"])
    frame = frame.sort_values(
        ["year", "rank", "soonest", "harm_removed", "job"],
        ascending=[True, True, True, False, True],
    ).drop(columns="soonest")
    return frame.drop(columns="rank").set_index("job")


def _unable(got: Gathered, best: Choice, day: dt.date, years: int) -> pd.DataFrame:
    """Findings that the plan does not repair in time, each with why."""
    done: dict[int, int] = {}
    openings = got.jobs.lists.openings
    for job, year in best.year.items():
        done |= dict.fromkeys(openings[job], year + 1)
    repairable = set(got.jobs.pair_opening.tolist())
    rows = []
    for row in got.findings.to_dict(orient="records"):
        opening = int(row["opening"])
        limit = 1 if row["urgent"] else int(row["due_year"])
        when = done.get(opening)
        guessed = row["urgent"] and row["grade"] == "suspected"
        if not row["why"] and when is not None and when <= limit and not guessed:
            continue
        why = row["why"]
        if not why and row["grade"] != "confirmed":
            why = "suspected only: a look able to tell comes before a repair"
        elif not why and opening not in repairable:
            why = "no remedy of the rule book takes it away"
        elif not why and limit > years:
            continue
        elif not why:
            why = "money or hours do not suffice in time"
        if when is not None:
            why += f"; planned in year {when}"
        rows.append({
            "finding_id": row["finding_id"] or None, "building_id": row["building_id"],
            "unit_id": row["unit_id"] or None, "opening_id": row["opening_id"] or None,
            "condition": row["condition"], "urgent": bool(row["urgent"]),
            "due_on": None if pd.isna(row["due_on"]) else pd.Timestamp(row["due_on"]).date(),
            "why": why,
        })  # fmt: skip
    columns = ["finding_id", "building_id", "unit_id", "opening_id", "condition", "urgent",
               "due_on", "why"]  # fmt: skip
    frame = pd.DataFrame(rows, columns=columns)
    for name in ("finding_id", "unit_id", "opening_id", "condition"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
    return frame.sort_values(["urgent", "due_on"], ascending=[False, True], kind="stable")


def _years(best: Choice, day: dt.date) -> pd.DataFrame:
    money, hours = best.spent()
    limits = best.terms.money
    own = np.subtract(limits, best.money, out=money.copy(), where=np.isfinite(limits))
    return pd.DataFrame({
        "year": np.arange(1, best.terms.years + 1),
        "begins": [(pd.Timestamp(day) + pd.DateOffset(years=n)).date()
                   for n in range(best.terms.years)],
        "budget": best.terms.money, "cost": money.round(2), "from_grants": (money - own).round(2),
        "hours_limit": best.terms.hours, "hours": hours,
        "jobs": np.bincount([*best.year.values()], minlength=best.terms.years),
    })  # fmt: skip


def _beside(
    got: Gathered, best: Choice, by: str, rivals: dict[str, Choice], bound: float, harm: float
) -> pd.DataFrame:
    """The plan, simple orders, and what nothing can beat."""
    jobs = got.jobs
    due = int((jobs.due > 0).sum())
    whole = [float(jobs.weight[jobs.first == first].sum()) for first in (True, False)]

    def share(each: Choice, part: int) -> float:
        return each.standing()[part] / whole[part] if whole[part] > 0 else 1.0

    rows = [("this plan", f"by {by}", best), *((n, RIVALS[n], c) for n, c in rivals.items())]
    told = [
        {
            "order": name, "told": words, "harm_left": harm * (1 - each.removed),
            "cost": float(each.spent()[0].sum().round(2)), "must_met": len(each.met()),
            "must": due, "first_share": share(each, 0), "due_share": share(each, 1),
        }
        for name, words, each in rows
    ]  # fmt: skip
    told.append({"order": "bound", "told": "no plan of this kind leaves less",
                 "harm_left": harm * (1 - bound), "cost": None, "must_met": None,
                 "must": due, "first_share": None, "due_share": None})  # fmt: skip
    return pd.DataFrame(told)


def _frontier(got: Gathered, terms: Terms, best: Choice, harm: float) -> pd.DataFrame:
    """Harm left for other budgets a year; without a budget, for shares of what all would cost."""
    base = terms.money
    if not np.isfinite(base).all():
        whole = choose(got.jobs, terms, seconds=QUICK_SECONDS, polish=False)
        base = np.full(terms.years, whole.spent()[0].sum() / terms.years / 2)
    rows = []
    found = None
    for step in STEPS:
        before = [each for each in (found, best if step >= 1 and base is terms.money else None)
                  if each is not None]  # fmt: skip
        each = replace(terms, money=base * step)
        found = choose(got.jobs, each, seconds=QUICK_SECONDS, polish=False)
        bound = found.bound
        # more money allows all that less money allows
        found = max([found, *before], key=Choice.standing)
        bound = max(bound, found.removed)
        rows.append({
            "budget": float((base * step).mean()), "cost": float(found.spent()[0].sum().round(2)),
            "harm_left": harm * (1 - found.removed), "bound_left": harm * (1 - bound),
            "must_met": len(found.met()),
            "gap": (bound - found.removed) / bound if bound > 0 else 0.0,
        })  # fmt: skip
    return pd.DataFrame(rows)


def _looks_first(got: Gathered, best: Choice, book: RuleBook, harm: float) -> pd.DataFrame:
    """Decisions that a look beforehand may change: what it saves against what it costs.

    A job is worth doing where it takes away more than its money takes away elsewhere (the least
    efficient job of the plan that need not be done). After a look that settles whether there is
    anything to repair it is done only where there is. The look finds it as often as the rule book
    lets its method.
    """
    jobs, weights = got.jobs, best.terms.weights
    likelihoods = likelihoods_of(book)
    method = max(
        (each for each in Method),
        key=lambda m: (round(detection_of(likelihoods, m), 1), -float(book.looks.minutes[m])),
    )
    finds = detection_of(likelihoods, method)
    short = np.isfinite(best.terms.money).any() or np.isfinite(best.terms.hours).any()
    taken = np.array([*best.year], dtype=np.int64)
    must = np.zeros(len(jobs), dtype=bool)
    must[jobs.pair_job[jobs.due[jobs.pair_opening] > 0]] = True
    free = taken[~must[taken]]
    year = np.zeros(len(jobs), dtype=np.int64)
    year[taken] = [*best.year.values()]
    worth = weights[year] * jobs.removed
    rate = float((worth[free] / np.maximum(jobs.cost[free], 1e-9)).min()) if len(free) else 0.0
    rate = rate if short else 0.0
    openings = jobs.lists.openings
    repaired = {o for job in best.year for o in openings[job]}
    passed = np.array([
        job for job, here in enumerate(openings)
        if jobs.level[job] <= CIRCUIT and not repaired.intersection(here)
    ], dtype=np.int64)  # fmt: skip
    chance = np.clip(got.rows["p_dangerous"].to_numpy(np.float64), 1e-9, 1.0)
    entry = np.zeros(len(jobs))
    dwelling = jobs.dwelling_of()
    entry[dwelling >= 0] = jobs.entry_cost[dwelling[dwelling >= 0]]
    gain_now = np.maximum(worth - rate * jobs.cost, 0.0)
    with_look = chance * finds * np.maximum(worth / chance - rate * jobs.cost, 0.0)
    saved = np.where(np.isin(np.arange(len(jobs)), free), (1 - chance) * finds * jobs.cost, 0.0)
    harm_gain = np.maximum(with_look - gain_now - rate * entry, 0.0)
    number = np.bincount(jobs.pair_job, minlength=len(jobs))
    some = np.concatenate([free, passed])
    some = some[jobs.level[some] <= CIRCUIT]
    use = saved[some] - entry[some] + np.where(rate > 0, harm_gain[some] / max(rate, 1e-300), 0.0)
    order: list[int] = []
    seen: set[tuple[int, ...]] = set()
    for job in some[np.argsort(-use, kind="stable")].tolist():
        if len(order) < LOOKS_FIRST and (key := tuple(openings[job])) not in seen:
            seen.add(key)
            order.append(job)
    rows = [
        {
            "building_id": got.rows["building_id"].iloc[job],
            "unit_id": got.rows["unit_id"].iloc[job],
            "opening_ids": _openings_text(got, openings[job]),
            "remedy": got.rows["remedy"].iloc[job], "planned": job in best.year,
            "cost": float(jobs.cost[job]), "p_dangerous": float(chance[job]),
            "method": method.value, "finds": finds,
            "look_minutes": float(book.looks.minutes[method]) * int(number[job]),
            "look_cost": float(entry[job]), "expected_saved": float(saved[job]),
            "harm_gained": harm * float(harm_gain[job]),
            "worth_it": bool(saved[job] > entry[job] or harm_gain[job] > 0),
        }
        for job in order
    ]  # fmt: skip
    columns = ["building_id", "unit_id", "opening_ids", "remedy", "planned", "cost", "p_dangerous",
               "method", "finds", "look_minutes", "look_cost", "expected_saved", "harm_gained",
               "worth_it"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _assumed(got: Gathered, terms: Terms, name: str) -> tuple[Jobs, Terms]:
    """The jobs and terms under another assumption."""
    jobs = got.jobs
    if name in ("costs_low", "costs_high"):
        cost = got.rows["cost_low" if name == "costs_low" else "cost_high"].to_numpy(np.float64)
        return replace(jobs, cost=cost), terms
    if name == "efficacy_low":
        rewired = got.rows["remedy"].str.contains("rewired").to_numpy(dtype=bool)
        return replace(jobs, removed=jobs.removed * np.where(rewired, 0.95, 0.8)), terms
    if name in ("danger_low", "danger_high"):
        scores = got.scores
        end = scores["score_low" if name == "danger_low" else "score_high"]
        times = (end / scores["score"].where(scores["score"] > 0, 1.0)).to_numpy(np.float64)
        return replace(jobs, removed=jobs.removed * times[jobs.building_of()]), terms
    return jobs, replace(terms, hours=terms.hours * (0.75 if name == "hours_fewer" else 1.25))


def _assumptions(
    got: Gathered, terms: Terms, best: Choice, harm: float, order: list[int]
) -> tuple[pd.DataFrame, Ints]:
    """Plans under other assumptions; in how many each job of the plan stays.

    A job stays where the other plan repairs the same openings with the same remedy, in any year.
    """
    tried = [n for n in ASSUMPTIONS if np.isfinite(terms.hours).any() or "hours" not in n]
    kept = np.zeros(len(order), dtype=np.int64)
    rows = []
    quick = len(got.jobs) * terms.years <= IN_ONE
    for name in tried:
        jobs, other = _assumed(got, terms, name)
        found = choose(jobs, other, seconds=QUICK_SECONDS, polish=quick)
        stays = np.array([job in found.year for job in order], dtype=bool)
        kept += stays
        scores = got.scores
        all_harm = harm
        if name.startswith("danger"):
            end = "score_low" if name == "danger_low" else "score_high"
            all_harm = harm * float(scores[end].sum()) / max(float(scores["score"].sum()), 1e-300)
        left = all_harm - harm * found.removed
        rows.append({
            "assumption": name, "told": ASSUMPTIONS[name], "harm_left": left,
            "change": left - harm * (1 - best.removed),
            "kept": float(stays.mean()) if len(stays) else 1.0,
        })  # fmt: skip
    frame = pd.DataFrame(rows).sort_values("change", key=abs, ascending=False, kind="stable")
    return frame.reset_index(drop=True), kept


def prices_told(found: RepairPlan) -> str:
    """Whose prices the total of a plan is made of, as a sentence."""
    by = found.jobs.groupby("price_from", sort=False)["cost"].sum()
    shares = "; ".join(f"{money:,.2f} {whose}" for whose, money in by.items())
    entries = float(found.years["cost"].sum()) - float(by.sum())
    return (
        f"Prices: {shares or 'none'}; {entries:,.2f} entries of dwellings and what comes with "
        "them, by the rule book's cost lines. Put in your own: quotes in the ledger, costs in the "
        "rule book."
    )


def harm_told(found: RepairPlan) -> tuple[str, ...]:
    """How much harm a plan takes away for what money; then simple orders and the bound beside."""
    total = found.harm_total
    if not total > 0:
        return ("No harm is expected there: nothing is to be planned.",)
    orders = found.rivals.set_index("order")
    plan = orders.loc["this plan"]
    rival = orders.loc[[*RIVALS]].sort_values(
        ["first_share", "due_share", "harm_left"], ascending=[False, False, True], kind="stable"
    ).iloc[0]  # fmt: skip
    away = total - found.harm_left
    # rounded down, so that no remainder is told away
    return (
        f"{int(100 * away / total)} % of the expected harm is taken away for "
        f"{found.years['cost'].sum():,.2f}: {_figure(away)} of {_figure(total)} ({HARM_UNIT}). "
        f"{plan['must_met']:.0f} of {plan['must']} openings that must be repaired are repaired "
        f"in the year in which they are due{_by_harm(found.rivals)}.{in_time_told(found)}",
        f"The best simple order, {rival['told']}, takes away {_figure(total - rival['harm_left'])} "
        f"for {rival['cost']:,.2f} ({rival['must_met']:.0f} in the year in which they are due). No "
        "plan of this kind takes "
        f"away more than {_figure(total - found.bound_left)} (gap {100 * found.gap:.2g} %). Made "
        f"by {found.made_by}.",
    )


def in_time_told(found: RepairPlan) -> str:
    """What within its year decides whether a job is in time; blank where nothing does."""
    jobs = found.jobs[found.jobs["done_by"].notna()]
    past = jobs["done_by"] < jobs["year"].map(found.years.set_index("year")["begins"])
    told = ""
    if not past.all():
        soonest = jobs.loc[~past, "done_by"].min()
        jobs_in_time = plural(int((~past).sum()), "job is", "jobs are")
        told += (
            f" {jobs_in_time} in time only if done by a day within the year, the soonest by "
            f"{soonest}: the plan sets years, no days."
        )
    if past.any():
        told += (
            f" {plural(int(past.sum()), 'job is', 'jobs are')} late: due before its year begins."
        )
    return told


def must_told(row: Mapping[str, Any], begins: dt.date) -> str:
    """When a job must be done whose year begins on a day; blank where it need not be."""
    by = row["done_by"]
    if not row["must"]:
        return ""
    if by is None or pd.isna(by):
        return f"due {row['due_on']}"
    return f"late: was due {by}" if by < begins else f"in time if done by {by}"


def _by_harm(rivals: pd.DataFrame) -> str:
    """How much of the harm at what must be repaired is in time, where not all is."""
    plan = rivals[rivals["order"] == "this plan"].iloc[0]
    if plan["must_met"] >= plan["must"]:
        return ""
    first, due = (math.floor(100 * plan[each]) for each in ("first_share", "due_share"))
    return f", {first} % of the harm of what comes first and {due} % of what else is due"


def frontier_told(found: RepairPlan) -> str:
    """What other budgets would leave, as a sentence; blank where none was planned."""
    if found.frontier is None:
        return ""
    rows = found.frontier
    half, base, twice = (rows.iloc[STEPS.index(step)] for step in (0.5, 1.0, 2.0))
    # as good as the most money, to a hundredth of all harm
    little = found.harm_total / 100
    beyond = (rows["harm_left"] - rows["harm_left"].iloc[-1]).abs() > little
    enough = rows.iloc[int(np.flatnonzero(beyond).max(initial=-1)) + 1]
    told = (
        f"{base['budget']:,.0f} a year leaves {_figure(base['harm_left'])} of "
        f"{_figure(found.harm_total)}, half of it {_figure(half['harm_left'])}, twice as much "
        f"{_figure(twice['harm_left'])}."
    )
    if enough["budget"] < rows["budget"].iloc[-1]:
        told += (
            f" From {enough['budget']:,.0f} to {rows['budget'].iloc[-1]:,.0f} a year, less than a "
            "hundredth of all harm is taken away on top."
        )
    worse = rows["harm_left"].diff() > 1e-9 * found.harm_total
    for place in np.flatnonzero(worse).tolist():
        less, more = rows["budget"].iloc[place - 1], rows["budget"].iloc[place]
        told += (
            f" {more:,.0f} a year leaves more harm than {less:,.0f}: it repairs what is urgent or "
            "due, which comes first, instead of what takes away more."
        )
    return told


def _figure(harm: float) -> str:
    return f"{harm:,.0f}" if abs(harm) >= 1000 else f"{harm:.3g}"


def by_building(jobs: pd.DataFrame) -> pd.DataFrame:
    """The jobs of a plan by year and building: what must come first leads to its building.

    Returns:
        year, building_id, jobs, remedies ("2 × label; …"), cost (without entries), price_from,
        hours, harm_removed, urgent and due (jobs).
    """

    def counted(labels: pd.Series) -> str:
        return "; ".join(f"{n} × {label}" for label, n in labels.value_counts().items())

    found = jobs.groupby(["year", "building_id"], sort=False).agg(
        jobs=("label", "size"), remedies=("label", counted), cost=("cost", "sum"),
        price_from=("price_from", lambda each: "; ".join(each.unique())),
        hours=("hours", "sum"), harm_removed=("harm_removed", "sum"),
        urgent=("must", lambda must: int((must == "first").sum())),
        due=("must", lambda must: int((must == "due").sum())),
    )  # fmt: skip
    return found.reset_index()


def as_written(jobs: pd.DataFrame) -> pd.DataFrame:
    """The jobs of a plan for a file: lists are texts."""
    return jobs.assign(
        opening_ids=jobs["opening_ids"].str.join("; "),
        finding_ids=jobs["finding_ids"].str.join("; "),
        conditions=jobs["conditions"].str.join("; "),
    )

"""In which order findings are looked through: what endangers most people soonest stands first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from pipeline.ledger.families import URGENT_FAMILIES
from pipeline.offline import scratch
from shared.faults import CoverplateError
from shared.remedies import SeverityClass


@dataclass(frozen=True)
class Order:
    """An order of findings.

    Attributes:
        name: what people choose it by.
        told: in one line what stands first.
        sql: the ORDER BY expression over ``with_stakes``.
    """

    name: str
    told: str
    sql: str


_LAST = "building_id, unit_id, opening_id, finding_id"

ORDERS: dict[str, Order] = {
    "danger": Order(
        "danger",
        "urgent first, then by the chance that the opening is dangerous, the people in the "
        "building, those of them who are vulnerable, and the days past the first target",
        "urgent DESC, chance DESC NULLS LAST, people DESC NULLS LAST, "
        "vulnerable DESC NULLS LAST, days_late DESC",
    ),
    "people": Order(
        "people in the building",
        "urgent first, then by the people in the building, those of them who are vulnerable, and "
        "the chance that the opening is dangerous",
        "urgent DESC, people DESC NULLS LAST, vulnerable DESC NULLS LAST, "
        "chance DESC NULLS LAST, days_late DESC",
    ),
    "late": Order(
        "days late", "longest past the first target first", "days_late DESC, urgent DESC"
    ),
    "target": Order(
        "first target",
        "overdue first, then by the first target",
        "overdue DESC, first_target_on",
    ),
    "building": Order(
        "building",
        "building by building, urgent first in each",
        "building_id, urgent DESC, chance DESC NULLS LAST, days_late DESC",
    ),
}
"""Orders by key, the usual one of what is overdue first."""


def with_stakes(
    findings: pd.DataFrame,
    stakes: pd.DataFrame | None = None,
    doubts: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Return findings with what triage goes by, in the same order.

    Args:
        findings: the columns of ``due.due``.
        stakes: ``queries.stakes`` of their places; None where nothing was built.
        doubts: ``landed_looks.proofs_in_doubt``; None where nothing was built.

    Returns:
        The columns given and urgent (the opening is, or the finding is of the gravest severity
        and not only inferred, or of an urgent family, and stands: of what was set aside or is no
        longer indicated the opening alone tells; what is proven repaired only is where its proof
        is in doubt), on_urgent_list (the opening stands on the list of urgent openings), chance
        (that
        the opening is dangerous, from the warehouse; where it does not know the opening, the
        finding's own probability of the defect), people and vulnerable (in the building; missing
        where not known), days_late (past the first target, else 0),
        proof_in_doubt (why, else missing).
    """
    names = ["building_id", "unit_id", "opening_id", "urgent", "p_dangerous"]
    names += ["people", "vulnerable_people"]
    known = pd.DataFrame(columns=names, dtype=object) if stakes is None else stakes[names]
    numbered = findings.reset_index(drop=True)
    con = scratch()
    try:
        con.register("found", numbered.assign(place=range(len(numbered))))
        con.register("known", known)
        frame = con.execute(
            """
            SELECT
                f.* EXCLUDE (place),
                -- what is proven repaired is urgent no more, while its proof stands: what was seen
                -- since is a finding of its own, and until it is raised an opening of the urgent
                -- list
                (f.treatment <> 'proven' OR list_contains($doubted, f.finding_id)) AND (
                    coalesce(k.urgent::BOOLEAN, false)
                    OR (
                        f.treatment NOT IN ('set_aside', 'withdrawn')
                        AND (
                            -- what is only inferred is not urgent, however grave it would be
                            (f.severity_class = $gravest AND f.standing IS DISTINCT FROM 'inferred')
                            OR list_contains($urgent_families, f.family)
                        )
                    )
                ) AS urgent,
                coalesce(k.urgent::BOOLEAN, false) AS on_urgent_list,
                coalesce(k.p_dangerous::DOUBLE, f.probability::DOUBLE) AS chance,
                k.people::DOUBLE AS people,
                k.vulnerable_people::DOUBLE AS vulnerable,
                coalesce(f.days_overdue::BIGINT, 0) AS days_late
            FROM found AS f
            LEFT JOIN known AS k
                ON k.building_id = f.building_id AND k.unit_id = coalesce(f.unit_id, '')
                AND k.opening_id = coalesce(f.opening_id, '')
            ORDER BY f.place
            """,
            {
                "urgent_families": list(URGENT_FAMILIES),
                "gravest": SeverityClass.LIFE_THREATENING.value,
                "doubted": [*(doubts or {})],
            },
        ).fetchdf()
    finally:
        con.close()
    frame.index = findings.index
    return frame.assign(proof_in_doubt=frame["finding_id"].map(doubts or {}).astype(object))


def urgent_findings(findings: pd.DataFrame) -> pd.DataFrame:
    """What is urgent and not proven repaired, one finding an opening: what is open and due first.

    An opening stays while it is on the list of urgent openings, whatever was closed on paper or
    reported of its findings; and, beside that list, while a gravest finding there is not proven
    repaired, though a look found the danger gone or no look that landed reports it.

    Args:
        findings: of ``with_stakes``, records in doubt left out.
    """
    urgent = findings[findings["urgent"] & (findings["treatment"] != "withdrawn")]
    urgent = urgent.sort_values(["open", "first_target_on"], ascending=[False, True], kind="stable")
    again = urgent.duplicated(["building_id", "unit_id", "opening_id"])
    return urgent[~again | (urgent["opening_id"] == "")]


def beside_the_list(findings: pd.DataFrame, papers: pd.DataFrame) -> pd.DataFrame:
    """What the ledger holds for urgent and no list of what landed has: raised by hand, or seen gone
    by a look and not proven repaired.

    Args:
        findings: of ``with_stakes``.
        papers: building_id and unit_id of the papers that are listed as urgent.

    Returns:
        Rows of ``urgent_findings``.
    """
    counted = findings[findings["grade"] != "record_in_doubt"]
    urgent = urgent_findings(counted)
    told = set(zip(papers["building_id"], papers["unit_id"].fillna(""), strict=True))
    places = zip(urgent["building_id"], urgent["unit_id"].fillna(""), strict=True)
    by_paper = pd.Series([each in told for each in places], urgent.index, dtype=bool)
    by_paper &= urgent["opening_id"] == ""
    return urgent[~urgent["on_urgent_list"].astype(bool) & ~by_paper]


def in_order(findings: pd.DataFrame, order: str) -> pd.DataFrame:
    """Return findings of ``with_stakes`` in an order.

    Args:
        findings: the findings.
        order: a key of ``ORDERS``.

    Raises:
        CoverplateError: there is no such order.
    """
    if order not in ORDERS:
        raise CoverplateError(
            f"findings cannot be ordered by {order!r}",
            expected="one of " + ", ".join(ORDERS),
            to_do="choose one of these",
        )
    con = scratch()
    try:
        con.register("found", findings.assign(place=range(len(findings))))
        rows = con.execute(
            f"SELECT place FROM found ORDER BY {ORDERS[order].sql}, {_LAST}"
        ).fetchall()
    finally:
        con.close()
    return findings.iloc[[place for (place,) in rows]]

"""What a list of buildings can be narrowed by, and the SQL that does it, for commands and screens.

Every condition is a fixed piece of SQL with parameters; what people type is only ever a parameter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

SIZES: dict[str, str] = {
    "one": "1 dwelling",
    "few": "2–4 dwellings",
    "some": "5–19 dwellings",
    "many": "20 or more dwellings",
}
"""Size classes by number of dwellings."""

EVIDENCE: dict[str, str] = {
    "none": "nobody looked",
    "blind_only": "only methods blind to a false ground",
    "capable": "some openings by a capable method",
}
"""What a building's looks amount to."""

FINDINGS: dict[str, str] = {
    "urgent": "urgent",
    "confirmed": "confirmed defect",
    "none": "nothing confirmed",
}
"""What was found in a building."""

_AMONG: dict[str, str] = {
    "building_ids": "list_contains(?, building_id)",
    "cities": "list_contains(?, city)",
    "owners": "list_contains(?, owner)",
    "managers": "list_contains(?, manager)",
    "eras": "list_contains(?, era)",
    "sizes": "list_contains(?, size)",
    "evidence": "list_contains(?, evidence)",
}

_FOUND: dict[str, str] = {
    "urgent": "urgent",
    "confirmed": "confirmed_defects > 0",
    "none": "NOT urgent AND confirmed_defects = 0",
}


@dataclass(frozen=True)
class Narrowing:
    """Which buildings.

    Attributes:
        cities, owners, managers, eras, sizes, evidence, building_ids: allowed values; empty allows
            all. Eras and sizes are keys, an era of which no year is known is "unknown".
        findings: keys of ``FINDINGS``, any of them; empty allows all.
        search: words that must all stand in identifier, name, address, postal code or city.
        dwellings_from, dwellings_to: so many dwellings, both ends allowed; None does not narrow.
    """

    cities: tuple[str, ...] = ()
    owners: tuple[str, ...] = ()
    managers: tuple[str, ...] = ()
    eras: tuple[str, ...] = ()
    sizes: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    search: str = ""
    building_ids: tuple[str, ...] = ()
    dwellings_from: int | None = None
    dwellings_to: int | None = None

    def of(self, building_ids: Sequence[str]) -> Narrowing:
        """The same, of these buildings only."""
        return replace(self, building_ids=tuple(building_ids))

    def where(self) -> tuple[str, list[Any]]:
        """The WHERE expression over the view ``narrowed_by``, and its parameters."""
        conditions: list[str] = []
        parameters: list[Any] = []
        for name, sql in _AMONG.items():
            allowed = getattr(self, name)
            if allowed:
                conditions.append(sql)
                parameters.append(list(allowed))
        found = [_FOUND[key] for key in self.findings if key in _FOUND]
        if found:
            conditions.append("(" + " OR ".join(found) + ")")
        for word in self.search.lower().split():
            conditions.append("contains(searched, ?)")
            parameters.append(word)
        for bound, sql in ((self.dwellings_from, ">="), (self.dwellings_to, "<=")):
            if bound is not None:
                conditions.append(f"dwellings {sql} ?")
                parameters.append(bound)
        return " AND ".join(conditions) or "true", parameters

    @property
    def narrows(self) -> bool:
        """Whether anything at all is left out."""
        return self.where()[0] != "true"

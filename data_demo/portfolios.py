"""The three invented portfolios, one for each kind of user, as folders of exports."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

from data_demo.generator import Portfolio, generate
from data_demo.housing_authority import housing_authority_exports
from data_demo.insurer import insurer_exports
from data_demo.property_manager import property_manager_exports
from data_demo.reckoning import Export, expected

FOLDER = Path(__file__).parent / "portfolios"
"""Where the committed exports lie."""

Maker = Callable[[Portfolio], Sequence[Export]]

PORTFOLIOS: dict[str, tuple[int, int, Maker]] = {
    "housing_authority": (38, 28, housing_authority_exports),
    "property_manager": (15, 14, property_manager_exports),
    "insurer": (36, 40, insurer_exports),
}
"""Seed, number of buildings and maker of each; seeds were chosen for having something urgent."""


def exports_of(name: str) -> Sequence[Export]:
    """Make a portfolio's exports, in the order in which they are taken in."""
    seed, buildings, make = PORTFOLIOS[name]
    return make(generate(seed, buildings, name))


def write_portfolio(name: str, folder: Path) -> None:
    """Write ``folder/name/exports/*`` and ``folder/name/expected.json``.

    ``folder/name/mappings`` is written by people and left alone.

    Args:
        name: key in ``PORTFOLIOS``.
        folder: made if it is not there.
    """
    seed, buildings, _ = PORTFOLIOS[name]
    exports = exports_of(name)
    target = folder / name / "exports"
    target.mkdir(parents=True, exist_ok=True)
    for export in exports:
        (target / export.path).write_bytes(export.content)
    reckoned = expected(name, seed, buildings, exports)
    text = json.dumps(reckoned, indent=1, ensure_ascii=False) + "\n"
    (folder / name / "expected.json").write_bytes(text.encode())


def write_all(folder: Path = FOLDER) -> None:
    """Write all three portfolios."""
    for name in PORTFOLIOS:
        write_portfolio(name, folder)

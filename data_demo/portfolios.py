"""The three invented portfolios, one for each kind of user, as folders of exports."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from data_demo.generator import Portfolio, generate
from data_demo.housing_authority import housing_authority_exports
from data_demo.insurer import insurer_exports
from data_demo.property_manager import property_manager_exports
from data_demo.reckoning import Export, expected
from data_demo.scenes import with_scenes

FOLDER = Path(__file__).parent / "portfolios"
"""Where the committed exports lie."""

Maker = Callable[[Portfolio], Sequence[Export]]

PORTFOLIOS: dict[str, tuple[int, int, Maker]] = {
    "housing_authority": (43, 28, housing_authority_exports),
    "property_manager": (17, 14, property_manager_exports),
    "insurer": (36, 40, insurer_exports),
}
"""Seed, number of buildings and maker of each; seeds were chosen for having looks enough of
everybody, and places for the scenes."""


def portfolio_of(name: str) -> tuple[Portfolio, dict[str, Any]]:
    """Draw a portfolio with its scenes, and what is expected of them (``data_demo.scenes``)."""
    seed, buildings, _ = PORTFOLIOS[name]
    return with_scenes(generate(seed, buildings, name), name)


def exports_of(name: str) -> Sequence[Export]:
    """Make a portfolio's exports, in the order in which they are taken in."""
    portfolio, _ = portfolio_of(name)
    return PORTFOLIOS[name][2](portfolio)


def write_portfolio(name: str, folder: Path) -> None:
    """Write ``folder/name/exports/*`` and ``folder/name/expected.json``.

    ``folder/name/mappings`` is written by people and left alone.

    Args:
        name: key in ``PORTFOLIOS``.
        folder: made if it is not there.
    """
    seed, buildings, make = PORTFOLIOS[name]
    portfolio, scenes = portfolio_of(name)
    exports = make(portfolio)
    target = folder / name / "exports"
    target.mkdir(parents=True, exist_ok=True)
    for export in exports:
        (target / export.path).write_bytes(export.content)
    reckoned = {**expected(name, seed, buildings, exports), "scenes": scenes}
    text = json.dumps(reckoned, indent=1, ensure_ascii=False) + "\n"
    (folder / name / "expected.json").write_bytes(text.encode())


def write_all(folder: Path = FOLDER) -> None:
    """Write all three portfolios."""
    for name in PORTFOLIOS:
        write_portfolio(name, folder)

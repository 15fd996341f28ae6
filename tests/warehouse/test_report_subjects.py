"""What the words of reports are about: a danger is read where it can be, a rewiring only where it
must be. The sentences are invented in the manner of such files."""

from __future__ import annotations

import duckdb
import pytest

from pipeline.warehouse.report_subjects import create_macros

SAID = {
    "shock": (
        "Tenant got ZAPPED by the stove",
        "was bit by the refrigerator handle",
        "received an electrical jolt from the radiator",
        "felt current when touching washer and sink",
        "tenant’s kid shocked",
        "Not only shocked but burned",
        "Not without shock",
        "tingly feeling at sink",
        "nearly electrocuted",
        "Tenant doesn't feel a shock anymore",
        "tenant shoked by outlet",
        "Access given: NO - SHOCK HAZARD AT STOVE",
        "Heat: No\nShock from stove",
        "Repaired: No – shocks again",
        "recibió una descarga eléctrica",
    ),
    "live_metal": (
        "Metal cover plate is live",
        "energized refrigerator cabinet",
        "120 volts on water pipe",
        "Reverse polarity with bootleg ground",
        "bootleg ground w/ reversed polarity",
        "hot/ground reversed",
        "bare live wire in hallway",
    ),
    "heat": (
        "Outlet buzzes and is warm to touch",
        "hot outlets in bedroom",
        "receptacle melted, plug stuck",
        "Smoke coming out of outlet",
        "No one was shocked but outlet arcs",
        "burnt outlet in 3rd story apartment",
        "smells like something burning",
        "No sparks, but smoke from outlet",
    ),
    "false_ground": ("bootleg ground at three receptacles",),
    "reversed_polarity": ("Hot neutral reversed at kitchen counter",),
    "no_ground": ("ungrounded three prong outlets throughout", "open ground, living room"),
    "rewiring": (
        "Complete rewire of building",
        "Rewire building: replace all branch wiring",
        "full house rewiring",
    ),
    "outlets": (
        "No rewiring.",
        "Rewire intercom and doorbells",
        "Rewiring of unit 3 kitchen",
        "Rewire 2 outlets in apt 4",
        "Replace boiler; rewire not required",
        "no shock but outlet loose",
        "outlet sparkling lights",
    ),
    "other": (
        "No shock reported",
        "static shock from carpet",
        "shock absorber of elevator",
        "shocking condition of paint",
        "hot water too hot",
        "fire alarm not working",
        "live-in super needed",
        "bit by a dog in the lobby",
        "",
    ),
}


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    found = duckdb.connect()
    create_macros(found)
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("subject", "text"), [(subject, text) for subject, texts in SAID.items() for text in texts]
)
def test_words_are_read_by_the_declared_rules(
    con: duckdb.DuckDBPyConnection, subject: str, text: str
) -> None:
    assert con.execute("SELECT report_subject(?)", [text]).fetchall() == [(subject,)]


def test_nothing_said_is_about_nothing(con: duckdb.DuckDBPyConnection) -> None:
    assert con.execute("SELECT report_subject(NULL)").fetchall() == [("other",)]

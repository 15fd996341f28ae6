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
        "fridge tickles when touched",
        "gave her a buzz",
        "washing machine bites when touched",
        "me dio un toque el refrigerador",
    ),
    "live_metal": (
        "Metal cover plate is live",
        "energized refrigerator cabinet",
        "120 volts on water pipe",
        "Reverse polarity with bootleg ground",
        "bootleg ground w/ reversed polarity",
        "hot/ground reversed",
        "bare live wire in hallway",
        "120V on plate screw",
        "118V case to earth",
        "reads 118 volts case to earth",
        "118.4 V from case to earth",
        "metal box reads 118 volts to water pipe",
        "outlet cover reads 120 volts",
        "touching fridge gives 118V to sink",
        "120V on stove ground pin",
        "ground contact live in kitchen",
        "ground prong is hot",
        "EGC energised",
        "120 volts on ground",
        "line voltage present on ground",
        "live box in hallway",
        "yoke live",
        "HOT SKIN",
        "hot ground",
        "bootleg ground + hot/neutral reversed",
        "neutral and hot swapped, jumper to ground",
        "tick tracer lights on plate",
        "stray voltage",
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
        "smells burnt",
        "brown marks around slots",
        "smoke from wall",
        "toma quemada",
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
        "outlet on ground floor 120 V ok",
        "range receptacle tested 240V",
        "118 volts at receptacle behind stove",
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
        "0 V on plate",
        "2 volts on case",
        "0.5V plate to earth",
        "cover off, 120V hot to neutral",
        "118 V H-N, 118 V H-G, 0.4 V N-G",
        "panel box live",
        "detector does not beep on plate",
        "kitchen range 240 V",
        "tested with 120V heater as load",
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

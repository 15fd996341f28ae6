"""Large default-layout exports for benchmarks, written by DuckDB alone.

Every value is a function of row number and seed, so that any number of threads writes the same
table and nothing is held in memory. The structure follows ``data_demo.truth`` in outline: era, a
rate per building, dwellings wired alike, circuits converted, dwellings whose hand made jumpers,
some of them in a circuit's first box; lamps that pass them all.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import duckdb

MEMORY_LIMIT = "1GB"
OPENINGS_PER_BUILDING = 64

_UNIFORM = """
CREATE MACRO uniform(row_number, stream) AS
    (hash(row_number, stream, getvariable('seed')) >> 11)::DOUBLE / 9007199254740992.0;
CREATE MACRO pick(words, chance) AS words[1 + floor(chance * len(words))::INTEGER];
CREATE MACRO building(b) AS 'S' || lpad((b + 1)::VARCHAR, 7, '0');
"""

_BUILDINGS = """
CREATE TABLE buildings AS
SELECT
    b,
    1900 + floor(117 * pow(uniform(b, 'year'), 0.9))::INTEGER AS year_built,
    1 + floor(7 * pow(uniform(b, 'units'), 2))::INTEGER AS dwelling_units,
    uniform(b, 'origin') AS origin,
    pow(uniform(b, 'conversion'), 0.8) AS conversion_rate,
    CASE WHEN uniform(b, 'habit') < 0.12 THEN 0.1 + 0.6 * uniform(b, 'rate')
         ELSE 0.04 * pow(uniform(b, 'rate'), 3) END AS false_ground_rate,
    0.06 * pow(uniform(b, 'reversal'), 2) AS reversal_rate
FROM range(getvariable('n_buildings')) AS counted (b)
"""

_REGISTER = """
SELECT
    building(b) AS building_id,
    (1 + floor(180 * uniform(b, 'house')))::INTEGER || ' Kiln Parade' AS name,
    name AS address,
    'Ulbraeth' AS city,
    '02215' AS postal_code,
    round(41 + 0.3 * uniform(b, 'latitude'), 5) AS latitude,
    round(-38.5 - 0.3 * uniform(b, 'longitude'), 5) AS longitude,
    CASE WHEN uniform(b, 'year known') < 0.9 THEN year_built END AS year_built,
    CASE WHEN year_built < 1960 AND uniform(b, 'rewired') < 0.3
         THEN 1970 + floor(45 * uniform(b, 'rewired on'))::INTEGER END AS year_rewired,
    CASE WHEN year_built < 1940 THEN 'knob_and_tube'
         WHEN year_built < 1965 THEN 'cable_without_ground' ELSE 'cable_with_ground'
    END AS wiring_method,
    1 + dwelling_units // 3 AS storeys,
    dwelling_units,
    CASE WHEN uniform(b, 'counted') < 0.6
         THEN getvariable('openings_per_building') END AS receptacle_count,
    1 + floor(3 * dwelling_units * uniform(b, 'occupants'))::INTEGER AS occupants,
    floor(occupants * pow(uniform(b, 'vulnerable'), 3))::INTEGER AS vulnerable_occupants,
    round(150000 + 400000 * uniform(b, 'value'), -3) AS insured_value,
    'Owner ' || lpad((b % (1 + getvariable('n_buildings') // 12))::VARCHAR, 6, '0') AS owner,
    'Manager ' || lpad((b % (1 + getvariable('n_buildings') // 90))::VARCHAR, 5, '0') AS manager,
    CASE WHEN year_built BETWEEN 1965 AND 1972 AND uniform(b, 'metal') < 0.5
         THEN 'aluminum' ELSE 'copper' END AS wiring_metal,
    CASE WHEN year_built < 1960 AND uniform(b, 'panel') < 0.4
         THEN 'fuses' ELSE 'circuit_breakers' END AS panel_type,
    CASE WHEN uniform(b, 'panel state') < 0.9 THEN 'sound' ELSE 'worn' END AS panel_condition,
    'no' AS fuses_oversized
FROM buildings
ORDER BY b
"""

_OBSERVATIONS = """
WITH looks AS (
    SELECT
        n,
        floor(getvariable('n_buildings') * uniform(n, 'building'))::BIGINT AS b,
        floor(getvariable('openings_per_building')
              * pow(uniform(n, 'opening'), 1.3))::INTEGER AS o,
        floor(2000 * uniform(n, 'day'))::INTEGER AS day,
        uniform(n, 'method') AS method_chance,
        uniform(n, 'report') AS report_chance
    FROM range(getvariable('first_row'), getvariable('last_row')) AS counted (n)
),
openings AS (
    SELECT
        looks.*,
        buildings.dwelling_units,
        b * 1000 + o AS opening,
        -- the first openings are what the dwellings share; then one dwelling after the other
        (getvariable('openings_per_building') - 6 + dwelling_units - 1) // dwelling_units
            AS in_dwelling,
        CASE WHEN o < 6 THEN 0 ELSE 1 + (o - 6) // in_dwelling END AS dwelling,
        CASE WHEN o < 6 THEN o ELSE (o - 6) % in_dwelling END AS place,
        b * 1000 + dwelling AS home,
        home * 1000 + place // 5 AS branch,
        uniform(home, 'origin') < CASE
            WHEN year_built < 1950 THEN 0.7 + 0.3 * origin
            WHEN year_built < 1965 THEN origin
            ELSE 0.1 * pow(origin, 4) END AS ungrounded,
        ungrounded AND uniform(branch, 'converted') < conversion_rate
            AND uniform(opening, 'converted') < 0.9 AS converted,
        converted AND uniform(home, 'hand') < false_ground_rate AS jumpered,
        -- bonded in the first box of the circuit, with a ground wire on from there
        jumpered AND place % 5 > 0 AND uniform(branch, 'head') < 0.3 AS upstream,
        jumpered AND NOT upstream AS false_ground,
        uniform(opening, 'reversed') < reversal_rate AND NOT upstream AS backwards,
        NOT ungrounded OR converted AS three_slot,
        5 + 90 * pow(uniform(opening, 'run'), 2) AS run_feet
    FROM looks JOIN buildings USING (b)
),
read AS (
    SELECT
        *,
        CASE WHEN method_chance < 0.78 THEN 'three_lamp_tester'
             WHEN method_chance < 0.86 THEN 'voltmeter_under_load'
             WHEN method_chance < 0.90 THEN 'ground_impedance_meter'
             WHEN method_chance < 0.96 THEN 'cover_off_inspection'
             ELSE 'visual' END AS method,
        method = 'cover_off_inspection' AS open_box,
        method = 'voltmeter_under_load' AND three_slot AS metered,
        CASE
            WHEN method = 'visual' OR report_chance < 0.03 THEN 'not_tested'
            WHEN report_chance < 0.06 THEN 'not_accessible'
            WHEN NOT three_slot AND NOT open_box THEN 'not_tested'
            WHEN report_chance < 0.08 THEN 'open_ground'
            WHEN report_chance < 0.083 THEN 'open_neutral'
            WHEN report_chance < 0.085 THEN 'no_power'
            WHEN false_ground AND backwards AND open_box THEN 'reversed_false_ground'
            WHEN false_ground AND method <> 'three_lamp_tester' THEN 'false_ground'
            WHEN false_ground THEN 'correct'
            WHEN ungrounded AND NOT upstream THEN 'open_ground'
            WHEN backwards THEN 'hot_neutral_reversed'
            ELSE 'correct' END AS result
    FROM openings
)
SELECT
    building(b) AS building_id,
    CASE WHEN dwelling = 0 THEN 'COM' ELSE dwelling || 'A' END AS unit_id,
    CASE WHEN o < 6 THEN 'common'
         ELSE pick(['kitchen', 'bathroom', 'living', 'bedroom', 'hall'], uniform(opening, 'room'))
    END AS room,
    'E' || o AS opening_id,
    'C' || (1 + place // 5) AS circuit_id,
    DATE '2019-01-07' + day AS observed_on,
    'Reader ' || lpad((hash(b, day // 100) % 60)::VARCHAR, 2, '0') AS inspector,
    NULL AS firm_of_inspector,
    method,
    pick(['random', 'random', 'targeted', 'complaint', 'unknown'], uniform(n, 'why'))
        AS selection,
    CASE WHEN three_slot THEN 'three_slot' ELSE 'two_slot' END AS slots,
    result,
    CASE WHEN open_box THEN 'yes' END AS cover_removed,
    CASE WHEN open_box THEN CASE WHEN ungrounded AND NOT upstream THEN 'no' ELSE 'yes' END END
        AS ground_present,
    CASE WHEN open_box THEN CASE WHEN false_ground THEN 'yes' ELSE 'no' END END
        AS neutral_ground_jumper,
    CASE WHEN open_box THEN CASE WHEN backwards THEN 'reversed' ELSE 'correct' END END AS polarity,
    CASE WHEN NOT metered THEN NULL
         WHEN false_ground THEN round(0.03 * uniform(n, 'volts'), 2)
         WHEN ungrounded AND NOT upstream THEN round(40 * uniform(n, 'volts'), 2)
         WHEN backwards THEN round(118 + uniform(n, 'volts'), 2)
         ELSE round(run_feet * 3.07 / 1000 * (11 + uniform(n, 'volts')), 2)
    END AS neutral_ground_volts,
    CASE WHEN metered THEN round(11 + uniform(n, 'volts'), 1) END AS load_amps,
    CASE WHEN method = 'ground_impedance_meter' AND three_slot
         THEN CASE WHEN ungrounded AND NOT jumpered THEN 200000
                   ELSE round(run_feet * 3.07 / 1000 + 0.1, 2) END END AS ground_path_ohms,
    CASE WHEN metered THEN round(117 + 6 * uniform(n, 'supply'), 1) END AS hot_neutral_volts,
    NULL AS plate_earth_volts,
    NULL AS case_earth_volts,
    NULL AS ground_contact_earth_volts,
    NULL AS non_contact_detector,
    NULL AS heat_or_scorch,
    NULL AS shock_reported,
    CASE WHEN uniform(n, 'face') < 0.25
         THEN CASE WHEN uniform(opening, 'gfci') < 0.2 THEN 'yes' ELSE 'no' END
    END AS gfci_protected,
    NULL AS gfci_button_tripped,
    NULL AS gfci_year,
    NULL AS marking,
    CASE WHEN uniform(n, 'note') < 0.02 THEN 'cover cracked, "loose"' END AS note,
    NULL AS visit_id
FROM read
"""


class ScaleFiles(NamedTuple):
    """What ``write_scale_csv`` wrote: the two files, and how many rows of which sort."""

    register: Path
    observations: Path
    rows: int
    duplicates: int
    bad_rows: int


def write_scale_csv(
    folder: Path,
    n_buildings: int,
    n_observations: int,
    seed: int,
    *,
    duplicates: int = 0,
    bad_rows: int = 0,
) -> ScaleFiles:
    """Write ``register.csv`` and ``observations.csv`` in the default layout.

    Args:
        folder: made if it is not there; files of these names in it are replaced.
        n_buildings: buildings in the register.
        n_observations: all data rows of the observations file.
        seed: the same seed, sizes and DuckDB version give the same table.
        duplicates: of these rows, how many (the last ones) repeat earlier ones word for word.
        bad_rows: of the others, how many (the last of them) carry a method that no list knows.

    Returns:
        Paths and counts. Two distinct rows may by chance share a key with different content: they
        are corrections of one another, as in real exports.
    """
    folder.mkdir(parents=True, exist_ok=True)
    files = ScaleFiles(
        folder / "register.csv",
        folder / "observations.csv",
        n_observations,
        duplicates,
        bad_rows,
    )
    fresh = n_observations - duplicates - bad_rows
    with duckdb.connect() as connection:
        _prepare(connection, folder, n_buildings, seed)
        _copy(connection, _REGISTER, files.register)
        spoiled = f"SELECT * REPLACE ('screwdriver' AS method) FROM ({_OBSERVATIONS})"
        parts: list[tuple[str, int, int]] = [
            (_OBSERVATIONS, 0, fresh),
            (spoiled, fresh, fresh + bad_rows),
            (_OBSERVATIONS, 0, duplicates),
        ]
        pieces = []
        for number, (query, first, last) in enumerate(parts):
            connection.execute(f"SET VARIABLE first_row = {int(first)}::BIGINT")
            connection.execute(f"SET VARIABLE last_row = {int(last)}::BIGINT")
            piece = files.observations if number == 0 else folder / f".part{number}.csv"
            if number == 0 or last > first:
                _copy(connection, query, piece, header=number == 0)
                pieces.append(piece)
        with files.observations.open("ab") as whole:
            for piece in pieces[1:]:
                with piece.open("rb") as more:
                    while block := more.read(1 << 22):
                        whole.write(block)
                piece.unlink()
    return files


def _prepare(
    connection: duckdb.DuckDBPyConnection, folder: Path, n_buildings: int, seed: int
) -> None:
    connection.execute("SET autoinstall_known_extensions = false")
    connection.execute("SET autoload_known_extensions = false")
    connection.execute(f"SET memory_limit = '{MEMORY_LIMIT}'")
    connection.execute("SET temp_directory = ?", [str(folder / ".spill")])
    connection.execute(f"SET VARIABLE seed = {int(seed)}::BIGINT")
    connection.execute(f"SET VARIABLE n_buildings = {int(n_buildings)}::BIGINT")
    connection.execute(f"SET VARIABLE openings_per_building = {OPENINGS_PER_BUILDING}")
    connection.execute(_UNIFORM)
    connection.execute(_BUILDINGS)


def _copy(
    connection: duckdb.DuckDBPyConnection, query: str, target: Path, *, header: bool = True
) -> None:
    name = str(target).replace("'", "''")
    connection.execute(f"COPY ({query}) TO '{name}' (FORMAT csv, HEADER {str(header).lower()})")

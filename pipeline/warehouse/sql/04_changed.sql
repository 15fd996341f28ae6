-- What each building's openings are gathered from, as one hash: its looks with the class of whoever
-- made them, its proven repairs, and whether it is a single dwelling. No two rows of a building are
-- the same (_part, _row), and each is hashed once more as a whole: what is combined by exclusive or
-- may not be a sum of its columns' hashes. It is held against the same building's before, and 64 bits
-- that agree by chance are one case in 10^19. A DuckDB that hashes otherwise has all gathered anew.
CREATE TEMP TABLE looks_now AS
WITH looked AS (
    SELECT
        building_no,
        count(*) AS looks,
        bit_xor(hash(hash(*COLUMNS(* EXCLUDE (building_no))))) AS content
    FROM (
        SELECT o.*, i.reader
        FROM observations AS o
        LEFT JOIN inspectors AS i ON i.inspector = o.inspector
    )
    GROUP BY building_no
),
mended AS (
    SELECT
        building_no,
        count(*) AS repairs,
        bit_xor(hash(hash(*COLUMNS(* EXCLUDE (building_no))))) AS content
    FROM proven_fixes
    GROUP BY building_no
)
SELECT
    b.building_no,
    b.building_id,
    coalesce(l.looks, 0) AS looks,
    hash(
        b.building_id, coalesce(b.dwelling_units = 1, false), l.looks, l.content, m.repairs,
        m.content
    ) AS content
FROM buildings AS b
LEFT JOIN looked AS l USING (building_no)
LEFT JOIN mended AS m USING (building_no);

CREATE TEMP TABLE opening_evidence (
    building_no INTEGER,
    unit_id VARCHAR,
    opening_id VARCHAR,
    codes VARCHAR[],
    methods VARCHAR[],
    last_observed_on DATE,
    slots VARCHAR,
    gfci VARCHAR,
    marking VARCHAR,
    room VARCHAR,
    circuit_id VARCHAR,
    selection VARCHAR,
    known INTEGER,
    leaves_condition VARCHAR,
    leaves_slots VARCHAR,
    leaves_protected BOOLEAN
);

-- Buildings whose openings are taken over from the warehouse before, with their number there, how
-- many rows of like openings they come to, and the hash of these.
CREATE TEMP TABLE gathered_before (
    building_no INTEGER, old_no INTEGER, rows BIGINT, openings VARCHAR
);

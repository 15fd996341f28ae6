-- Openings with the same evidence share a signature; a building is a short list of them. The words
-- of each room are read once: a portfolio has millions of openings and few rooms.
CREATE TEMP TABLE room_locations AS
SELECT
    room,
    CASE WHEN regexp_matches(lower(room), rule_text('wet_rooms')) THEN 'wet' ELSE 'dry' END
        AS location
FROM (SELECT DISTINCT room FROM opening_evidence WHERE room IS NOT NULL);

CREATE TEMP TABLE placed AS
SELECT e.*, coalesce(r.location, 'unknown') AS location
FROM opening_evidence AS e
LEFT JOIN room_locations AS r USING (room);

DROP TABLE opening_evidence;

CREATE TABLE signatures AS
SELECT
    (row_number() OVER (
        ORDER BY codes, slots, selection, gfci, location, leaves_condition, leaves_slots,
            leaves_protected
    ) - 1)::INTEGER AS signature_no,
    *
FROM (
    SELECT DISTINCT codes, slots, selection, gfci, location, leaves_condition, leaves_slots,
        leaves_protected
    FROM placed
);

CREATE TEMP TABLE signed AS
SELECT
    p.* EXCLUDE (codes),
    s.signature_no,
    -- The dwelling and the circuit that it is known to belong to; '' where that is not known.
    CASE WHEN p.unit_id <> '' THEN p.unit_id WHEN b.dwelling_units = 1 THEN 'the only one' ELSE ''
        END AS dwelling,
    coalesce(p.circuit_id, '') AS circuit
FROM placed AS p
JOIN buildings AS b USING (building_no)
JOIN signatures AS s
    ON s.codes = p.codes
    AND s.slots IS NOT DISTINCT FROM p.slots
    AND s.selection = p.selection
    AND s.gfci IS NOT DISTINCT FROM p.gfci
    AND s.location = p.location
    AND s.leaves_condition IS NOT DISTINCT FROM p.leaves_condition
    AND s.leaves_slots IS NOT DISTINCT FROM p.leaves_slots
    AND s.leaves_protected IS NOT DISTINCT FROM p.leaves_protected;

DROP TABLE placed;

-- Like openings of one circuit are one row.
CREATE TEMP TABLE opening_rows AS
SELECT
    (row_number() OVER (ORDER BY building_no, dwelling, circuit, signature_no) - 1)::INTEGER
        AS row_no,
    *,
    CASE WHEN dwelling = '' THEN 0 ELSE hash(dwelling) END::UBIGINT AS dwelling_key,
    CASE WHEN circuit = '' THEN 0 ELSE hash(circuit) END::UBIGINT AS circuit_key
FROM (
    SELECT building_no, dwelling, circuit, signature_no, count(*)::BIGINT AS openings
    FROM signed
    GROUP BY ALL
);

CREATE TEMP TABLE opening_list AS
SELECT o.* EXCLUDE (dwelling, circuit), r.row_no
FROM signed AS o
JOIN opening_rows AS r USING (building_no, dwelling, circuit, signature_no);

DROP TABLE signed;

-- How many openings and dwellings there are: as registered, else worked out from what else is
-- known of the building and from the typical one; never fewer than were seen.
CREATE TABLE building_sizes AS
WITH seen AS (
    SELECT
        building_no,
        sum(openings)::BIGINT AS openings_seen,
        count(DISTINCT dwelling_key) FILTER (dwelling_key <> 0) AS dwellings_seen
    FROM opening_rows
    GROUP BY building_no
),
counted AS (
    SELECT
        b.building_no,
        coalesce(s.openings_seen, 0) AS openings_seen,
        coalesce(s.dwellings_seen, 0) AS dwellings_seen,
        b.receptacle_count IS NULL OR b.receptacle_count = 0 AS openings_assumed,
        b.dwelling_units IS NULL OR b.dwelling_units = 0 AS dwellings_assumed,
        b.occupants IS NULL AS occupants_assumed,
        b.vulnerable_occupants IS NULL AS vulnerable_assumed,
        nullif(b.receptacle_count, 0) AS receptacle_count,
        b.occupants,
        b.vulnerable_occupants,
        coalesce(
            nullif(b.dwelling_units, 0)::DOUBLE,
            nullif(b.receptacle_count, 0) / rule('counting.openings_per_dwelling'),
            nullif(b.occupants, 0) / rule('counting.occupants_per_dwelling'),
            nullif(b.insured_value, 0) / t.value_of_dwelling,
            nullif(b.storeys, 0) * t.dwellings_of_storey,
            t.dwellings,
            rule('counting.dwellings_per_building')
        ) AS dwellings_likely
    FROM buildings AS b
    CROSS JOIN typical_building AS t
    LEFT JOIN seen AS s USING (building_no)
),
housed AS (
    SELECT *, greatest(1, dwellings_seen, round(dwellings_likely))::BIGINT AS dwellings
    FROM counted
),
sized AS (
    SELECT
        *,
        greatest(
            openings_seen,
            coalesce(
                receptacle_count,
                round(dwellings * rule('counting.openings_per_dwelling'))
            )
        )::BIGINT AS openings
    FROM housed
),
peopled AS (
    SELECT
        *,
        coalesce(
            occupants::DOUBLE,
            greatest(dwellings * rule('counting.occupants_per_dwelling'), vulnerable_occupants)
        ) AS people
    FROM sized
)
SELECT
    building_no,
    openings,
    openings_seen,
    openings - openings_seen AS openings_unseen,
    openings_assumed,
    dwellings,
    dwellings_assumed,
    people,
    occupants_assumed,
    coalesce(vulnerable_occupants::DOUBLE, people * rule('counting.vulnerable_share'))
        AS vulnerable_people,
    vulnerable_assumed,
    (
        people
        + (rule('exposure.vulnerable_weight') - 1)
        * coalesce(vulnerable_occupants::DOUBLE, people * rule('counting.vulnerable_share'))
    ) / dwellings AS exposed_per_dwelling
FROM peopled
ORDER BY building_no;

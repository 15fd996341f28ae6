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

CREATE TEMP TABLE opening_list AS
SELECT p.* EXCLUDE (codes), s.signature_no
FROM placed AS p
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

CREATE TEMP TABLE building_rows AS
SELECT building_no, signature_no, count(*) AS openings
FROM opening_list
GROUP BY building_no, signature_no;

-- How many openings there are: the register's count, else dwellings times a typical number.
CREATE TABLE building_sizes AS
WITH seen AS (
    SELECT building_no, sum(openings)::BIGINT AS seen FROM building_rows GROUP BY building_no
),
counted AS (
    SELECT
        b.building_no,
        coalesce(s.seen, 0) AS openings_seen,
        b.receptacle_count IS NULL OR b.receptacle_count = 0 AS openings_assumed,
        b.dwelling_units IS NULL OR b.dwelling_units = 0 AS dwellings_assumed,
        b.occupants IS NULL AS occupants_assumed,
        b.vulnerable_occupants IS NULL AS vulnerable_assumed,
        nullif(b.receptacle_count, 0) AS receptacle_count,
        nullif(b.dwelling_units, 0) AS dwelling_units,
        b.occupants,
        b.vulnerable_occupants
    FROM buildings AS b
    LEFT JOIN seen AS s USING (building_no)
),
sized AS (
    SELECT
        *,
        greatest(
            openings_seen,
            coalesce(
                receptacle_count,
                round(coalesce(dwelling_units, 1) * rule('counting.openings_per_dwelling'))
            )
        )::BIGINT AS openings
    FROM counted
),
housed AS (
    SELECT
        *,
        coalesce(
            dwelling_units,
            greatest(1, round(openings / rule('counting.openings_per_dwelling')))
        )::BIGINT AS dwellings
    FROM sized
),
peopled AS (
    SELECT
        *,
        coalesce(
            occupants::DOUBLE,
            greatest(dwellings * rule('counting.occupants_per_dwelling'), vulnerable_occupants)
        ) AS people
    FROM housed
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

-- What lists of buildings are narrowed by, one row a building: the only definition of each.
CREATE VIEW narrowed_by AS
WITH seen AS (
    SELECT
        building_no,
        coalesce(sum(openings) FILTER (sees_false_ground), 0)::BIGINT AS openings_capable
    FROM opening_groups
    GROUP BY building_no
)
SELECT
    b.building_no,
    b.building_id,
    b.city,
    b.owner,
    b.manager,
    coalesce(e.era, 'unknown') AS era,
    z.dwellings,
    CASE
        WHEN z.dwellings <= 1 THEN 'one'
        WHEN z.dwellings <= 4 THEN 'few'
        WHEN z.dwellings <= 19 THEN 'some'
        ELSE 'many'
    END AS size,
    CASE
        WHEN coalesce(v.openings_looked_at, 0) = 0 THEN 'none'
        WHEN coalesce(a.openings_capable, 0) = 0 THEN 'blind_only'
        ELSE 'capable'
    END AS evidence,
    coalesce(a.openings_capable, 0) AS openings_capable,
    v.urgent,
    v.confirmed_defects,
    lower(concat_ws(' ', b.building_id, b.name, b.address, b.postal_code, b.city)) AS searched
FROM buildings AS b
JOIN building_eras AS e USING (building_no)
JOIN building_evidence AS v USING (building_no)
JOIN building_sizes AS z USING (building_no)
LEFT JOIN seen AS a USING (building_no);

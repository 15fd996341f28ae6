-- Every look in force, keyed by building number. Room words decide on wet locations.
CREATE TABLE observations AS
SELECT
    b.building_no,
    coalesce(o.unit_id, '') AS unit_id,
    o.* EXCLUDE (building_id, unit_id, visit_id)
FROM opening_observations_current AS o
JOIN buildings AS b USING (building_id);

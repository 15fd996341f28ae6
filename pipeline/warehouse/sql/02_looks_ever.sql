-- Every look that landed: what stands, and what was replaced.
CREATE TABLE observation_history AS
SELECT h.* EXCLUDE (visit_id) FROM observations_history AS h WHERE h.status = 'superseded';

-- Every look: those in force, those that were replaced with what replaced them and whether a later
-- export did so, of the same person, and those that a person wrote into the ledger (of no file). Two
-- rows of one export are two looks, whatever they have in common; rows that name nobody may be two
-- people's.
CREATE TEMP VIEW looks_ever AS
SELECT *, NULL::INTEGER AS superseded_by_part, NULL::BIGINT AS superseded_by_row,
    false AS replaced_elsewhere
FROM observations
UNION ALL BY NAME
SELECT b.building_no, coalesce(h.unit_id, '') AS unit_id,
    h.* EXCLUDE (building_id, unit_id, status),
    coalesce(h.superseded_by_part > h._part AND later.path <> own.path, false)
        AND h.inspector IS NOT NULL AS replaced_elsewhere
FROM observation_history AS h
JOIN buildings AS b USING (building_id)
LEFT JOIN landed_files AS own ON own._part = h._part
LEFT JOIN landed_files AS later ON later._part = h.superseded_by_part
UNION ALL BY NAME
SELECT * EXCLUDE (building_id, finding_id), NULL::INTEGER AS superseded_by_part,
    NULL::BIGINT AS superseded_by_row, false AS replaced_elsewhere
FROM looks_by_hand;

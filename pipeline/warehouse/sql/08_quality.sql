-- What does not fit together, from landing and from the warehouse's own comparisons.
CREATE TABLE data_quality_findings AS
SELECT q.kind, q.building_id, v.unit_id, q.opening_id, q."column", q."values", q.sources, q.precedence,
    q.message
FROM data_quality AS q
LEFT JOIN opening_observations_valid AS v
    ON q.opening_id IS NOT NULL AND v._part = q._part AND v._row = q._row
UNION ALL BY NAME
SELECT
    'more_openings_than_registered' AS kind,
    b.building_id,
    concat('The register counts ', b.receptacle_count, ' openings, ', z.openings_seen,
        ' were recorded; the larger number is used.') AS message
FROM buildings AS b
JOIN building_sizes AS z USING (building_no)
WHERE b.receptacle_count < z.openings_seen
UNION ALL BY NAME
SELECT
    'survey_not_complete' AS kind,
    b.building_id,
    concat('A survey of every opening was reported, but ', z.openings_seen, ' of ', z.openings,
        ' openings were recorded; the rest count as never looked at.') AS message
FROM buildings AS b
JOIN building_sizes AS z USING (building_no)
WHERE z.openings_unseen > 0 AND NOT z.openings_assumed
    AND b.building_no IN (SELECT building_no FROM observations WHERE selection = 'survey')
UNION ALL BY NAME
SELECT
    'not_in_register' AS kind,
    building_id,
    'Observed or evaluated, but in no building register: its facts are all assumed.' AS message
FROM buildings
WHERE NOT in_register
UNION ALL BY NAME
SELECT
    'repair_contradicted' AS kind,
    b.building_id,
    nullif(c.unit_id, '') AS unit_id,
    c.opening_id,
    concat('The repair of ', c.fixed_on, ' (', replace(c.remedy, '_', ' '), ') at opening ',
        c.opening_id, CASE WHEN c.unit_id <> '' THEN concat(' in unit ', c.unit_id) ELSE '' END,
        ' was proven on ', c.verified_on, ', but a look of ', c.observed_on, ' (',
        replace(c.method, '_', ' '), ') speaks against it: it counts no longer.') AS message
FROM contradicted_fixes AS c
JOIN buildings AS b USING (building_no)
UNION ALL BY NAME
SELECT
    'rewired_by_permit' AS kind,
    building_id,
    concat('No register says when it was rewired; a finished permit of ', year_rewired,
        ' does, and is believed.') AS message
FROM buildings
WHERE rewired_by_permit
UNION ALL BY NAME
SELECT
    'no_longer_in_register' AS kind,
    building_id,
    concat('The full register ', full_register, ' no longer names it; a defect was reported here, ',
        'so it stays in every list until a person decides.') AS message
FROM retired_buildings
WHERE defect_reported
UNION ALL BY NAME
SELECT
    'slots_disagree' AS kind,
    b.building_id,
    nullif(o.unit_id, '') AS unit_id,
    o.opening_id,
    concat('Looks disagree on the slots of opening ', o.opening_id,
        CASE WHEN o.unit_id <> '' THEN concat(' in unit ', o.unit_id) ELSE '' END, ': ', string_agg(DISTINCT o.slots, ', ' ORDER BY o.slots), '; the latest is used.')
        AS message
FROM (
    -- The few first: a list of words for every opening would be much to gather.
    SELECT o.building_no, o.unit_id, o.opening_id, o.slots
    FROM observations AS o
    SEMI JOIN (
        SELECT building_no, unit_id, opening_id
        FROM observations
        GROUP BY ALL
        HAVING min(slots) <> max(slots)
    ) AS d USING (building_no, unit_id, opening_id)
    LEFT JOIN (
        SELECT building_no, unit_id, opening_id, max(fixed_on) AS fixed_on
        FROM faces_left
        GROUP BY ALL
    ) AS f USING (building_no, unit_id, opening_id)
    -- a repair may have changed the face: what was seen before says nothing of it now
    WHERE o.slots IS NOT NULL AND (f.fixed_on IS NULL OR o.observed_on > f.fixed_on)
) AS o
JOIN buildings AS b USING (building_no)
GROUP BY b.building_id, o.unit_id, o.opening_id
HAVING min(o.slots) <> max(o.slots)
UNION ALL BY NAME
SELECT
    'may_be_another_opening' AS kind,
    b.building_id,
    nullif(e.unit_id, '') AS unit_id,
    e.opening_id,
    concat('The look of ', max(e.observed_on), ' at opening ', e.opening_id,
        CASE WHEN e.unit_id <> '' THEN concat(' in unit ', e.unit_id) ELSE '' END,
        ' clears nothing that was reported on ', arg_max(e.of_on, (e.observed_on, e.of_on)),
        ' and proves no repair of it: ', arg_max(e.says, (e.observed_on, e.of_on)),
        '. Where they are two, take its file and that of the report in again with --set '
            'opening_id=ROOM|OPENING (their headers); where they are one, its file with --set '
            'same_opening=HEADER.') AS message
FROM looks_elsewhere AS e
JOIN buildings AS b USING (building_no)
WHERE e.of_defect
GROUP BY b.building_id, e.unit_id, e.opening_id
UNION ALL BY NAME
SELECT
    'jumper_seen_with_cover_on' AS kind,
    b.building_id,
    nullif(o.unit_id, '') AS unit_id,
    o.opening_id,
    concat('A neutral-to-ground jumper is reported at opening ', o.opening_id,
        ' although the cover stayed on; the report counts for little.') AS message
FROM observations AS o
JOIN buildings AS b USING (building_no)
WHERE o.neutral_ground_jumper = 'yes' AND o.cover_removed = 'no';

CREATE TABLE quarantined_rows AS SELECT * FROM quarantine;
CREATE TABLE files AS SELECT * FROM landed_files;
CREATE TABLE evaluations AS SELECT * FROM building_evaluations_current;

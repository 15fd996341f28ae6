-- Looks in force that their own file, sent again under the same name, holds no more, and another one in
-- their place: at the same opening, on the same day by somebody else or by another method, of an
-- earlier day, or the same readings of another day or of somebody else. They prove and clear nothing;
-- what they report stands. A look that the later file only leaves out stays as it is, and so does one
-- beside which the later file has a later look with other readings. Sheets of two plans of looks are
-- no two sendings of one file, whatever their file is called: each bears a mark of its plan.
CREATE TABLE looks_put_otherwise AS
WITH sent AS (
    SELECT _part, path, coalesce(sheet, '') AS sheet, sequence,
        regexp_extract(sheet, ' #[0-9a-f]{6}$') AS plan,  -- shared/plan_marks.py
        sequence > min(sequence) OVER (PARTITION BY path) AS again,
        max(sequence) OVER (PARTITION BY path) > min(sequence) OVER (PARTITION BY path) AS often
    FROM landed_files
    WHERE record_kind = 'opening_observations'
),
looks AS (
    SELECT l.*, s.* EXCLUDE (_part),
        (method, slots, result, cover_removed, ground_present, neutral_ground_jumper, polarity,
            ground_path_ohms, hot_neutral_volts, neutral_ground_volts, load_amps,
            plate_earth_volts, case_earth_volts, ground_contact_earth_volts) AS readings
    FROM looks_ever AS l
    JOIN sent AS s USING (_part)
    WHERE s.often
),
pairs AS (
    SELECT
        {'_part': a._part, '_row': a._row} AS one, {'_part': b._part, '_row': b._row} AS other
    FROM looks AS a
    JOIN looks AS b
        ON b.building_no = a.building_no AND b.unit_id = a.unit_id AND b.opening_id = a.opening_id
        AND b.path = a.path AND b.sequence > a.sequence AND b.again
        AND (b.plan = a.plan OR b.plan = '' OR a.plan = '')
    WHERE (a.observed_on, a.inspector, a.method)
            IS DISTINCT FROM (b.observed_on, b.inspector, b.method)
        AND (b.observed_on <= a.observed_on
            OR (a.inspector IS NOT DISTINCT FROM b.inspector
                    OR a._row = b._row AND a.sheet = b.sheet)
                AND a.readings IS NOT DISTINCT FROM b.readings)
),
both_ways AS (
    SELECT one AS look, other FROM pairs UNION SELECT other, one FROM pairs
),
few AS (SELECT DISTINCT look FROM both_ways),
-- In which sendings of which name each of them stands, as itself or repeated.
held AS (
    SELECT few.look, s.path, s.sequence FROM few JOIN sent AS s ON s._part = few.look._part
    UNION
    SELECT few.look, s.path, s.sequence
    FROM landed_outcomes AS d
    JOIN few ON few.look._part = d.other_part AND few.look._row = d.other_row
    JOIN sent AS s ON s._part = d._part
    WHERE d.status = 'duplicate'
),
last_held AS (SELECT look, max(sequence) AS sequence FROM held GROUP BY look)
SELECT DISTINCT b.look._part AS _part, b.look._row AS _row
FROM both_ways AS b
JOIN last_held AS l ON l.look = b.look
JOIN held AS own ON own.look = b.look AND own.sequence = l.sequence
JOIN held AS n ON n.look = b.other AND n.path = own.path AND n.sequence > l.sequence
WHERE NOT EXISTS (FROM held AS h WHERE h.look = b.other AND h.sequence = l.sequence)
    AND (b.look._part, b.look._row) IN (SELECT (_part, _row) FROM observations)
ORDER BY ALL;

-- Looks in force that their own file, sent again under the same name, holds no more, and another one in
-- their place: at the same opening, on the same day by somebody else or by another method, or the
-- same readings of another day or of somebody else. They prove and clear nothing; what they report
-- stands. A look that the later file only leaves out stays as it is.
CREATE TABLE looks_put_otherwise AS
WITH sent AS (
    SELECT _part, path, coalesce(sheet, '') AS sheet, sequence,
        sequence > min(sequence) OVER (PARTITION BY path) AS again,
        max(sequence) OVER (PARTITION BY path) > min(sequence) OVER (PARTITION BY path) AS often
    FROM landed_files
    WHERE record_kind = 'opening_observations'
),
pairs AS (
    SELECT
        {'_part': a._part, '_row': a._row} AS one, {'_part': b._part, '_row': b._row} AS other
    FROM looks_ever AS a
    JOIN sent AS f ON f._part = a._part AND f.often
    JOIN (SELECT l.*, s.path, s.sheet, s.sequence FROM looks_ever AS l
        JOIN sent AS s ON s._part = l._part AND s.again) AS b
        ON b.building_no = a.building_no AND b.unit_id = a.unit_id AND b.opening_id = a.opening_id
        AND b.path = f.path AND b.sequence > f.sequence
    WHERE (a.observed_on, a.inspector, a.method)
            IS DISTINCT FROM (b.observed_on, b.inspector, b.method)
        AND (a.observed_on = b.observed_on
            OR (a.inspector IS NOT DISTINCT FROM b.inspector
                    OR a._row = b._row AND f.sheet = b.sheet)
                AND (a.method, a.slots, a.result, a.cover_removed, a.ground_present,
                    a.neutral_ground_jumper, a.polarity, a.ground_path_ohms, a.hot_neutral_volts,
                    a.neutral_ground_volts, a.load_amps, a.plate_earth_volts, a.case_earth_volts,
                    a.ground_contact_earth_volts)
                    IS NOT DISTINCT FROM
                    (b.method, b.slots, b.result, b.cover_removed, b.ground_present,
                    b.neutral_ground_jumper, b.polarity, b.ground_path_ohms, b.hot_neutral_volts,
                    b.neutral_ground_volts, b.load_amps, b.plate_earth_volts, b.case_earth_volts,
                    b.ground_contact_earth_volts))
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

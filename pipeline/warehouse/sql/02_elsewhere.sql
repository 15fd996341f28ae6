-- Looks that name another room or circuit than an earlier row of the same opening: two receptacles
-- may bear one name there. of_defect: whether the earlier row reports anything. Such a look clears
-- nothing of what the row says and proves nothing of its repair, until a person says which is which.
CREATE TABLE looks_elsewhere AS
WITH placed AS (
    SELECT o.*,
        CASE WHEN l.room_tells THEN place_form(o.room) END AS room_form,
        CASE WHEN l.circuit_tells THEN place_form(o.circuit_id) END AS circuit_form
    FROM looks_ever AS o
    JOIN landed_files AS l ON l._part = o._part
    WHERE coalesce(o.room, o.circuit_id) IS NOT NULL
),
several AS (
    SELECT building_no, unit_id, opening_id FROM placed GROUP BY ALL
    HAVING min(hash(room_form)) FILTER (room_form IS NOT NULL)
            <> max(hash(room_form)) FILTER (room_form IS NOT NULL)
        OR min(hash(circuit_form)) FILTER (circuit_form IS NOT NULL)
            <> max(hash(circuit_form)) FILTER (circuit_form IS NOT NULL)
),
few AS (
    SELECT p.* FROM placed AS p SEMI JOIN several USING (building_no, unit_id, opening_id)
)
SELECT
    l.building_no, l.unit_id, l.opening_id, l.observed_on, l._part, l._row,
    r._part AS of_part, r._row AS of_row, r.observed_on AS of_on,
    r.result NOT IN ('correct', 'no_power', 'not_accessible', 'not_tested')
        OR coalesce(r.polarity = 'reversed', false)
        OR (r._part, r._row) IN (SELECT (_part, _row) FROM live_metal_told) AS of_defect,
    CASE WHEN l.room_form <> r.room_form
        THEN concat('it names the room ', l.room, ', the report ', r.room)
        ELSE concat('it names the circuit ', l.circuit_id, ', the report ', r.circuit_id)
    END || ': may be another receptacle' AS says
FROM few AS l
JOIN few AS r USING (building_no, unit_id, opening_id)
WHERE l.observed_on >= r.observed_on AND (l._part, l._row) <> (r._part, r._row)
    AND (l.room_form <> r.room_form OR l.circuit_form <> r.circuit_form)
ORDER BY ALL;

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

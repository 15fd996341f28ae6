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

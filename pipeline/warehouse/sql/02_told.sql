-- What looks report or measure of live metal, heat, a shock or an abnormal supply voltage, row by row,
-- and which looks name another place than an earlier row. Known before repairs are: a look that proves
-- one is asked where it was.
CREATE TABLE observation_history AS
SELECT h.* EXCLUDE (visit_id) FROM observations_history AS h WHERE h.status = 'superseded';

-- Every look, those that were replaced with what replaced them, and whether a later export did so, of
-- the same person. Two rows of one export are two looks, whatever they have in common; rows that name
-- nobody may be two people's.
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
LEFT JOIN landed_files AS later ON later._part = h.superseded_by_part;

CREATE TEMP TABLE live_metal_told AS
-- Notes in the words that are urgent in a complaint too (shared/report_subjects.py).
-- Put in words once: the alias by itself would ask again wherever it is used.
WITH subjects AS MATERIALIZED (
    SELECT note, report_subject(note) AS note_about
    FROM (SELECT DISTINCT note FROM looks_ever WHERE note IS NOT NULL)
),
notes AS (
    SELECT * FROM subjects WHERE list_contains(urgent_subjects(), note_about)
),
-- The few rows that may say it, before anything is put in words.
likely AS (
    SELECT
        *,
        -- What somebody found by a method that reaches beyond this box, or measured at its slots
        -- with the cover on, may sit in one further up.
        method IN ('neutral_lifted_test', 'upstream_box_seen', 'ground_wire_clamp')
            OR method IN ('voltmeter_under_load', 'ground_impedance_meter')
                AND coalesce(cover_removed, 'no') <> 'yes' AS traces
    FROM looks_ever
    LEFT JOIN notes USING (note)
    WHERE note_about IS NOT NULL OR may_be_urgent(
        result, neutral_ground_jumper, polarity, plate_earth_volts, case_earth_volts,
        ground_contact_earth_volts, non_contact_detector, heat_or_scorch, shock_reported,
        hot_neutral_volts)
),
said AS (
    SELECT *, unnest(list_filter([
        CASE result
            WHEN 'reversed_false_ground' THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'words' END,
                defect := 'reversed_false_ground', measured := false,
                says := 'reported as reversed false ground')
            WHEN 'hot_ground_reversed' THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'words' END,
                defect := 'hot_on_ground', measured := false,
                says := CASE WHEN method = 'three_lamp_tester'
                    THEN 'reported as hot and ground reversed (by lamps, which show the same for '
                        || 'an open neutral with a load switched on)'
                    ELSE 'reported as hot and ground reversed' END)
        END,
        CASE WHEN polarity = 'reversed' AND result IN ('false_ground', 'false_ground_upstream')
                AND neutral_ground_jumper IS DISTINCT FROM 'yes'
            THEN struct_pack(
                ground := CASE WHEN traces OR result = 'false_ground_upstream'
                    THEN 'words_of_upstream' ELSE 'jumper_and_swap' END,
                defect := 'reversed_false_ground', measured := true,
                says := CASE result WHEN 'false_ground_upstream'
                    THEN 'reported as false ground made in a box further up, polarity reversed'
                    ELSE 'reported as false ground, polarity reversed' END)
            WHEN neutral_ground_jumper = 'yes'
                AND (polarity = 'reversed' OR result = 'hot_neutral_reversed')
            THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'jumper_and_swap' END,
                defect := 'reversed_false_ground', measured := true,
                says := 'neutral-to-ground jumper seen, hot and neutral reversed')
        END,
        -- The load's current finds its way to the cases of whatever is plugged in.
        CASE WHEN result = 'open_neutral' AND neutral_ground_jumper = 'yes' THEN struct_pack(
            ground := CASE WHEN traces THEN 'words_of_upstream'
                ELSE 'jumper_and_open_neutral' END,
            defect := 'live_metal', measured := true,
            says := 'neutral-to-ground jumper seen, neutral open') END,
        CASE WHEN plate_earth_volts >= rule('urgent.touch_volts') THEN struct_pack(
            ground := 'plate_volts', defect := 'live_metal', measured := true,
            says := printf('%.4g V from plate to earth', plate_earth_volts)) END,
        CASE WHEN case_earth_volts >= rule('urgent.touch_volts') THEN struct_pack(
            ground := 'case_volts', defect := 'live_metal', measured := true,
            says := printf('%.4g V from metal case to earth', case_earth_volts)) END,
        CASE WHEN ground_contact_earth_volts >= rule('urgent.touch_volts') THEN struct_pack(
            ground := 'ground_contact_volts', defect := 'live_metal', measured := true,
            says := printf('%.4g V from ground contact to earth', ground_contact_earth_volts)) END,
        CASE WHEN non_contact_detector = 'yes' THEN struct_pack(
            ground := 'detector', defect := 'live_metal', measured := true,
            says := 'non-contact detector indicates on a metal part') END,
        CASE WHEN shock_reported = 'yes' THEN struct_pack(
            ground := 'shock', defect := 'shock_reported', measured := false,
            says := 'a shock was reported') END,
        CASE WHEN heat_or_scorch = 'yes' THEN struct_pack(
            ground := 'heat', defect := 'heat_or_scorch', measured := false,
            says := 'heat or scorch marks') END,
        CASE WHEN hot_neutral_volts > rule('urgent.supply_dead') AND (
                hot_neutral_volts < rule('urgent.supply_low')
                OR hot_neutral_volts > rule('urgent.supply_high'))
            THEN struct_pack(
                ground := 'supply_volts', defect := 'abnormal_voltage', measured := true,
                says := printf('supply voltage %.4g V', hot_neutral_volts))
            WHEN result = 'abnormal_voltage' THEN struct_pack(
                ground := 'supply_volts', defect := 'abnormal_voltage', measured := false,
                says := 'reported as abnormal supply voltage') END,
        -- What only the note says; where a column says so too it is told once.
        CASE
            WHEN note_about = 'shock' AND shock_reported IS DISTINCT FROM 'yes' THEN struct_pack(
                ground := 'shock', defect := 'shock_reported', measured := false,
                says := concat('note: "', note, '"'))
            WHEN note_about = 'heat' AND heat_or_scorch IS DISTINCT FROM 'yes' THEN struct_pack(
                ground := 'heat', defect := 'heat_or_scorch', measured := false,
                says := concat('note: "', note, '"'))
            WHEN note_about = 'live_metal' THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'words' END,
                defect := 'live_metal', measured := false, says := concat('note: "', note, '"'))
        END
    ], lambda each: each IS NOT NULL)) AS told
    FROM likely
)
SELECT building_no, unit_id, opening_id, told.ground, told.defect, told.says,
    CASE WHEN told.measured THEN 'measured' ELSE 'reported' END AS standing,
    result = 'false_ground_upstream' AS further_up,
    observed_on, inspector, method, _part, _row, superseded_by_part, superseded_by_row,
    replaced_elsewhere
FROM said;

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

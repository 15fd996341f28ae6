-- Urgent is what was plainly reported: which looks report or measure live metal, heat, a shock or an
-- abnormal supply voltage, and which later look or proven repair clears them. A function of each
-- opening's own rows and of the ledger; no model, no reader, no other building has a say.
-- Half of it in one look and half in another: a jumper or false ground here, and there hot and neutral
-- reversed, or the neutral open. What both say stands from the later one on, unless a look between them
-- was able to see that the earlier half was gone. Lamps that show a swap or an open neutral show that
-- no jumper makes metal live there yet; with one that is seen on that day or later it does.
CREATE TEMP TABLE live_metal_halves AS
WITH halves AS (
    SELECT *, list_filter([
        CASE WHEN neutral_ground_jumper = 'yes'
            OR result IN ('false_ground', 'false_ground_upstream') THEN 'jumper' END,
        CASE WHEN polarity = 'reversed' OR result = 'hot_neutral_reversed' THEN 'swap' END,
        CASE WHEN result = 'open_neutral' THEN 'open_neutral' END
    ], lambda each: each IS NOT NULL) AS said, unnest(said) AS half
    FROM looks_ever
    WHERE neutral_ground_jumper = 'yes' OR polarity = 'reversed'
        OR result IN (
            'false_ground', 'false_ground_upstream', 'hot_neutral_reversed', 'open_neutral')
)
SELECT building_no, unit_id, opening_id, half, observed_on, inspector, method, _part, _row,
    superseded_by_part, superseded_by_row, replaced_elsewhere,
    -- What a later look must see for it to be gone.
    -- One further up is not gone because there is none here.
    CASE
        WHEN half = 'jumper' AND result = 'false_ground_upstream'
            AND neutral_ground_jumper IS DISTINCT FROM 'yes' THEN 'words_of_upstream'
        WHEN half = 'jumper' THEN 'no_jumper'
        WHEN half = 'swap' THEN 'not_swapped'
        ELSE 'neutral_whole'
    END AS gone_by
FROM halves AS h
-- A row that says a jumper and more is told by itself. One that was replaced by a row that says the
-- same said nothing that is gone.
WHERE NOT (list_contains(said, 'jumper') AND len(said) > 1)
    AND (superseded_by_part IS NULL OR NOT EXISTS (
        SELECT 1 FROM halves AS n
        WHERE n._part = h.superseded_by_part AND n._row = h.superseded_by_row
            AND n.half = h.half));

CREATE TEMP TABLE live_metal_pairs AS
WITH pairs AS (
    SELECT
        j, o,
        (o.observed_on, o._part, o._row) > (j.observed_on, j._part, j._row) AS jumper_first
    FROM live_metal_halves AS j
    JOIN live_metal_halves AS o USING (building_no, unit_id, opening_id)
    WHERE j.half = 'jumper' AND o.half <> 'jumper'
        AND (o.method <> 'three_lamp_tester' OR o.observed_on <= j.observed_on)
),
ordered AS (
    SELECT *, CASE WHEN jumper_first THEN o ELSE j END AS last,
        CASE WHEN jumper_first THEN j ELSE o END AS earlier
    FROM pairs
)
SELECT
    last.building_no AS building_no, last.unit_id AS unit_id, last.opening_id AS opening_id,
    CASE
        WHEN j.gone_by = 'words_of_upstream' THEN 'words_of_upstream'
        WHEN o.half = 'swap' THEN 'jumper_and_swap'
        ELSE 'jumper_and_open_neutral'
    END AS ground,
    CASE o.half WHEN 'swap' THEN 'reversed_false_ground' ELSE 'live_metal' END AS defect,
    concat('jumper or false ground reported on ', j.observed_on,
        CASE o.half WHEN 'swap' THEN ', hot and neutral reversed on '
            ELSE ', open neutral on ' END, o.observed_on) AS says,
    'measured' AS standing,
    j.gone_by = 'words_of_upstream' AS further_up,
    last.observed_on AS observed_on, last.inspector AS inspector, last.method AS method,
    last._part AS _part, last._row AS _row,
    earlier.gone_by AS gone_by, earlier.observed_on AS since,
    earlier._part AS earlier_part, earlier._row AS earlier_row,
    j._part AS jumper_part, j._row AS jumper_row, o._part AS other_part, o._row AS other_row
FROM ordered;

-- Which grounds each later row of such an opening is able to clear. Able is what a reading answers,
-- not what its method is called:
--  * a box seen open on a live circuit, with polarity correct, the jumper answered and a result that
--    agrees, settles what was said in words of this opening; it settles no volts that were measured,
--    because a jumper in a box further up puts the hot conductor on the ground wire all the same:
--    that takes the box further up, the ground wire tested by itself, or volts again. So does what
--    was said after somebody had traced it there;
--  * volts to an independent earth below the threshold, on a circuit that the same row shows to be
--    live (supply volts, a load, lamps that light), settle the part that they were measured on, and the ground
--    contact what a report in words is about: a breaker that is off makes everything read 0 V;
--  * heat and scorch marks take the cover off to be ruled out, a supply voltage somebody who tested;
--  * a detector that stays silent settles nothing: it cannot see a part that it was not held to;
--  * a row that contradicts itself settles nothing: a result "correct" where no ground was seen, touch
--    voltage between neutral and ground contact while polarity is called correct;
--  * a row whose own note speaks against it (landing/own_notes.py: void, copied, a dead circuit,
--    another opening, a danger) settles nothing at all.
-- A row that itself says something urgent, or that contradicts itself, clears no live metal. What
-- the least look is that passes stands in shared/urgent_answers.py, for plans.
CREATE TEMP VIEW told_of AS
SELECT building_no, unit_id, opening_id FROM live_metal_told
UNION
SELECT building_no, unit_id, opening_id FROM live_metal_pairs;

CREATE TEMP TABLE notes_against AS
SELECT note, result
FROM (
    SELECT DISTINCT o.note, o.result
    FROM looks_ever AS o
    SEMI JOIN told_of AS s USING (building_no, unit_id, opening_id)
    WHERE o.note IS NOT NULL
)
WHERE note_against(note, result);

CREATE TEMP TABLE clearing_looks AS
WITH later AS (
    SELECT
        o.*,
        o.result NOT IN ('no_power', 'not_accessible', 'not_tested', 'open_hot')
            AND coalesce(o.hot_neutral_volts > rule('urgent.supply_dead'), true) AS not_dead,
        coalesce(o.cover_removed, CASE WHEN o.method = 'cover_off_inspection' THEN 'yes' END)
            = 'yes' AS cover_off,
        (o._part, o._row) IN (SELECT (_part, _row) FROM live_metal_told)
            OR coalesce(o.neutral_ground_volts >= rule('urgent.touch_volts'), false)
            OR (o.result = 'correct' AND o.ground_present IS NOT DISTINCT FROM 'no')
            AS urgent_itself
    FROM observations AS o
    SEMI JOIN told_of AS s USING (building_no, unit_id, opening_id)
    ANTI JOIN notes_against AS a USING (note, result)
    ANTI JOIN looks_put_otherwise AS p ON p._part = o._part AND p._row = o._row
),
shown AS (
    SELECT
        *,
        not_dead AND (
            hot_neutral_volts IS NOT NULL
            OR coalesce(load_amps > 0, false)
            OR (method = 'three_lamp_tester' AND result IN (
                'correct', 'open_ground', 'hot_neutral_reversed', 'hot_ground_reversed'))
        ) AS energised
    FROM later
),
able AS (
    SELECT
        *,
        NOT urgent_itself AND cover_off AND not_dead AND polarity = 'correct'
            AND (
                neutral_ground_jumper = 'no' AND result IN ('correct', 'open_ground', 'poor_ground')
                OR neutral_ground_jumper IS NOT NULL AND result = 'false_ground'
                -- What lamps showed may have been an open neutral under load.
                OR neutral_ground_jumper = 'no' AND ground_present = 'yes'
                    AND result = 'open_neutral'
            ) AS box_seen,
        box_seen AND neutral_ground_jumper = 'no' AND result <> 'open_neutral'
            AND method IN ('neutral_lifted_test', 'upstream_box_seen')
            -- On a path as poor as that a case stays live.
            AND result <> 'poor_ground' AS traced,
        NOT urgent_itself AND energised
            AND plate_earth_volts < rule('urgent.touch_volts') AS plate_dead,
        NOT urgent_itself AND energised
            AND case_earth_volts < rule('urgent.touch_volts') AS case_dead,
        NOT urgent_itself AND energised
            AND slots IS DISTINCT FROM 'two_slot'
            AND ground_contact_earth_volts < rule('urgent.touch_volts') AS contact_dead,
        NOT urgent_itself AND cover_off AND not_dead
            AND neutral_ground_jumper = 'no' AS no_jumper,
        NOT urgent_itself AND not_dead
            AND hot_neutral_volts >= rule('urgent.supply_low') AS neutral_whole
    FROM shown
)
SELECT building_no, unit_id, opening_id, observed_on, inspector, method, slots, _part, _row,
    unnest(list_filter([
        CASE WHEN box_seen OR contact_dead THEN 'words' END,
        CASE WHEN traced OR contact_dead THEN 'words_of_upstream' END,
        CASE WHEN box_seen OR contact_dead THEN 'jumper_and_swap' END,
        CASE WHEN (box_seen AND neutral_ground_jumper = 'no') OR contact_dead
            THEN 'jumper_and_open_neutral' END,
        CASE WHEN traced OR plate_dead THEN 'plate_volts' END,
        CASE WHEN traced OR case_dead THEN 'case_volts' END,
        CASE WHEN traced OR contact_dead THEN 'ground_contact_volts' END,
        CASE WHEN traced OR (contact_dead AND (coalesce(plate_dead, false)
            OR coalesce(case_dead, false))) THEN 'detector' END,
        CASE WHEN traced OR (contact_dead AND case_dead) THEN 'shock' END,
        CASE WHEN heat_or_scorch = 'no' AND cover_off AND result <> 'not_accessible'
            THEN 'heat' END,
        CASE WHEN not_dead AND hot_neutral_volts BETWEEN rule('urgent.supply_low')
            AND rule('urgent.supply_high') THEN 'supply_volts' END,
        -- Halves of a pair.
        CASE WHEN no_jumper THEN 'no_jumper' END,
        CASE WHEN box_seen THEN 'not_swapped' END,
        CASE WHEN neutral_whole THEN 'neutral_whole' END
    ], lambda each: each IS NOT NULL)) AS ground,
    concat_ws('; ',
        CASE WHEN no_jumper AND NOT box_seen THEN 'cover off, no jumper' END,
        CASE WHEN box_seen THEN concat('cover off, polarity correct, ',
            CASE neutral_ground_jumper WHEN 'yes' THEN 'jumper seen' ELSE 'no jumper' END) END,
        CASE WHEN contact_dead THEN
            printf('%.4g V from ground contact to earth', ground_contact_earth_volts) END,
        CASE WHEN plate_dead THEN printf('%.4g V from plate to earth', plate_earth_volts) END,
        CASE WHEN case_dead THEN printf('%.4g V from metal case to earth', case_earth_volts) END,
        CASE WHEN heat_or_scorch = 'no' THEN 'no heat or scorch marks' END,
        CASE WHEN hot_neutral_volts BETWEEN rule('urgent.supply_low')
            AND rule('urgent.supply_high') THEN
            printf('supply voltage %.4g V', hot_neutral_volts) END
    ) AS finds
FROM able;

-- The face that a reported repair leaves, proven or not.
CREATE TEMP TABLE faces_left AS
SELECT building_no, unit_id, opening_id, fixed_on, leaves_slots
FROM (
    FROM proven_families UNION ALL BY NAME FROM recurred_families
    UNION ALL BY NAME FROM reported_fixes
)
WHERE leaves_slots IS NOT NULL;

-- Which of them clear nothing of an earlier row: those that name another place, and those at another
-- face, which is another receptacle unless a repair that leaves that face was reported in between.
CREATE TEMP TABLE looks_at_another AS
SELECT _part, _row, of_part, of_row, NULL::VARCHAR AS face, NULL::VARCHAR AS of_face
FROM looks_elsewhere
UNION ALL
SELECT l._part, l._row, r._part, r._row, l.slots, r.slots
FROM (
    SELECT DISTINCT building_no, unit_id, opening_id, observed_on, slots, _part, _row
    FROM clearing_looks WHERE slots IS NOT NULL
) AS l
JOIN (
    SELECT building_no, unit_id, opening_id, observed_on, slots, _part, _row
    FROM looks_ever SEMI JOIN told_of USING (building_no, unit_id, opening_id)
    WHERE slots IS NOT NULL
) AS r USING (building_no, unit_id, opening_id)
WHERE l.slots <> r.slots AND l.observed_on >= r.observed_on
    AND (l._part, l._row, r._part, r._row) NOT IN (
        SELECT (_part, _row, of_part, of_row) FROM looks_elsewhere)
    AND NOT EXISTS (
        SELECT 1 FROM faces_left AS f
        WHERE f.building_no = l.building_no AND f.unit_id = l.unit_id
            AND f.opening_id = l.opening_id AND f.leaves_slots = l.slots
            AND f.fixed_on BETWEEN r.observed_on AND l.observed_on)
UNION ALL
-- A look written by hand names no place: it is that of the defect beside which it was written.
SELECT DISTINCT e._part, e._row, h._part, h._row, NULL, NULL
FROM looks_elsewhere AS e
JOIN looks_by_hand AS h USING (building_no, unit_id, opening_id)
WHERE e.of_defect AND e.of_on <= h.observed_on AND e.observed_on >= h.observed_on;

-- A row is corrected where a later export has another in its place by the same person that is able to
-- tell that it is gone, by the rules above: a reading of a dead circuit takes nothing back, nor does
-- one that cannot see it. A shock and scorch marks are taken back by the answer "no".
-- Nor does a row that the file of the corrected one had beside it, for the same opening, day, person
-- and method: a copy of that row says nothing new.
CREATE TEMP TABLE known_beside AS
SELECT DISTINCT r._part, r._row
FROM (
    SELECT _part, _row, superseded_by_part, superseded_by_row
    FROM live_metal_told WHERE replaced_elsewhere
    UNION
    SELECT _part, _row, superseded_by_part, superseded_by_row
    FROM live_metal_halves WHERE replaced_elsewhere
) AS r
JOIN looks_ever AS n ON n._part = r.superseded_by_part AND n._row = r.superseded_by_row
JOIN looks_ever AS o
    ON o._part = r._part AND o._row <> r._row
    AND o.building_no = n.building_no AND o.unit_id = n.unit_id AND o.opening_id = n.opening_id
    AND o.observed_on = n.observed_on AND o.method = n.method AND o.inspector = n.inspector
WHERE (o.result, o.cover_removed, o.ground_present, o.neutral_ground_jumper, o.polarity)
        IS NOT DISTINCT FROM
        (n.result, n.cover_removed, n.ground_present, n.neutral_ground_jumper, n.polarity)
    AND (o.plate_earth_volts, o.case_earth_volts, o.ground_contact_earth_volts, o.hot_neutral_volts)
        IS NOT DISTINCT FROM
        (n.plate_earth_volts, n.case_earth_volts, n.ground_contact_earth_volts, n.hot_neutral_volts)
    AND (o.heat_or_scorch, o.shock_reported, o.note)
        IS NOT DISTINCT FROM (n.heat_or_scorch, n.shock_reported, n.note);

CREATE TEMP TABLE live_metal_said AS
WITH corrected_halves AS (
    SELECT DISTINCT h._part, h._row, h.half, h.superseded_by_part, h.superseded_by_row
    FROM live_metal_halves AS h
    JOIN clearing_looks AS c
        ON c._part = h.superseded_by_part AND c._row = h.superseded_by_row
        AND c.ground = h.gone_by
    ANTI JOIN known_beside AS k ON k._part = h._part AND k._row = h._row
    ANTI JOIN looks_at_another AS e
        ON e._part = h.superseded_by_part AND e._row = h.superseded_by_row
        AND e.of_part = h._part AND e.of_row = h._row
    WHERE h.replaced_elsewhere
)
SELECT
    s.*,
    s.replaced_elsewhere AND k._part IS NULL AND a.note IS NULL AND e._part IS NULL
        AND CASE s.ground
        WHEN 'shock' THEN n.shock_reported IS NOT NULL
        WHEN 'heat' THEN n.heat_or_scorch IS NOT NULL
        ELSE c.ground IS NOT NULL
    END AS corrected
FROM live_metal_told AS s
LEFT JOIN known_beside AS k ON k._part = s._part AND k._row = s._row
LEFT JOIN looks_ever AS n ON n._part = s.superseded_by_part AND n._row = s.superseded_by_row
LEFT JOIN notes_against AS a ON a.note = n.note AND a.result = n.result
LEFT JOIN clearing_looks AS c
    ON c._part = s.superseded_by_part AND c._row = s.superseded_by_row AND c.ground = s.ground
LEFT JOIN looks_at_another AS e
    ON e._part = s.superseded_by_part AND e._row = s.superseded_by_row
    AND e.of_part = s._part AND e.of_row = s._row
UNION ALL BY NAME
SELECT p.* EXCLUDE (jumper_part, jumper_row, other_part, other_row),
    coalesce(g.superseded_by_part, k.superseded_by_part) AS superseded_by_part,
    coalesce(g.superseded_by_row, k.superseded_by_row) AS superseded_by_row,
    coalesce(g.superseded_by_part, k.superseded_by_part) IS NOT NULL AS corrected
FROM live_metal_pairs AS p
LEFT JOIN corrected_halves AS g
    ON g._part = p.jumper_part AND g._row = p.jumper_row AND g.half = 'jumper'
LEFT JOIN corrected_halves AS k
    ON k._part = p.other_part AND k._row = p.other_row AND k.half <> 'jumper';

DROP VIEW told_of;
DROP TABLE notes_against;
DROP TABLE live_metal_told;
DROP TABLE live_metal_pairs;
DROP TABLE live_metal_halves;

-- One row for each thing that a look says, with what answers it: cleared_by is NULL where it stands,
-- else 'look', 'proven_fix' or 'replaced' (a later export corrected the row). before_proof: the day of
-- the proof of a repair that came after what stands, where the defect has come back since.
-- at_other_face: the last look that would clear it but for its face. finding_id: beside which finding
-- of the ledger somebody wrote the look down, where it is no row of a file.
CREATE TABLE live_metal_looks AS
WITH numbered AS (
    SELECT *, row_number() OVER () AS number FROM live_metal_said
),
answers AS (
    SELECT s.number, c
    FROM numbered AS s
    JOIN clearing_looks AS c
        ON c.building_no = s.building_no AND c.unit_id = s.unit_id
        AND c.opening_id = s.opening_id AND c.ground = s.ground
    WHERE c.observed_on > s.observed_on
    UNION ALL
    SELECT s.number, c
    FROM numbered AS s
    JOIN clearing_looks AS c
        ON c.building_no = s.building_no AND c.unit_id = s.unit_id
        AND c.opening_id = s.opening_id AND c.ground = s.gone_by
    WHERE c.observed_on > s.since AND c.observed_on <= s.observed_on
),
answered AS (
    SELECT
        a.number,
        arg_min(a.c, (a.c.observed_on, a.c._part, a.c._row)) FILTER (e._part IS NULL) AS look,
        arg_max(struct_pack(observed_on := a.c.observed_on, face := e.face, of_face := e.of_face),
            (a.c.observed_on, a.c._part, a.c._row)) FILTER (e.face IS NOT NULL) AS other
    FROM answers AS a
    JOIN numbered AS s USING (number)
    LEFT JOIN looks_at_another AS e
        ON e._part = a.c._part AND e._row = a.c._row
        AND (e.of_part = s._part AND e.of_row = s._row
            OR e.of_part = s.earlier_part AND e.of_row = s.earlier_row)
    GROUP BY a.number
),
settled AS (
    SELECT
        s.*, a.look, a.other, f.fixed_on, f.fixed_by, f.verified_on, f.remedy,
        CASE WHEN r.verified_on > s.observed_on AND s.observed_on <= r.fixed_on
            THEN r.verified_on END AS before_proof,
        CASE
            WHEN s.corrected THEN 'replaced'
            WHEN a.look IS NOT NULL AND NOT coalesce(
                f.verified_on > s.observed_on AND s.observed_on <= f.fixed_on
                    AND f.verified_on < a.look.observed_on, false)
                THEN 'look'
            -- What was said after the repair, the repair does not answer: that takes a look.
            WHEN f.verified_on > s.observed_on AND s.observed_on <= f.fixed_on THEN 'proven_fix'
        END AS cleared_by
    FROM numbered AS s
    LEFT JOIN answered AS a ON a.number = s.number AND NOT s.corrected
    -- A proven repair answers for the family of defects that was repaired, for no other: what was
    -- reported in a box further up is not repaired at the opening.
    LEFT JOIN families AS d ON d.condition = s.defect
    LEFT JOIN proven_families AS f
        ON f.building_no = s.building_no AND f.unit_id = s.unit_id
        AND f.opening_id = s.opening_id
        AND f.family = CASE WHEN s.further_up THEN 'false_ground_upstream'
            ELSE coalesce(d.family, s.defect) END
    LEFT JOIN (
        SELECT building_no, unit_id, opening_id, family, max(fixed_on) AS fixed_on,
            arg_max(verified_on, fixed_on) AS verified_on
        FROM recurred_families GROUP BY ALL
    ) AS r
        ON r.building_no = s.building_no AND r.unit_id = s.unit_id
        AND r.opening_id = s.opening_id AND r.family = coalesce(d.family, s.defect)
    -- A row that was replaced by one that says the same said nothing that is gone.
    WHERE s.superseded_by_part IS NULL OR NOT EXISTS (
        SELECT 1 FROM live_metal_said AS n
        WHERE n._part = s.superseded_by_part AND n._row = s.superseded_by_row
            AND n.ground = s.ground)
    -- Of the pairs that one look completes, one.
    QUALIFY s.since IS NULL OR row_number() OVER (
        PARTITION BY s._part, s._row, s.ground, s.since IS NULL
        ORDER BY cleared_by IS NOT NULL, s.since DESC, s.says, a.look._part, a.look._row) = 1
)
SELECT
    b.building_id,
    s.building_no, s.unit_id, s.opening_id, s.ground, s.defect, s.says, s.standing,
    s.observed_on, s.inspector, s.method, l.path AS file, l.sheet,
    s._row // l.cells_a_row AS "row",
    s.cleared_by,
    CASE WHEN s.cleared_by IS NULL THEN s.before_proof END AS before_proof,
    CASE WHEN s.cleared_by IS NULL THEN s.other END AS at_other_face,
    CASE s.cleared_by
        WHEN 'replaced' THEN 'the row that said so was corrected by a later export'
        WHEN 'look' THEN s.look.finds
        WHEN 'proven_fix' THEN concat('repair of ', s.fixed_on, ' (',
            replace(s.remedy, '_', ' '), ') proven')
    END AS cleared_how,
    CASE s.cleared_by WHEN 'look' THEN s.look.observed_on WHEN 'proven_fix' THEN s.verified_on END
        AS cleared_on,
    CASE s.cleared_by WHEN 'look' THEN s.look.inspector WHEN 'proven_fix' THEN s.fixed_by END
        AS clearing_person,
    CASE s.cleared_by WHEN 'look' THEN s.look.method END AS clearing_method,
    k.path AS clearing_file,
    k.sheet AS clearing_sheet,
    CASE s.cleared_by WHEN 'look' THEN s.look._row WHEN 'replaced' THEN s.superseded_by_row END
        // k.cells_a_row AS clearing_row,
    h.finding_id
FROM settled AS s
JOIN buildings AS b USING (building_no)
LEFT JOIN landed_files AS l ON l._part = s._part
LEFT JOIN looks_by_hand AS h ON h._part = s._part AND h._row = s._row
LEFT JOIN landed_files AS k ON k._part = CASE s.cleared_by
    WHEN 'look' THEN s.look._part WHEN 'replaced' THEN s.superseded_by_part END
ORDER BY ALL;

DROP TABLE live_metal_said;
DROP TABLE clearing_looks;
DROP TABLE looks_at_another;

-- One row an opening at which something that was said stands. defect: what is worst of it, of what was
-- said since the last proof where anything was; what was said before it stands behind and says so.
CREATE TABLE urgent_openings AS
WITH standing AS (
    SELECT *,
        before_proof IS NOT NULL AND bool_or(before_proof IS NULL)
            OVER (PARTITION BY building_no, unit_id, opening_id) AS past
    FROM live_metal_looks
    WHERE cleared_by IS NULL
)
SELECT
    building_no, unit_id, opening_id,
    arg_min(defect, (list_position(['hot_on_ground', 'reversed_false_ground', 'live_metal',
        'shock_reported', 'heat_or_scorch', 'abnormal_voltage'], defect), -epoch(observed_on)))
        FILTER (NOT past) AS defect,
    max(standing = 'measured') FILTER (NOT past) AS measured,
    max(observed_on) FILTER (NOT past) AS reported_on,
    any_value(at_other_face.of_face) AS reported_slots,
    list(struct_pack(ground := ground,
        says := concat('before the repair proven on ' || before_proof::VARCHAR
            || ', which holds no longer: ', says,
            '; the look of ' || at_other_face.observed_on::VARCHAR || ' clears nothing of it: it names '
            'the face ' || replace(at_other_face.face, '_', ' ') || ', the report '
            || replace(at_other_face.of_face, '_', ' ') || ', and no repair in between that leaves '
            'such a face is reported: may be another receptacle'), standing := standing, observed_on := observed_on,
        inspector := inspector, method := method, file := file, sheet := sheet, "row" := "row",
        finding_id := finding_id)
        ORDER BY past, observed_on DESC, says, file, "row") AS grounds
FROM standing
GROUP BY building_no, unit_id, opening_id
ORDER BY building_no, unit_id, opening_id;

-- What was urgent at openings that are so no longer, and what took each of it away.
CREATE TABLE cleared_openings AS
SELECT l.*
FROM live_metal_looks AS l
ANTI JOIN urgent_openings AS u USING (building_no, unit_id, opening_id);

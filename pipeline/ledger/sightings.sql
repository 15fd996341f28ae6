-- What the evidence now points at, one row an opening and defect family: confirmed defects,
-- suspected ones from the declared probability, and what was plainly reported as urgent whatever its
-- probability. Tables: openings, observations, buildings, live_metal_looks, told_by_hand of the
-- warehouse; written_by_hand (finding_id, sequence) what a person wrote of urgent findings;
-- code_families (code, family, also) says at which families a look's code points; families
-- (condition, family); also_families, the same of families that a condition is of where the face or a
-- finding says so; no_defect_at_two_slots (condition); named_by (word, family, said_by: conditions of
-- other families that say as much); standing, the findings of the ledger. The parameter is the least
-- probability of a suspected defect.
CREATE OR REPLACE TEMP TABLE families_there AS
SELECT o.building_id, o.unit_id, o.opening_id, f.condition, f.family
FROM warehouse_openings AS o, families AS f
WHERE o.looked
UNION ALL
SELECT o.building_id, o.unit_id, o.opening_id, a.condition, a.family
FROM warehouse_openings AS o, also_families AS a
LEFT JOIN standing AS s
    ON s.building_id = o.building_id AND s.unit_id = o.unit_id AND s.opening_id = o.opening_id
    AND s.family = a.family AND s.treatment <> 'proven'
WHERE o.looked
GROUP BY ALL
HAVING any_value(o.slots) IS NOT DISTINCT FROM 'two_slot' OR count(s.family) > 0;

CREATE OR REPLACE TEMP TABLE family_probabilities AS
WITH long AS (
    UNPIVOT (
        SELECT
            building_id, unit_id, opening_id, slots, p_two_slot, confirmed, defect,
            p_ungrounded AS ungrounded,
            p_false_ground AS false_ground,
            p_reversed AS reversed,
            p_reversed_ungrounded AS reversed_ungrounded,
            p_reversed_false_ground AS reversed_false_ground,
            p_open_neutral AS open_neutral,
            p_open_hot AS open_hot,
            p_hot_on_ground AS hot_on_ground,
            p_poor_ground AS poor_ground,
            p_false_ground_upstream AS false_ground_upstream,
            p_reversed_false_ground_upstream AS reversed_false_ground_upstream,
            p_open_neutral_ungrounded AS open_neutral_ungrounded,
            p_open_neutral_false_ground AS open_neutral_false_ground,
            p_shared_neutral_open AS shared_neutral_open
        FROM warehouse_openings
        WHERE looked
    )
    ON ungrounded, false_ground, reversed, reversed_ungrounded, reversed_false_ground,
        open_neutral, open_hot, hot_on_ground, poor_ground, false_ground_upstream,
        reversed_false_ground_upstream, open_neutral_ungrounded, open_neutral_false_ground,
        shared_neutral_open
    INTO NAME condition VALUE p
)

SELECT
    l.building_id,
    l.unit_id,
    l.opening_id,
    f.family,
    arg_max(l.condition, l.p) AS condition,
    -- want of a ground is no defect at two slots: a face that was seen to have more counts in full,
    -- any other as likely as it has more
    sum(l.p * CASE
        WHEN n.condition IS NULL AND f.family <> 'no_ground'
            OR l.slots IN ('three_slot', 'other') THEN 1
        ELSE 1 - l.p_two_slot
    END) AS probability,
    coalesce(bool_or(l.confirmed AND l.condition = l.defect AND NOT (
        l.slots IS NOT DISTINCT FROM 'two_slot'
        AND (n.condition IS NOT NULL OR f.family = 'no_ground'))), false) AS confirmed
FROM long AS l
JOIN families_there AS f USING (building_id, unit_id, opening_id, condition)
LEFT JOIN no_defect_at_two_slots AS n USING (condition)
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE pointing_looks AS
SELECT
    o.building_id,
    o.unit_id,
    o.opening_id,
    c.family,
    min(o.observed_on) AS first_seen_on,
    max(o.observed_on) AS last_seen_on,
    max(o.observed_on) AS pointed_on,
    list_sort(list(DISTINCT o.method)) AS methods
FROM coded_looks AS o
JOIN code_families AS c USING (code)
WHERE NOT c.also OR (o.building_id, o.unit_id, o.opening_id, c.family) IN (
    SELECT (building_id, unit_id, opening_id, family) FROM families_there
    SEMI JOIN also_families USING (condition, family))
GROUP BY ALL;

-- What the latest look able to measure or to see into the box names in so many words, or in its
-- columns: it is raised whatever its probability, and evidence takes none of it back. Lamps and eyes
-- have only the probability. Where one look names more, the word says it: a jumper beside reversed
-- polarity is one defect.
CREATE OR REPLACE TEMP TABLE named_in_words AS
WITH able AS (
    SELECT
        building_id, unit_id, opening_id, result, polarity, neutral_ground_jumper, observed_on,
        max(observed_on) OVER (PARTITION BY building_id, unit_id, opening_id) AS last_on
    FROM coded_looks
    LEFT JOIN (
        SELECT building_id, unit_id, opening_id, max(fixed_on) AS fixed_on
        FROM standing WHERE treatment = 'proven' GROUP BY ALL
    ) AS repaired USING (building_id, unit_id, opening_id)
    WHERE
        method NOT IN ('visual', 'three_lamp_tester')
        AND result NOT IN ('no_power', 'not_accessible', 'not_tested')
        -- what a look named before a proven repair was repaired
        AND observed_on > coalesce(repaired.fixed_on, DATE '0001-01-01')
)

SELECT
    building_id, unit_id, opening_id, n.family,
    bool_or(raises) AS raises,
    any_value(n.said_by) AS said_by
FROM (
    SELECT building_id, unit_id, opening_id, result AS word, true AS raises
    FROM able WHERE observed_on = last_on AND result <> 'false_ground_upstream'
    UNION ALL
    -- a bond further up, as long as it stands: looks and repairs at the opening reach no such box.
    -- It has no finding of its own where what came back is recorded as one.
    SELECT building_id, unit_id, opening_id, 'false_ground_upstream', NOT EXISTS (
        FROM standing AS s
        WHERE s.building_id = further_up.building_id AND s.unit_id = further_up.unit_id
            AND s.opening_id = further_up.opening_id AND s.family <> 'false_ground_upstream'
            AND s.treatment IN ('none', 'fix_reported', 'disproved', 'made_safe')
            AND s.condition IN ('false_ground_upstream', 'reversed_false_ground_upstream'))
    FROM further_up WHERE worded
    UNION ALL
    SELECT building_id, unit_id, opening_id, 'hot_neutral_reversed',
        neutral_ground_jumper IS DISTINCT FROM 'yes' AND result NOT IN ('false_ground',
            'reversed_false_ground', 'false_ground_upstream', 'hot_ground_reversed')
    FROM able WHERE observed_on = last_on AND polarity = 'reversed'
    UNION ALL
    SELECT building_id, unit_id, opening_id, 'false_ground', result <> 'false_ground_upstream'
    FROM able WHERE observed_on = last_on AND neutral_ground_jumper = 'yes'
)
JOIN named_by AS n USING (word)
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE modelled AS
WITH graded AS (
    SELECT
        p.*,
        CASE
            WHEN p.confirmed THEN 'confirmed'
            WHEN p.probability >= $suspect THEN 'suspected'
            WHEN
                n.raises
                AND NOT coalesce(o.confirmed AND list_contains(n.said_by, o.defect), false)
                AND (o.slots IS DISTINCT FROM 'two_slot'
                    OR p.condition NOT IN (SELECT condition FROM no_defect_at_two_slots))
                THEN 'suspected'
        END AS grade,
        CASE WHEN p.confirmed THEN o.defect ELSE p.condition END AS stated,
        o.standing,
        n.family IS NOT NULL AS named,
        o.slots,
        o.gfci,
        o.marking,
        o.methods,
        o.last_observed_on
    FROM family_probabilities AS p
    JOIN warehouse_openings AS o USING (building_id, unit_id, opening_id)
    LEFT JOIN named_in_words AS n
        ON n.building_id = p.building_id AND n.unit_id = p.unit_id
        AND n.opening_id = p.opening_id AND n.family = p.family
)

SELECT
    g.building_id,
    g.unit_id,
    g.opening_id,
    g.family,
    g.grade,
    g.stated AS condition,
    g.probability,
    -- nobody reported this defect: a look that passed is no report of what is inferred in spite of it
    CASE WHEN g.grade = 'suspected' AND l.family IS NULL AND NOT g.named THEN 'inferred'
        ELSE g.standing END AS standing,
    g.slots,
    CASE WHEN g.gfci IN ('yes', 'no') THEN g.gfci END AS protected,
    coalesce(l.first_seen_on, g.last_observed_on) AS first_seen_on,
    coalesce(l.last_seen_on, g.last_observed_on) AS last_seen_on,
    l.pointed_on,
    coalesce(l.methods, g.methods) AS methods
FROM graded AS g
LEFT JOIN pointing_looks AS l USING (building_id, unit_id, opening_id, family)
WHERE
    g.grade IS NOT NULL
    -- protected and marked, an ungrounded three-slot opening is no defect
    AND NOT (
        g.stated = 'ungrounded'
        AND coalesce(g.gfci = 'yes', false)
        AND coalesce(g.marking IN ('no_equipment_ground', 'both'), false)
    );

-- Where a report names a condition it is that family's finding; what is no condition of the wiring (a
-- shock, heat, ...) is a family of its own, and so is whatever a look written by hand tells.
CREATE OR REPLACE TEMP TABLE told_urgent AS
SELECT
    l.*,
    CASE WHEN l.finding_id IS NULL THEN coalesce(f.family, l.defect)
        ELSE urgent_family(l.defect) END AS family,
    CASE WHEN l.finding_id IS NULL AND f.family IS NOT NULL THEN l.defect END AS condition
FROM live_metal_looks AS l
LEFT JOIN families AS f ON f.condition = l.defect;

-- What a person wrote down of danger stands until the warehouse knows all of it, and all of it is
-- answered there.
CREATE OR REPLACE TEMP TABLE stands_by_hand AS
SELECT w.finding_id
FROM written_by_hand AS w
JOIN standing AS s ON s.finding_id = w.finding_id
LEFT JOIN told_by_hand AS k ON k.finding_id = w.finding_id AND k.sequence = w.sequence
LEFT JOIN (
    SELECT building_id, unit_id, opening_id, family, bool_and(cleared_by IS NOT NULL) AS answered
    FROM told_urgent WHERE finding_id IS NOT NULL GROUP BY ALL
) AS t
    ON t.building_id = s.building_id AND t.unit_id = s.unit_id AND t.opening_id = s.opening_id
    AND t.family = s.family
GROUP BY w.finding_id
HAVING NOT bool_and(k.finding_id IS NOT NULL AND coalesce(t.answered, false));

-- What stands of the plain reports.
CREATE OR REPLACE TEMP TABLE reported_urgent AS
SELECT
    l.building_id,
    l.unit_id,
    l.opening_id,
    l.family,
    arg_max(l.condition, (l.observed_on, l.defect)) AS condition,
    min(l.observed_on) AS first_seen_on,
    max(l.observed_on) AS last_seen_on,
    max(l.observed_on) AS pointed_on,
    list_sort(list(DISTINCT l.method)) AS methods,
    string_agg(DISTINCT l.says, '; ' ORDER BY l.says) AS note
FROM told_urgent AS l
-- what was said before a proven repair is of that repair, though the defect came back
WHERE l.cleared_by IS NULL AND l.before_proof IS NULL
GROUP BY ALL;

-- What papers report, at no opening; see shared.report_subjects.DEFECT_OF. Where a paper says that it
-- was corrected, that is a claim: it stands as long as nobody has looked.
CREATE OR REPLACE TEMP TABLE papers AS
SELECT
    b.building_id,
    p.unit_id,
    '' AS opening_id,
    coalesce(f.family, p.defect) AS family,
    arg_max(CASE WHEN f.family IS NOT NULL THEN p.defect END, p.reported_on) AS condition,
    min(p.reported_on) FILTER (stands) AS first_seen_on,
    max(p.reported_on) FILTER (stands) AS last_seen_on,
    -- the first ten in words, so that a note never grows too long to be written
    concat(
        array_to_string(list_slice(list(
            concat(
                replace(p.report_kind, '_', ' '), ' ' || left(p.reference, 60), ' of ',
                p.reported_on, ': ', left(coalesce(p.description, p.code_section), 200),
                CASE WHEN p.status IN ('corrected', 'closed') THEN concat(' (', p.status,
                    ' on paper', ' on ' || p.status_on::VARCHAR, ')') END)
            ORDER BY p.reported_on, p.reference) FILTER (stands), 1, 10), '; '),
        CASE WHEN count(*) FILTER (stands) > 10
            THEN concat('; and ', count(*) FILTER (stands) - 10, ' more') END) AS note,
    CASE WHEN bool_and(p.status IS NOT DISTINCT FROM 'dismissed')
        THEN 'the paper that reported it was dismissed'
        ELSE 'every opening that the paper can mean was opened since; what was found there stands '
            'at these openings' END AS ends
FROM (
    SELECT *, status IS DISTINCT FROM 'dismissed' AND NOT answered AS stands FROM paper_defects
) AS p
JOIN buildings AS b USING (building_no)
LEFT JOIN families AS f ON f.condition = p.defect
GROUP BY ALL;

CREATE OR REPLACE TEMP TABLE sightings AS
SELECT *, false AS urgent, NULL::VARCHAR AS note
FROM modelled AS m
ANTI JOIN reported_urgent AS r USING (building_id, unit_id, opening_id, family)
UNION ALL BY NAME
SELECT
    r.*,
    CASE WHEN m.grade = 'confirmed' AND m.condition = r.condition THEN 'confirmed'
        ELSE 'suspected' END AS grade,
    p.probability,
    o.standing,
    o.slots,
    CASE WHEN o.gfci IN ('yes', 'no') THEN o.gfci END AS protected,
    true AS urgent
FROM reported_urgent AS r
JOIN warehouse_openings AS o USING (building_id, unit_id, opening_id)
LEFT JOIN family_probabilities AS p USING (building_id, unit_id, opening_id, family)
LEFT JOIN modelled AS m USING (building_id, unit_id, opening_id, family)
UNION ALL BY NAME
SELECT
    building_id, unit_id, opening_id, family, condition, first_seen_on, last_seen_on,
    last_seen_on AS pointed_on, note,
    'suspected' AS grade, 'reported' AS standing, []::VARCHAR[] AS methods,
    family IN (SELECT family FROM urgent_families) AS urgent
FROM papers
WHERE first_seen_on IS NOT NULL
ORDER BY ALL;

-- What the evidence now points at, one row an opening and defect family: confirmed defects,
-- suspected ones from the declared probability, and what was plainly reported as urgent whatever its
-- probability. Tables: openings, observations, buildings, live_metal_looks of the warehouse; code_families (code, family) says at which families a look's code points; families
-- (condition, family); standing, the findings of the ledger. The parameter is the least probability of a suspected defect.
CREATE OR REPLACE TEMP TABLE family_probabilities AS
WITH long AS (
    UNPIVOT (
        SELECT
            building_id, unit_id, opening_id, slots, p_three_slot,
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
    -- want of a ground is a defect of a three-slot opening only
    sum(l.p * CASE
        WHEN f.family NOT IN (
            'no_ground', 'false_ground', 'false_ground_upstream', 'poor_ground'
        ) OR l.slots = 'three_slot' THEN 1
        WHEN l.slots IS NULL THEN l.p_three_slot
        ELSE 0
    END) AS probability
FROM long AS l
JOIN families AS f USING (condition)
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
GROUP BY ALL;

-- What the latest look able to measure or to see into the box names in so many words: it is raised
-- whatever its probability. Lamps and eyes have only the probability.
CREATE OR REPLACE TEMP TABLE named_in_words AS
WITH able AS (
    SELECT
        building_id, unit_id, opening_id, result, observed_on,
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

SELECT DISTINCT
    building_id,
    unit_id,
    opening_id,
    CASE result
        WHEN 'false_ground' THEN 'false_ground'
        WHEN 'reversed_false_ground' THEN 'false_ground'
        WHEN 'false_ground_upstream' THEN 'false_ground_upstream'
        WHEN 'poor_ground' THEN 'poor_ground'
        WHEN 'hot_neutral_reversed' THEN 'polarity'
        WHEN 'hot_ground_reversed' THEN 'hot_on_ground'
    END AS family
FROM able
WHERE observed_on = last_on AND family IS NOT NULL;

CREATE OR REPLACE TEMP TABLE modelled AS
WITH graded AS (
    SELECT
        p.*,
        CASE
            WHEN o.confirmed AND p.family = d.family AND p.probability > 0 THEN 'confirmed'
            WHEN p.probability >= $suspect THEN 'suspected'
            WHEN
                n.family IS NOT NULL AND NOT coalesce(o.confirmed, false)
                AND (o.slots IS DISTINCT FROM 'two_slot' OR n.family IN ('polarity', 'hot_on_ground'))
                THEN 'suspected'
        END AS grade,
        CASE WHEN o.confirmed AND p.family = d.family THEN o.defect ELSE p.condition
        END AS stated,
        o.standing,
        n.family IS NOT NULL AS named,
        o.slots,
        o.gfci,
        o.marking,
        o.methods,
        o.last_observed_on
    FROM family_probabilities AS p
    JOIN warehouse_openings AS o USING (building_id, unit_id, opening_id)
    LEFT JOIN families AS d ON d.condition = o.defect
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

-- What stands of the plain reports. Where a report names a condition it is that family's finding;
-- what is no condition of the wiring (a shock, heat, ...) is a family of its own.
CREATE OR REPLACE TEMP TABLE reported_urgent AS
SELECT
    l.building_id,
    l.unit_id,
    l.opening_id,
    coalesce(f.family, l.defect) AS family,
    arg_max(CASE WHEN f.family IS NOT NULL THEN l.defect END, (l.observed_on, l.defect))
        AS condition,
    min(l.observed_on) AS first_seen_on,
    max(l.observed_on) AS last_seen_on,
    max(l.observed_on) AS pointed_on,
    list_sort(list(DISTINCT l.method)) AS methods,
    string_agg(DISTINCT l.says, '; ' ORDER BY l.says) AS note
FROM live_metal_looks AS l
LEFT JOIN families AS f ON f.condition = l.defect
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

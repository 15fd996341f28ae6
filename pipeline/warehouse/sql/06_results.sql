-- What is known of every recorded opening by itself.
CREATE TABLE opening_facts AS
SELECT
    b.building_id,
    o.building_no,
    o.unit_id,
    o.opening_id,
    o.room,
    o.location,
    coalesce(o.leaves_slots, o.slots) AS slots,
    CASE WHEN o.leaves_protected THEN 'yes' ELSE o.gfci END AS gfci,
    o.marking,
    o.selection,
    o.last_observed_on,
    o.methods,
    o.circuit_id,
    o.known,
    o.row_no,
    u.defect IS NOT NULL AS urgent,
    u.defect AS urgent_defect,
    coalesce(u.grounds, []) AS grounds,
    -- what it is as soon as no repair is proven there
    CASE
        WHEN u.measured THEN 'measured'
        WHEN u.defect IS NOT NULL THEN 'reported'
        ELSE ['inferred', 'reported', 'measured'][o.known + 1]
    END AS standing_unrepaired,
    CASE
        WHEN u.defect IS NULL AND f.fixed_on IS NOT NULL THEN 'proven'
        ELSE standing_unrepaired
    END AS standing,
    f.fixed_on,
    f.verified_on,
    f.leaves_condition AS proven_condition,
    r.fixed_on AS reported_fixed_on
FROM opening_list AS o
JOIN buildings AS b USING (building_no)
LEFT JOIN proven_fixes AS f USING (building_no, unit_id, opening_id)
LEFT JOIN reported_fixes AS r USING (building_no, unit_id, opening_id)
LEFT JOIN urgent_openings AS u USING (building_no, unit_id, opening_id)
ORDER BY o.building_no, o.unit_id, o.opening_id;

-- Every recorded opening with what remains possible there: the same for all of one row of
-- opening_groups, and so written once.
CREATE VIEW openings AS
SELECT
    o.* EXCLUDE (row_no),
    s.* EXCLUDE (building_no, openings, recorded),
    s.p_detected >= rule('evidence.confirm_probability') AS confirmed
FROM opening_facts AS o
JOIN opening_groups AS s USING (building_no, row_no);

-- What each building's openings add up to.
CREATE TABLE building_evidence AS
WITH rows AS (
    SELECT
        *,
        openings * harm * location_factor AS row_harm,
        openings * p_three_slot AS three_slots,
        p_detected >= rule('evidence.confirm_probability') AS confirmed
    FROM opening_groups
)
SELECT
    building_no,
    sum(openings) FILTER (looked)::BIGINT AS openings_looked_at,
    sum(openings) FILTER (recorded AND NOT looked)::BIGINT AS openings_not_tested,
    total(three_slots) AS three_slots,
    CASE
        WHEN total(three_slots) > 0
            THEN total(CASE WHEN sees_false_ground THEN 0 ELSE three_slots END)
                / total(three_slots)
        ELSE 0
    END AS blind_share,
    CASE
        WHEN total(row_harm) > 0
            THEN total(CASE WHEN looked THEN row_harm ELSE 0 END) / total(row_harm)
        ELSE 0
    END AS evidence_share,
    coalesce(sum(openings) FILTER (confirmed), 0)::BIGINT AS confirmed_defects,
    coalesce(any_value(u.urgent_count), 0) AS urgent_openings,
    coalesce(any_value(p.report_count), 0) AS urgent_reports,
    coalesce(any_value(u.urgent_count), 0) + coalesce(any_value(p.report_count), 0) > 0 AS urgent,
    coalesce(sum(openings) FILTER (confirmed AND defect = 'false_ground'), 0)::BIGINT
        AS confirmed_false_grounds,
    coalesce(sum(openings) FILTER (
        confirmed AND defect IN ('ungrounded', 'reversed_ungrounded')), 0)::BIGINT
        AS confirmed_ungrounded
FROM rows
LEFT JOIN (
    SELECT building_no, count(*) AS urgent_count FROM urgent_openings GROUP BY building_no
) AS u USING (building_no)
LEFT JOIN (
    SELECT building_no, count(*) FILTER (NOT answered) AS report_count
    FROM urgent_reports GROUP BY building_no
) AS p USING (building_no)
GROUP BY building_no
ORDER BY building_no;

CREATE TABLE slot_mix AS
SELECT
    building_no,
    count(*) FILTER (slots = 'two_slot') AS two_slot_seen,
    count(*) FILTER (slots = 'three_slot') AS three_slot_seen
FROM opening_list
GROUP BY building_no;

-- Where a look would tell most: the opening group whose danger is least settled. Its value is told by
-- what lies there: openings, how many of them are expected to be dangerous, and their share of what
-- is unsettled in the building (sum of p (1 - p)). Where something is urgent, that comes first.
CREATE TABLE next_looks AS
WITH valued AS (
    SELECT
        s.building_no,
        CASE WHEN NOT s.recorded THEN 'unrecorded' WHEN NOT s.looked THEN 'untested'
            ELSE 'only_blind_methods' END AS what,
        total(s.openings * s.p_three_slot) AS three_slots,
        sum(s.openings) AS openings,
        total(s.openings * s.p_dangerous) AS expected,
        total(s.openings * s.p_dangerous * (1 - s.p_dangerous)) AS unsettled
    FROM opening_groups AS s
    WHERE NOT s.sees_false_ground
    GROUP BY ALL
),
all_unsettled AS (
    SELECT building_no, total(openings * p_dangerous * (1 - p_dangerous)) AS unsettled
    FROM opening_groups
    GROUP BY building_no
),
best AS (
    SELECT building_no, arg_max(what, (unsettled, what)) AS what
    FROM valued
    GROUP BY building_no
),
first_opening AS (
    SELECT
        building_no,
        CASE WHEN NOT looked THEN 'untested' ELSE 'only_blind_methods' END AS what,
        arg_min(
            concat_ws(', ', nullif(concat('unit ', nullif(unit_id, '')), 'unit '), room,
                concat('opening ', opening_id)),
            (-p_dangerous * (1 - p_dangerous) * location_factor, unit_id, opening_id)
        ) AS place
    FROM openings
    WHERE NOT sees_false_ground AND slots IS DISTINCT FROM 'two_slot'
    GROUP BY ALL
),
urgent AS (
    SELECT
        building_no,
        arg_min(concat_ws(', ', nullif(concat('unit ', nullif(unit_id, '')), 'unit '), room,
            concat('opening ', opening_id)), (unit_id, opening_id)) AS place,
        arg_min(grounds[1].says, (unit_id, opening_id)) AS what
    FROM openings
    WHERE urgent
    GROUP BY building_no
),
reported AS (
    SELECT building_no,
        arg_max(CASE WHEN unit_id = '' THEN 'the whole building' ELSE concat('unit ', unit_id) END,
            (reported_on, unit_id)) AS place,
        arg_max(concat(replace(report_kind, '_', ' '), coalesce(' ' || reference, ''), ' of ',
            reported_on, ' speaks of ', replace(subject, '_', ' ')), (reported_on, unit_id)) AS what
    FROM urgent_reports
    WHERE NOT answered
    GROUP BY building_no
)
SELECT
    b.building_no,
    v.what,
    CASE
        WHEN u.building_no IS NULL AND p.building_no IS NOT NULL THEN concat(
            'Now: a qualified person to ', p.place, ': ', p.what, '.')
        WHEN u.building_no IS NOT NULL THEN concat(
            'Now: a qualified person to ', u.place,
            ': ', u.what, '.')
        WHEN v.what = 'unrecorded' THEN concat(
            'Cover-off inspection of openings picked at random among the ', v.openings::BIGINT,
            ' that nobody has recorded.')
        WHEN v.what = 'untested' THEN concat(
            'Cover-off inspection of the ', v.openings::BIGINT,
            ' recorded openings that nobody could test', coalesce(', first ' || f.place, ''), '.')
        WHEN v.what = 'only_blind_methods' THEN concat(
            'Cover-off inspection of the ', round(v.three_slots)::BIGINT,
            ' three-slot openings seen only by methods blind to a false ground',
            coalesce(', first ' || f.place, ''), '.')
        ELSE 'No opening is left that a further look would tell much about.'
    END AS next_look,
    CASE WHEN u.building_no IS NULL AND p.building_no IS NULL THEN v.openings::DOUBLE END AS next_openings,
    CASE WHEN u.building_no IS NULL AND p.building_no IS NULL THEN v.expected END AS next_expected,
    CASE WHEN u.building_no IS NULL AND p.building_no IS NULL AND a.unsettled > 0 THEN v.unsettled / a.unsettled
    END AS next_share
FROM buildings AS b
LEFT JOIN best AS x USING (building_no)
LEFT JOIN valued AS v ON v.building_no = b.building_no AND v.what = x.what
LEFT JOIN first_opening AS f ON f.building_no = b.building_no AND f.what = x.what
LEFT JOIN urgent AS u ON u.building_no = b.building_no
LEFT JOIN reported AS p ON p.building_no = b.building_no
LEFT JOIN all_unsettled AS a ON a.building_no = b.building_no
ORDER BY b.building_no;

-- What reported fixes would take off a score if a capable look proved them; until then they do not.
CREATE TABLE reported_fix_effects AS
SELECT
    o.building_no,
    count(*) AS openings,
    total(
        (o.harm - greatest(0, (1 - rule('evidence.repair_doubt')) * v.severity
            + rule('evidence.repair_doubt') * o.harm))
        * o.location_factor * z.exposed_per_dwelling * rule('scoring.score_unit_years')
    ) AS score_if_proven_lower_by
FROM openings AS o
JOIN reported_fixes AS r USING (building_no, unit_id, opening_id)
JOIN building_sizes AS z USING (building_no)
JOIN severities AS v
    ON v.slots = coalesce(r.leaves_slots, o.slots)
    AND v.condition = r.leaves_condition
    AND v.protected = coalesce(r.leaves_protected, false)
GROUP BY o.building_no
ORDER BY o.building_no;

-- What would have been said of an opening before its own looks, against what capable looks found.
CREATE TABLE said_and_found AS
WITH bounds AS (
    SELECT unnest(getvariable('said_from')) AS said_from,
        unnest(list_append(getvariable('said_from')[2:], 1.0)) AS said_to
)
SELECT
    b.said_from,
    b.said_to,
    sum(g.openings)::BIGINT AS openings,
    total(g.openings * g.p_of_circuit) / sum(g.openings) AS said,
    total(g.openings * g.p_dangerous) / sum(g.openings) AS found
FROM bounds AS b
JOIN opening_groups AS g
    ON g.p_of_circuit >= b.said_from
    AND (g.p_of_circuit < b.said_to OR b.said_to = 1.0)
WHERE g.recorded AND g.looked AND g.sees_false_ground
    AND g.row_no NOT IN (
        SELECT o.row_no FROM opening_facts AS o WHERE o.proven_condition IS NOT NULL)
GROUP BY b.said_from, b.said_to
ORDER BY b.said_from;

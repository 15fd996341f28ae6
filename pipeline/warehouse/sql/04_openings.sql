-- One row an opening that anybody recorded. Looks by the same method and hand are one look: the
-- latest that could be made (a later "not accessible" takes nothing back). An opening counts as
-- picked in the least biased way that any of its looks was picked. Of facts that looks disagree on,
-- the latest holds; of the same day, the one that landed last.
-- Run for one stretch of the buildings to be gathered after the other (04_changed.sql): grouping all
-- looks at once would need memory in proportion to them, and slow down once it is short.
CREATE TEMP TABLE looks AS
SELECT
    o.building_no,
    o.unit_id,
    o.opening_id,
    o.method,
    -- What a proven repair left says nothing of the hand that wired the building.
    arg_max({code}, o.at + CASE WHEN o.looked THEN 1::HUGEINT << 110 ELSE 0 END)
        FILTER (
            (f.fixed_on IS NULL OR o.observed_on <= f.fixed_on)
            -- What stood between a repair and its proof was undone where a later look contradicts.
            AND (c.undone_from IS NULL OR o.observed_on NOT BETWEEN c.undone_from + 1 AND c.undone_to)
        ) AS code,
    max(o.observed_on) AS observed_on,
    max(o.at) AS latest,
    arg_max(o.slots, o.at) FILTER (
        o.slots IS NOT NULL AND (f.fixed_on IS NULL OR o.observed_on <= f.fixed_on)) AS slots,
    arg_max(o.gfci_protected, o.at)
        FILTER (o.gfci_protected IS NOT NULL) AS gfci,
    arg_max(o.marking, o.at) FILTER (o.marking IS NOT NULL) AS marking,
    arg_max(o.room, o.at) FILTER (o.room IS NOT NULL) AS room,
    arg_max(o.circuit_id, o.at)
        FILTER (o.circuit_id IS NOT NULL) AS circuit_id,
    min(CASE o.selection
        WHEN 'survey' THEN 0 WHEN 'random' THEN 1 WHEN 'targeted' THEN 3 WHEN 'complaint' THEN 4
        ELSE 2 END) AS pick,
    max(o.known) AS known
FROM (
    SELECT
        r.*,
        i.reader,
        -- When it was and where it landed as one number: of two looks the later has the larger.
        ((r.observed_on - DATE '0001-01-01')::HUGEINT << 80) + (r._part::HUGEINT << 44) + r._row
            AS at,
        NOT list_contains(['no_power', 'not_accessible', 'not_tested'], r.result)
            OR coalesce(r.neutral_ground_volts, r.ground_path_ohms) IS NOT NULL
            OR coalesce(r.ground_present, r.neutral_ground_jumper, r.polarity) IS NOT NULL
            AS looked,
        -- 2: something measured, or seen in the box; 1: reported in words; 0: nobody looked.
        CASE
            WHEN coalesce(r.ground_present, r.neutral_ground_jumper, r.polarity,
                    r.non_contact_detector) IS NOT NULL
                OR coalesce(r.neutral_ground_volts, r.ground_path_ohms, r.hot_neutral_volts,
                    r.plate_earth_volts, r.case_earth_volts, r.ground_contact_earth_volts)
                    IS NOT NULL
                THEN 2
            WHEN coalesce(r.heat_or_scorch, r.shock_reported) IS NOT NULL
                OR NOT list_contains(['no_power', 'not_accessible', 'not_tested'], r.result)
                THEN 1
            ELSE 0
        END AS known
    FROM observations AS r
    LEFT JOIN inspectors AS i ON i.inspector = r.inspector
    SEMI JOIN (
        SELECT building_no FROM to_gather
        WHERE place BETWEEN getvariable('first_building') AND getvariable('last_building')
    ) AS g ON g.building_no = r.building_no
) AS o
LEFT JOIN proven_fixes AS f
    ON f.building_no = o.building_no AND f.unit_id = o.unit_id AND f.opening_id = o.opening_id
LEFT JOIN (
    SELECT building_no, unit_id, opening_id, fixed_on AS undone_from, verified_on AS undone_to
    FROM contradicted_fixes
) AS c
    ON c.building_no = o.building_no AND c.unit_id = o.unit_id AND c.opening_id = o.opening_id
GROUP BY o.building_no, o.unit_id, o.opening_id, o.method, o.inspector;

INSERT INTO opening_evidence BY NAME
SELECT
    l.building_no,
    l.unit_id,
    l.opening_id,
    list_sort(coalesce(list(l.code) FILTER (l.code IS NOT NULL), [])) AS codes,
    list_sort(list(DISTINCT l.method)) AS methods,
    max(l.observed_on) AS last_observed_on,
    arg_max(l.slots, l.latest) FILTER (l.slots IS NOT NULL) AS slots,
    arg_max(l.gfci, l.latest) FILTER (l.gfci IS NOT NULL) AS gfci,
    arg_max(l.marking, l.latest) FILTER (l.marking IS NOT NULL) AS marking,
    arg_max(l.room, l.latest) FILTER (l.room IS NOT NULL) AS room,
    arg_max(l.circuit_id, l.latest) FILTER (l.circuit_id IS NOT NULL) AS circuit_id,
    ['survey', 'random', 'unknown', 'targeted', 'complaint'][min(l.pick) + 1] AS selection,
    max(l.known) AS known,
    any_value(f.leaves_condition) AS leaves_condition,
    any_value(f.leaves_slots) AS leaves_slots,
    any_value(f.leaves_protected) AS leaves_protected
FROM looks AS l
LEFT JOIN proven_fixes AS f
    ON f.building_no = l.building_no AND f.unit_id = l.unit_id AND f.opening_id = l.opening_id
GROUP BY l.building_no, l.unit_id, l.opening_id;

DROP TABLE looks;

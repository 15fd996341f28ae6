-- One row a building: every building that any source names, its facts, and what stands in for the
-- missing ones (marked as assumed). Not those that a full register retired, unless a defect was
-- reported there: what is dangerous stays until a person decides.
CREATE TABLE retired_buildings AS
WITH dangers AS (
    SELECT building_id FROM observations_history
    WHERE result NOT IN ('correct', 'open_ground', 'no_power', 'not_accessible', 'not_tested')
        OR neutral_ground_jumper = 'yes' OR polarity = 'reversed'
        OR plate_earth_volts >= rule('urgent.touch_volts')
        OR case_earth_volts >= rule('urgent.touch_volts')
        OR ground_contact_earth_volts >= rule('urgent.touch_volts')
        OR non_contact_detector = 'yes' OR heat_or_scorch = 'yes' OR shock_reported = 'yes'
        OR (hot_neutral_volts > rule('urgent.supply_dead') AND hot_neutral_volts NOT BETWEEN
            rule('urgent.supply_low') AND rule('urgent.supply_high'))
    UNION
    SELECT building_id FROM building_reports_valid
    WHERE list_contains(urgent_subjects(), report_subject(concat_ws(' ', description, code_section)))
        AND status IS DISTINCT FROM 'dismissed'
)
SELECT r.*, r.building_id IN (SELECT building_id FROM dangers) AS defect_reported
FROM landed_retired AS r;

CREATE TABLE buildings AS
WITH named AS (
    SELECT building_id FROM building_register_current
    UNION
    SELECT building_id FROM opening_observations_current
    UNION
    SELECT building_id FROM building_evaluations_current
    UNION
    SELECT building_id FROM building_reports_current
),
numbered AS (
    SELECT (row_number() OVER (ORDER BY building_id) - 1)::INTEGER AS building_no, building_id
    FROM named
    WHERE building_id NOT IN (
        SELECT building_id FROM retired_buildings WHERE NOT defect_reported)
),
rewiring_permits AS (
    -- A finished permit for rewiring of the whole building, where no register tells.
    SELECT building_id, max(year(coalesce(status_on, reported_on)))::BIGINT AS year
    FROM building_reports_current
    WHERE report_kind = 'permit' AND status = 'corrected' AND unit_id IS NULL
        AND report_subject(concat_ws(' ', description, code_section)) = 'rewiring'
    GROUP BY building_id
),
latest_evaluation AS (
    -- Never mixed across scales: each grade counts as a share of its own scale. Where the latest
    -- visit graded several items, the worst counts.
    SELECT
        building_id,
        max(evaluated_on) AS evaluated_on,
        arg_max(grade / scale_best, (evaluated_on, -grade / scale_best)) AS graded_share
    FROM building_evaluations_current
    WHERE grade IS NOT NULL
    GROUP BY building_id
)
SELECT
    n.building_no,
    n.building_id,
    r.* EXCLUDE (building_id, _part, _row)
        REPLACE (coalesce(r.year_rewired, p.year) AS year_rewired),
    r.year_rewired IS NULL AND p.year IS NOT NULL AS rewired_by_permit,
    r.building_id IS NOT NULL AS in_register,
    e.evaluated_on,
    e.graded_share
FROM numbered AS n
LEFT JOIN building_register_current AS r USING (building_id)
LEFT JOIN rewiring_permits AS p USING (building_id)
LEFT JOIN latest_evaluation AS e USING (building_id)
ORDER BY n.building_no;

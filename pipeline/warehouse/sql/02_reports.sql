-- Citations, complaints, work orders and permits. What they report (paper_defect) stands until every
-- recorded opening that they can mean (of the unit they name, else of the building, and then as many
-- as the register counts) was opened later, on a live circuit, by somebody who answered polarity and
-- jumper (for heat: heat or scorch marks; for want of a ground: whether there is one; for a shock, where
-- there is a ground contact: the volts that a shock noted at the opening takes too, for a bond further up
-- makes it live though this box is sound). A repair that the paper claims, or a paper that is closed,
-- answers nothing; one that was dismissed was no report.
-- Nor does a look whose own note speaks against it (landing/own_notes.py).
CREATE TABLE building_reports AS
SELECT
    b.building_no, coalesce(r.unit_id, '') AS unit_id, r.report_kind, r.reference, r.reported_on,
    r.status, r.status_on, r.code_section, r.description, r.issued_by,
    report_subject(concat_ws(' ', r.description, r.code_section)) AS subject,
    l.path AS file, l.sheet, r._part, r._row
FROM building_reports_current AS r
JOIN buildings AS b USING (building_id)
JOIN landed_files AS l ON l._part = r._part
ORDER BY ALL;

CREATE TEMP TABLE reported_defects AS
SELECT *, paper_defect(subject, report_kind) AS defect FROM building_reports
WHERE paper_defect(subject, report_kind) IS NOT NULL;

-- Looks since a paper at openings that it can mean which answer it there: _part and _row are the
-- paper's.
CREATE TABLE paper_answers AS
WITH answers AS (
    SELECT s._part, s._row, o.unit_id, o.opening_id, o.observed_on, o.inspector, o.firm_of_inspector,
        o.note, o.result
    FROM reported_defects AS s
    JOIN observations AS o ON o.building_no = s.building_no AND s.unit_id IN ('', o.unit_id)
    WHERE
        o.observed_on > s.reported_on
        AND coalesce(o.cover_removed,
            CASE WHEN o.method = 'cover_off_inspection' THEN 'yes' END) = 'yes'
        AND o.result NOT IN ('no_power', 'not_accessible', 'not_tested', 'open_hot')
        AND coalesce(o.hot_neutral_volts > rule('urgent.supply_dead'), true)
        AND o.polarity IS NOT NULL AND o.neutral_ground_jumper IS NOT NULL
        AND (s.subject <> 'heat' OR o.heat_or_scorch IS NOT NULL)
        AND (s.subject <> 'no_ground' OR o.ground_present IS NOT NULL)
        AND (s.subject <> 'shock' OR o.slots IS NOT DISTINCT FROM 'two_slot'
            OR o.method IN ('neutral_lifted_test', 'upstream_box_seen')
            OR (o.hot_neutral_volts IS NOT NULL AND o.case_earth_volts IS NOT NULL
                AND o.ground_contact_earth_volts IS NOT NULL))
),
against AS (
    SELECT note, result
    FROM (SELECT DISTINCT note, result FROM answers WHERE note IS NOT NULL)
    WHERE note_against(note, result)
)
SELECT * EXCLUDE (note, result)
FROM answers
ANTI JOIN against USING (note, result)
ORDER BY ALL;

CREATE TABLE paper_defects AS
WITH openings_meant AS (
    SELECT s._part, s._row, count(DISTINCT (o.unit_id, o.opening_id)) AS openings
    FROM reported_defects AS s
    JOIN observations AS o
        ON o.building_no = s.building_no AND s.unit_id IN ('', o.unit_id)
    GROUP BY ALL
),
answers AS (
    SELECT m._part, m._row, m.openings,
        count(DISTINCT (l.unit_id, l.opening_id)) FILTER (l.observed_on IS NOT NULL) AS opened,
        max(l.observed_on) AS last_look
    FROM openings_meant AS m
    LEFT JOIN paper_answers AS l USING (_part, _row)
    GROUP BY ALL
)
SELECT
    s.*,
    coalesce(a.openings, 0) AS openings,
    coalesce(a.opened, 0) AS opened,
    coalesce(
        a.openings = a.opened
        -- A report that names no unit may mean openings that nobody recorded.
        AND (s.unit_id <> '' OR a.openings >= b.receptacle_count),
        false) AS answered,
    CASE WHEN answered THEN a.last_look END AS answered_on
FROM reported_defects AS s
JOIN buildings AS b USING (building_no)
LEFT JOIN answers AS a USING (_part, _row)
ORDER BY ALL;

CREATE TABLE urgent_reports AS
SELECT * EXCLUDE (defect) FROM paper_defects
WHERE subject IN (SELECT unnest(urgent_subjects())) AND status IS DISTINCT FROM 'dismissed'
ORDER BY ALL;

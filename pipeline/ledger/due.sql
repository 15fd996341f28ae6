-- Findings with their due dates as of $now, and the one definition of overdue. windows (regulation,
-- severity_class, hours) come from the rule book, targets and their moves from target_moves.sql. Own
-- targets stand still while paused; the first target never moves, and regulatory windows run in
-- elapsed time. A window is met by a look within it that proved the repair, of the day on which it
-- ends too; the day that a fix report claims meets none (``due.WINDOW_WORDS``).
WITH targeted AS (
    SELECT
        finding_id,
        arg_min(to_day, place) AS first_target_on,
        arg_max(to_day, place) AS present_target_on,
        count(*) FILTER (kind <> 'raised' AND to_day <> from_day) AS times_moved,
        any_value(severity_class) AS severity_class
    FROM target_moves
    GROUP BY finding_id
),

dated AS (
    SELECT
        f.* EXCLUDE (live, seen_by, changes, target_steps),
        t.* EXCLUDE (finding_id),
        coalesce(f.notified_on::TIMESTAMP, f.raised_at)
            + to_microseconds((w.hours * 3600000000)::BIGINT) AS regulatory_due_at
    FROM findings AS f
    JOIN targeted AS t USING (finding_id)
    LEFT JOIN windows AS w USING (regulation, severity_class)
),

told AS (
    SELECT
        *,
        open AND paused_since IS NOT NULL AS paused,
        CASE WHEN open THEN present_target_on - first_target_on END AS days_slipped,
        open AND first_target_on < $now::DATE AS overdue_first,
        open AND paused_since IS NULL AND present_target_on < $now::DATE AS overdue_present,
        CASE
            WHEN regulatory_due_at IS NULL OR treatment = 'withdrawn' THEN NULL
            WHEN treatment = 'proven' AND verified_on <= regulatory_due_at::DATE THEN 'met'
            WHEN treatment = 'proven' AND fixed_on <= regulatory_due_at::DATE
                THEN 'reported_within_proven_late'
            WHEN treatment = 'proven' THEN 'repaired_late'
            WHEN $now <= regulatory_due_at THEN 'running'
            WHEN treatment = 'fix_reported' AND fixed_on <= regulatory_due_at::DATE
                THEN 'reported_within_unproven'
            WHEN treatment = 'fix_reported' THEN 'reported_late_unproven'
            ELSE 'passed'
        END AS regulatory_standing,
        CASE WHEN treatment = 'fix_reported' THEN $now::DATE - fixed_on END AS days_unproven,
        coalesce(treatment = 'fix_reported' AND $now::DATE - fixed_on > $verify_within, false)
            AS proof_overdue,
        $now::DATE - first_seen_on AS days_since_seen,
        $now::DATE - raised_at::DATE AS days_known
    FROM dated
),

windowed AS (
    SELECT
        *,
        coalesce(
            (open OR treatment = 'fix_reported')
            AND regulatory_standing
                IN ('passed', 'reported_within_unproven', 'reported_late_unproven'),
            false
        ) AS window_passed
    FROM told
)

SELECT
    *,
    overdue_first OR overdue_present OR proof_overdue OR window_passed AS overdue,
    CASE WHEN overdue_first THEN $now::DATE - first_target_on END AS days_overdue
FROM windowed
ORDER BY finding_id

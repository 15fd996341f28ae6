-- Findings with their due dates as of $now. classes (condition, severity_class), targets
-- (severity_class, target_days) and windows (regulation, severity_class, hours) come from the rule
-- book. Own targets stand still while paused; regulatory windows run in elapsed time.
WITH classed AS (
    SELECT
        f.*,
        coalesce(
            c.severity_class,
            CASE WHEN list_contains($urgent_families, f.family) THEN $urgent_class END,
            $conflict_class
        ) AS severity_class
    FROM findings AS f
    LEFT JOIN classes AS c USING (condition)
),

dated AS (
    SELECT
        f.*,
        coalesce(f.assigned_due_on, f.raised_at::DATE + t.target_days::INTEGER)
            + f.paused_days::INTEGER
            + coalesce(greatest(0, $now::DATE - f.paused_since), 0)::INTEGER AS own_due_on,
        coalesce(f.notified_on::TIMESTAMP, f.raised_at)
            + to_microseconds((w.hours * 3600000000)::BIGINT) AS regulatory_due_at,
        f.treatment IN ('none', 'made_safe', 'disproved') AS open
    FROM classed AS f
    JOIN targets AS t USING (severity_class)
    LEFT JOIN windows AS w USING (regulation, severity_class)
)

SELECT
    *,
    open AND paused_since IS NULL AND own_due_on < $now::DATE AS overdue,
    CASE WHEN open AND own_due_on < $now::DATE THEN $now::DATE - own_due_on END AS days_overdue,
    CASE
        WHEN regulatory_due_at IS NULL OR treatment = 'withdrawn' THEN NULL
        WHEN treatment = 'proven' AND fixed_on <= regulatory_due_at::DATE THEN 'met'
        WHEN treatment = 'proven' THEN 'met_late'
        WHEN $now <= regulatory_due_at THEN 'running'
        WHEN treatment = 'fix_reported' THEN 'passed_fix_unproven'
        ELSE 'passed'
    END AS regulatory_standing,
    CASE WHEN treatment = 'fix_reported' THEN $now::DATE - fixed_on END AS days_unproven,
    coalesce(treatment = 'fix_reported' AND $now::DATE - fixed_on > $verify_within, false)
        AS proof_overdue,
    $now::DATE - first_seen_on AS days_known
FROM dated
ORDER BY finding_id

-- Three clocks, one row a time measured, as of $now; whole days, from the days on which things were
-- written down. with_firms and fixes are the results of the SQL files so named. stands: how it ended
-- (known, reported, proven), or where it stands that did not: waiting, passed_on (to another firm),
-- ended (set aside, no longer indicated or reopened), disproved.
SELECT
    'seen_to_known' AS clock,
    finding_id,
    NULL::VARCHAR AS firm,
    greatest(0, raised_at::DATE - first_seen_on) AS days,
    'known' AS stands
FROM due
WHERE grade <> 'record_in_doubt'
UNION ALL BY NAME
SELECT
    'assigned_to_reported' AS clock,
    w.finding_id,
    w.firm,
    coalesce(w.until::DATE, $now::DATE) - w.since::DATE AS days,
    CASE
        WHEN w.until IS NULL THEN 'waiting'
        WHEN w.ended_by = 'fix_reported' THEN 'reported'
        WHEN w.ended_by = 'assigned' THEN 'passed_on'
        ELSE 'ended'
    END AS stands
FROM with_firms AS w
JOIN due AS d USING (finding_id)
WHERE d.grade <> 'record_in_doubt'
UNION ALL BY NAME
SELECT
    'reported_to_proven' AS clock,
    finding_id,
    firm,
    -- a disproved fix is never proven: it stays among those without proof to this day
    greatest(0, coalesce(
        CASE verdict WHEN 'proven' THEN looked_on WHEN 'disproved' THEN NULL ELSE left_on END,
        $now::DATE
    ) - reported_at::DATE) AS days,
    CASE
        WHEN verdict IN ('proven', 'disproved') THEN verdict
        WHEN verdict = 'unproven' THEN 'waiting'
        ELSE 'ended'
    END AS stands
FROM fixes
ORDER BY ALL

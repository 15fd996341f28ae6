-- From when to when each finding was in which state, as known at the time. One row a spell; the
-- current one ends in NULL.
WITH running AS (
    SELECT
        finding_id,
        sequence,
        recorded_at,
        last_value(treatment_of(kind) IGNORE NULLS) OVER so_far AS treatment,
        last_value(CASE WHEN kind IN ('raised', 'seen_again') THEN payload ->> 'grade' END
            IGNORE NULLS) OVER so_far AS grade,
        max(CASE WHEN kind = 'seen_again' THEN sequence END) OVER so_far AS seen_in,
        max(CASE WHEN kind = 'evidence_withdrawn' THEN sequence END) OVER so_far AS withdrawn_in
    FROM history
    WINDOW so_far AS (PARTITION BY finding_id ORDER BY sequence)
),

stated AS (
    SELECT
        finding_id,
        sequence,
        recorded_at,
        CASE
            WHEN treatment = 'made_safe' THEN 'made_safe_defect_remains'
            WHEN treatment = 'fix_reported' THEN 'fix_reported_unproven'
            WHEN treatment = 'proven' THEN 'repair_proven'
            WHEN treatment = 'disproved' THEN 'fix_disproved'
            WHEN treatment = 'set_aside' THEN 'set_aside_unrepaired'
            WHEN treatment = 'withdrawn' AND coalesce(seen_in < withdrawn_in, true)
                THEN 'no_longer_indicated'
            WHEN grade = 'suspected' THEN 'suspected_defect'
            WHEN grade = 'confirmed' THEN 'confirmed_defect'
            ELSE 'record_in_doubt'
        END AS state
    FROM running
),

changes AS (
    SELECT *
    FROM stated
    QUALIFY state IS DISTINCT FROM lag(state) OVER (PARTITION BY finding_id ORDER BY sequence)
)

SELECT
    finding_id,
    state,
    sequence,
    recorded_at AS since,
    lead(recorded_at) OVER (PARTITION BY finding_id ORDER BY sequence) AS until
FROM changes
ORDER BY finding_id, sequence

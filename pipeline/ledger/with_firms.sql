-- From when to when which firm had a finding to repair, one row a stretch: from the day that it was
-- assigned, or that a look disproved the fix or it was reopened, to a reported fix, another firm, or
-- the end of the matter. until and ended_by are NULL while it waits. A repeated assignment to the same
-- firm starts nothing anew.
WITH running AS (
    SELECT
        finding_id,
        sequence,
        recorded_at,
        kind,
        last_value(CASE WHEN kind = 'assigned' THEN payload ->> 'firm' END IGNORE NULLS)
            OVER so_far AS firm,
        last_value(treatment_of(kind) IGNORE NULLS) OVER so_far AS treatment,
        max(CASE WHEN kind = 'seen_again' THEN sequence END) OVER so_far AS seen_in,
        max(CASE WHEN kind = 'evidence_withdrawn' THEN sequence END) OVER so_far AS withdrawn_in
    FROM history
    WINDOW so_far AS (PARTITION BY finding_id ORDER BY sequence)
),

held AS (
    SELECT
        *,
        -- the firm that has it to repair now; none while a fix waits for its proof
        CASE
            WHEN treatment IN ('none', 'made_safe', 'disproved')
                OR (treatment = 'withdrawn' AND coalesce(seen_in > withdrawn_in, false))
                THEN firm
        END AS holder
    FROM running
),

turns AS (
    SELECT *
    FROM held
    QUALIFY sequence = 1
        OR holder IS DISTINCT FROM lag(holder) OVER (PARTITION BY finding_id ORDER BY sequence)
),

stretches AS (
    SELECT
        *,
        lead(recorded_at) OVER by_finding AS until,
        lead(kind) OVER by_finding AS ended_by
    FROM turns
    WINDOW by_finding AS (PARTITION BY finding_id ORDER BY sequence)
)

SELECT finding_id, holder AS firm, recorded_at AS since, until, ended_by
FROM stretches
WHERE holder IS NOT NULL
ORDER BY finding_id, since

-- From when to when which firm had a finding to repair, one row a stretch, over `findings`: from the
-- day that it was assigned, or that a look disproved the fix or it was reopened, to a reported fix,
-- another firm, or the end of the matter. until and ended_by are NULL while it waits. A repeated
-- assignment to the same firm starts nothing anew.
WITH stated AS (
    SELECT finding_id, unnest(changes, recursive := true) FROM findings
),

held AS (
    SELECT
        *,
        -- the firm that has it to repair now; none while a fix waits for its proof
        CASE WHEN open THEN told_firm(firm) END AS holder
    FROM stated
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

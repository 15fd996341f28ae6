-- From when to when each finding was in which state, as known at the time, over `findings`. One row a
-- spell; the current one ends in NULL.
WITH stated AS (
    SELECT finding_id, unnest(changes, recursive := true) FROM findings
),

changed AS (
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
FROM changed
ORDER BY finding_id, sequence

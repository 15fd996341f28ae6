-- Every reported fix with its verdict: the first verification before the next reported fix. A
-- report that follows another without a verdict between corrects it and counts once. left_on: the
-- day on which it was set aside, or its finding reopened. told_again: the same firm reports work of
-- the same day at the same finding once more later, though a verdict stands between; the job was
-- done once, and the later report says what it cost.
WITH steps AS (
    SELECT
        finding_id,
        sequence,
        recorded_at,
        kind,
        payload,
        lead(kind) OVER by_finding AS next_kind,
        lead(payload) OVER by_finding AS next_payload,
        lead(recorded_at) OVER by_finding AS next_at,
        lead(kind, 2) OVER by_finding AS second_kind,
        lead(recorded_at, 2) OVER by_finding AS second_at
    FROM history
    WHERE kind IN ('fix_reported', 'verified', 'verification_failed', 'dismissed', 'reopened')
    WINDOW by_finding AS (PARTITION BY finding_id ORDER BY sequence)
)

SELECT
    finding_id,
    sequence,
    recorded_at AS reported_at,
    told_firm(payload ->> 'firm') AS firm,
    payload ->> 'remedy' AS remedy,
    (payload ->> 'fixed_on')::DATE AS fixed_on,
    (payload ->> 'cost')::DOUBLE AS cost,
    CASE
        -- a proof that was taken back
        WHEN next_kind = 'verified' AND second_kind = 'reopened' THEN 'reopened'
        -- a proof that a look from before it overtook
        WHEN next_kind = 'verified' AND second_kind = 'verification_failed' THEN 'disproved'
        WHEN next_kind = 'verified' THEN 'proven'
        WHEN next_kind = 'verification_failed' THEN 'disproved'
        WHEN next_kind = 'dismissed' THEN 'set_aside'
        WHEN next_kind = 'reopened' THEN 'reopened'
        ELSE 'unproven'
    END AS verdict,
    CASE WHEN next_kind IN ('verified', 'verification_failed')
        THEN (next_payload ->> '$.look.observed_on')::DATE
    END AS looked_on,
    CASE
        WHEN next_kind IN ('dismissed', 'reopened') THEN next_at::DATE
        WHEN next_kind = 'verified' AND second_kind = 'reopened' THEN second_at::DATE
    END AS left_on,
    lead(sequence) OVER (
        PARTITION BY finding_id, firm_name(payload ->> 'firm'), payload ->> 'fixed_on'
        ORDER BY sequence
    ) IS NOT NULL AS told_again
FROM steps
WHERE kind = 'fix_reported' AND next_kind IS DISTINCT FROM 'fix_reported'
ORDER BY finding_id, sequence

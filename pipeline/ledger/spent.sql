-- What was paid for, one row a sum: a bill's share, or what a reported fix said that it cost. Over
-- history and fixes (fixes.sql). A bill stands in for the reports of its firm at that finding; where
-- its firm reported nothing there, for all reports. These become 'covered' and do not count. A
-- reported fix that says nothing of its cost stays as 'reported' with no amount.
WITH billed AS (
    SELECT
        finding_id,
        sequence,
        payload ->> 'firm' AS firm,
        firm_name(payload ->> 'firm') AS whose,
        -- a bill is numbered under the name as it was written
        plain_name(payload ->> 'firm') AS written_by,
        plain_name(payload ->> 'invoice') AS invoice,
        (payload ->> 'number')::INTEGER AS number,
        (payload ->> 'corrects')::INTEGER AS corrects,
        (payload ->> 'amount')::DECIMAL(18, 2) AS whole,
        (payload ->> 'share')::DECIMAL(18, 2) AS amount,
        (payload ->> 'on')::DATE AS day
    FROM history
    WHERE kind = 'billed'
),

standing AS (
    SELECT b.*
    FROM billed AS b
    -- one of nothing takes another back and stands in for nothing
    WHERE b.whole > 0 AND NOT EXISTS (
        FROM billed AS later
        WHERE later.written_by = b.written_by AND later.invoice = b.invoice AND later.corrects = b.number
    )
),

reported AS (
    SELECT *, firm_name(firm) AS whose
    FROM fixes
    WHERE NOT told_again
),

-- of every bill, whether its firm reported a fix there at all
placed AS (
    SELECT
        s.*,
        EXISTS (
            FROM reported AS r WHERE r.finding_id = s.finding_id AND r.whose = s.whose
        ) AS own_report
    FROM standing AS s
)

SELECT
    p.finding_id,
    'billed' AS kind,
    p.sequence,
    p.firm,
    r.remedy,
    r.verdict,
    p.day,
    p.amount,
    p.own_report
FROM placed AS p
LEFT JOIN reported AS r
    ON r.finding_id = p.finding_id AND (r.whose = p.whose OR NOT p.own_report)
QUALIFY row_number() OVER (PARTITION BY p.finding_id, p.sequence ORDER BY r.sequence DESC) = 1

UNION ALL

SELECT
    r.finding_id,
    CASE
        WHEN EXISTS (
            FROM placed AS p
            WHERE p.finding_id = r.finding_id AND (p.whose = r.whose OR NOT p.own_report)
        ) THEN 'covered'
        ELSE 'reported'
    END,
    r.sequence,
    r.firm,
    r.remedy,
    r.verdict,
    r.fixed_on,
    r.cost::DECIMAL(18, 2),
    true
FROM reported AS r
ORDER BY ALL

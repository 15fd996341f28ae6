-- Sums that may stand for one job, over history, due, fixes, spent, quotes, prices and circuits. None
-- is merged: counted says what counts now, once what would if it is one price. question:
--   same_job       one firm reports work of one day at one finding with several costs
--   same_sum       fixes of one circuit or building, day, firm and remedy, each with the same cost
--   same_opening   fixes of several findings of one opening, day and firm, each with a cost
--   same_price     the same price named at every finding of one circuit or building
--   another_firm   a bill by a firm that reported no fix of the finding
WITH placed AS (
    SELECT
        d.finding_id,
        p.remedy,
        p.scope,
        s.circuit_id,
        CASE
            WHEN p.scope = 'building' THEN [d.building_id]
            WHEN s.circuit_id IS NOT NULL THEN [d.building_id, d.unit_id, s.circuit_id]
            ELSE [d.building_id, d.unit_id]
        END AS place
    FROM due AS d
    CROSS JOIN prices AS p
    LEFT JOIN circuits AS s USING (building_id, unit_id, opening_id)
    WHERE p.scope IN ('circuit', 'building')
),

jobs AS (
    SELECT
        h.finding_id,
        h.sequence,
        h.payload ->> 'firm' AS firm,
        (h.payload ->> 'fixed_on')::DATE AS day,
        (h.payload ->> 'cost')::DECIMAL(18, 2) AS amount
    FROM history AS h
    WHERE h.kind = 'fix_reported' AND h.payload ->> 'cost' IS NOT NULL
),

counted_now AS (
    SELECT * FROM spent WHERE kind = 'reported' AND amount IS NOT NULL
)

SELECT
    'same_job' AS question,
    [finding_id] AS findings,
    arg_max(firm, sequence) AS firm,
    day,
    list(amount::DOUBLE ORDER BY sequence) AS amounts,
    arg_max(amount, sequence)::DOUBLE AS counted,
    arg_max(amount, sequence)::DOUBLE AS once
FROM jobs AS j
WHERE NOT EXISTS (
    FROM spent AS s
    WHERE s.finding_id = j.finding_id AND s.kind = 'billed'
        AND (firm_name(s.firm) = firm_name(j.firm) OR NOT s.own_report)
)
GROUP BY finding_id, firm_name(firm), day
HAVING count(DISTINCT amount) > 1

UNION ALL

SELECT
    'same_sum',
    list(c.finding_id ORDER BY c.finding_id),
    any_value(c.firm),
    c.day,
    list(c.amount::DOUBLE ORDER BY c.finding_id),
    sum(c.amount)::DOUBLE,
    c.amount::DOUBLE
FROM counted_now AS c
JOIN placed AS p USING (finding_id, remedy)
WHERE c.amount > 0
GROUP BY p.place, c.remedy, firm_name(c.firm), c.day, c.amount
HAVING count(DISTINCT c.finding_id) > 1

UNION ALL

SELECT
    'same_opening',
    list(c.finding_id ORDER BY c.finding_id),
    any_value(c.firm),
    c.day,
    list(c.amount::DOUBLE ORDER BY c.finding_id),
    sum(c.amount)::DOUBLE,
    CASE WHEN min(c.amount) = max(c.amount) THEN min(c.amount)::DOUBLE END
FROM counted_now AS c
JOIN due AS d USING (finding_id)
LEFT JOIN prices AS p ON p.remedy = c.remedy
WHERE c.amount > 0 AND d.opening_id <> '' AND coalesce(p.scope, 'opening') = 'opening'
GROUP BY d.building_id, d.unit_id, d.opening_id, firm_name(c.firm), c.day
HAVING count(DISTINCT c.finding_id) > 1

UNION ALL

SELECT
    'same_price',
    list(q.finding_id ORDER BY q.finding_id),
    any_value(q.firm),
    q.named_at::DATE,
    list(q.amount::DOUBLE ORDER BY q.finding_id),
    sum(q.amount)::DOUBLE,
    q.amount::DOUBLE
FROM quotes AS q
JOIN placed AS p USING (finding_id, remedy)
WHERE q.amount > 0 AND q.open AND q.shared_over IS NULL AND NOT q.expired AND NOT q.reported_since
GROUP BY p.place, q.remedy, firm_name(q.firm), q.named_at::DATE, q.amount
HAVING count(DISTINCT q.finding_id) > 1

UNION ALL

SELECT
    'another_firm',
    [b.finding_id],
    b.firm,
    b.day,
    [b.amount::DOUBLE],
    b.amount::DOUBLE,
    NULL
FROM spent AS b
WHERE b.kind = 'billed' AND NOT b.own_report
    AND EXISTS (FROM spent AS r WHERE r.finding_id = b.finding_id AND r.kind = 'covered')
ORDER BY ALL

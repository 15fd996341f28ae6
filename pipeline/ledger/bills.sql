-- Bills, one row each, over history and compared (compared.sql): invoice, firm, amount, day, number
-- among the bills of that invoice number, findings, corrected (another bill took its place), reported
-- (what the fix reports that it stands in for say in all; NULL where none says anything),
-- billed_for_it (all bills of these reports together), difference (these less the reports).
WITH written AS (
    SELECT
        position,
        finding_id,
        payload ->> 'firm' AS firm,
        payload ->> 'invoice' AS invoice,
        (payload ->> 'number')::INTEGER AS number,
        (payload ->> 'corrects')::INTEGER AS corrects,
        (payload ->> 'amount')::DECIMAL(18, 2) AS amount,
        (payload ->> 'on')::DATE AS day
    FROM history
    WHERE kind = 'billed'
),

told AS (
    SELECT
        *,
        EXISTS (
            FROM written AS later
            WHERE plain_name(later.firm) = plain_name(w.firm)
                AND plain_name(later.invoice) = plain_name(w.invoice)
                AND later.corrects = w.number
        ) AS corrected
    FROM written AS w
)

SELECT
    max(t.position) AS position,
    any_value(t.invoice) AS invoice,
    any_value(t.firm) AS firm,
    any_value(t.amount)::DOUBLE AS amount,
    any_value(t.day) AS "on",
    t.number,
    any_value(t.corrects) AS corrects,
    list(t.finding_id ORDER BY t.position) AS findings,
    any_value(t.corrected) AS corrected,
    sum(c.reported)::DOUBLE AS reported,
    sum(c.billed)::DOUBLE AS billed_for_it,
    (sum(c.billed) - sum(c.reported))::DOUBLE AS difference
FROM told AS t
LEFT JOIN compared AS c
    ON c.finding_id = t.finding_id AND c.whose IN ('', firm_name(t.firm)) AND NOT t.corrected AND t.amount > 0
GROUP BY plain_name(t.firm), plain_name(t.invoice), t.number
ORDER BY position

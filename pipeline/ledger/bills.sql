-- Bills, one row each, over history, fixes and spent: invoice, firm, amount, day, number among the
-- bills of that invoice number, findings, corrected (another bill took its place), reported (what the
-- fix reports that it stands in for say in all; NULL where none says anything), difference (bill less
-- reports, of the findings where there is such a report).
WITH written AS (
    SELECT
        position,
        finding_id,
        sequence,
        payload ->> 'firm' AS firm,
        payload ->> 'invoice' AS invoice,
        (payload ->> 'number')::INTEGER AS number,
        (payload ->> 'corrects')::INTEGER AS corrects,
        (payload ->> 'amount')::DECIMAL(18, 2) AS amount,
        (payload ->> 'share')::DECIMAL(18, 2) AS share,
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
),

-- reports that one bill stands in for: those of its firm, all where its firm reported none
covered AS (
    SELECT t.finding_id, t.sequence, sum(c.amount) AS amount
    FROM told AS t
    JOIN spent AS b
        ON b.finding_id = t.finding_id AND b.sequence = t.sequence AND b.kind = 'billed'
    JOIN spent AS c
        ON c.finding_id = t.finding_id AND c.kind = 'covered'
        AND (plain_name(c.firm) = plain_name(t.firm) OR NOT b.own_report)
    GROUP BY ALL
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
    sum(c.amount)::DOUBLE AS reported,
    (sum(t.share) FILTER (c.amount IS NOT NULL) - sum(c.amount))::DOUBLE AS difference
FROM told AS t
LEFT JOIN covered AS c USING (finding_id, sequence)
GROUP BY plain_name(t.firm), plain_name(t.invoice), t.number
ORDER BY position

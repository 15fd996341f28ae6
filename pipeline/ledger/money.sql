-- Money, one row a sum, over due, spent (spent.sql), quotes (quotes.sql), the tables prices (remedy,
-- typical, scope), cheapest (condition, slots, remedy) and circuits (building_id, unit_id, opening_id,
-- circuit_id). kind:
--   estimate       the rule book's typical cost of everything that is or was to be repaired
--   quoted_lowest  lowest price that still holds, of what is open
--   quoted_chosen  the price of the firm assigned, of what is open
--   committed      the same where it holds and no fix was reported since
--   billed         share of a bill
--   reported       what a fix report says where no bill stands in for it
--   over_reported  bill less the reports that it stands in for
--   rest           the estimate of what has neither a cost nor a committed price
-- day: of the bill, the fix, the quote; else the present target. A remedy of a circuit or a building
-- has one price for it, shared over the findings there; where no circuit is known, every finding is
-- taken for a circuit of its own. verdict: of the fix that was paid for.
WITH chosen AS (
    SELECT * FROM quotes WHERE chosen
),

lowest AS (
    SELECT * FROM quotes WHERE lowest
    QUALIFY row_number() OVER (PARTITION BY finding_id ORDER BY chosen DESC, sequence DESC) = 1
),

paid AS (
    SELECT finding_id, count(*) FILTER (kind IN ('billed', 'reported') AND amount IS NOT NULL) AS sums
    FROM spent
    GROUP BY finding_id
),

answered AS (
    SELECT
        d.finding_id,
        d.building_id,
        d.unit_id,
        d.opening_id,
        d.open,
        coalesce(d.firm, d.fixed_by) AS firm,
        d.present_target_on AS day,
        CASE
            WHEN d.open THEN coalesce(c.remedy, l.remedy, d.remedy, k.remedy)
            ELSE coalesce(d.remedy, c.remedy, l.remedy, k.remedy)
        END AS remedy,
        CASE WHEN d.open AND c.holds AND NOT c.reported_since THEN c.amount END AS committed,
        -- also what was billed ahead of any report
        coalesce(p.sums, 0) > 0 AND (NOT d.open OR d.fixed_on IS NULL) AS done
    FROM due AS d
    LEFT JOIN chosen AS c USING (finding_id)
    LEFT JOIN lowest AS l USING (finding_id)
    LEFT JOIN cheapest AS k
        ON k.condition = d.condition AND k.slots = coalesce(d.slots, '')
    LEFT JOIN paid AS p USING (finding_id)
    WHERE d.treatment NOT IN ('set_aside', 'withdrawn') AND d.grade <> 'record_in_doubt'
),

estimated AS (
    SELECT
        a.*,
        p.typical / count(*) OVER (
            PARTITION BY a.remedy, CASE p.scope
                WHEN 'building' THEN [a.building_id]
                WHEN 'circuit' THEN CASE
                    WHEN s.circuit_id IS NULL THEN [a.finding_id]
                    ELSE [a.building_id, a.unit_id, s.circuit_id]
                END
                ELSE [a.finding_id]
            END
        ) AS estimate
    FROM answered AS a
    LEFT JOIN prices AS p USING (remedy)
    LEFT JOIN circuits AS s USING (building_id, unit_id, opening_id)
),

compared AS (
    SELECT b.finding_id, any_value(b.firm) AS firm, any_value(b.remedy) AS remedy,
        max(b.day) AS day, sum(b.amount) AS amount, any_value(b.own_report) AS own_report
    FROM spent AS b
    WHERE b.kind = 'billed'
    GROUP BY b.finding_id, plain_name(b.firm)
),

covered AS (
    SELECT c.finding_id, c.firm, sum(r.amount) AS amount
    FROM compared AS c
    JOIN spent AS r
        ON r.finding_id = c.finding_id AND r.kind = 'covered'
        AND (plain_name(r.firm) = plain_name(c.firm) OR NOT c.own_report)
    WHERE r.amount IS NOT NULL
    GROUP BY ALL
)

SELECT finding_id, 'estimate' AS kind, firm, remedy, day, estimate::DOUBLE AS amount,
    NULL AS verdict
FROM estimated

UNION ALL
SELECT finding_id, 'quoted_lowest', firm, remedy, named_at::DATE, amount::DOUBLE, NULL
FROM lowest WHERE open

UNION ALL
SELECT finding_id, 'quoted_chosen', firm, remedy, named_at::DATE, amount::DOUBLE, NULL
FROM chosen WHERE open AND NOT reported_since

UNION ALL
SELECT finding_id, 'committed', firm, remedy, day, committed::DOUBLE, NULL
FROM estimated WHERE committed IS NOT NULL AND NOT done

UNION ALL
SELECT finding_id, 'rest', firm, remedy, day, estimate::DOUBLE, NULL
FROM estimated WHERE committed IS NULL AND NOT done

UNION ALL
SELECT finding_id, kind, firm, remedy, day, amount::DOUBLE, verdict
FROM spent WHERE kind IN ('billed', 'reported')

UNION ALL
SELECT c.finding_id, 'over_reported', c.firm, c.remedy, c.day, (c.amount - v.amount)::DOUBLE, NULL
FROM compared AS c JOIN covered AS v USING (finding_id, firm)
ORDER BY ALL

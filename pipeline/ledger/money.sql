-- Money, one row a sum, over due, spent, compared, quotes and estimates (the SQL files so named).
-- kind:
--   estimate       the rule book's typical cost of everything that is or was to be repaired, with
--                  the costs beside it, line by line
--   quoted_lowest  lowest price that still holds, of what is open
--   quoted_chosen  the price of the firm assigned, of what is open
--   committed      what is still owed of it (estimates.sql), also after the work
--   billed         share of a bill
--   reported       what a fix report says where no bill stands in for it
--   over_reported  bills less the reports that they stand in for
--   rest           the estimate of what has neither a cost nor a committed price
--   estimate_least, rest_least  the same without what is not known to be needed
-- day: of the bill, the fix, the quote; else the present target. verdict: of the fix that was paid
-- for. line: of an estimate.
WITH lowest AS (
    SELECT * FROM quotes WHERE lowest
    QUALIFY row_number() OVER (PARTITION BY finding_id ORDER BY chosen DESC, sequence DESC) = 1
)

SELECT finding_id, 'estimate' AS kind, firm, remedy, day, most::DOUBLE AS amount,
    NULL AS verdict, line
FROM estimates

UNION ALL
SELECT finding_id, 'estimate_least', firm, remedy, day, least::DOUBLE, NULL, line FROM estimates

UNION ALL
SELECT finding_id, 'rest', firm, remedy, day, most::DOUBLE, NULL, line FROM estimates WHERE rest

UNION ALL
SELECT finding_id, 'rest_least', firm, remedy, day, least::DOUBLE, NULL, line
FROM estimates WHERE rest

UNION ALL
SELECT finding_id, 'quoted_lowest', firm, remedy, named_at::DATE, amount::DOUBLE, NULL, NULL
FROM lowest WHERE open

UNION ALL
SELECT finding_id, 'quoted_chosen', firm, remedy, named_at::DATE, amount::DOUBLE, NULL, NULL
FROM quotes WHERE chosen AND open AND NOT reported_since

UNION ALL
SELECT finding_id, 'committed', firm, remedy, day, committed::DOUBLE, NULL, NULL
FROM estimates WHERE line = 'remedy' AND committed > 0

UNION ALL
SELECT finding_id, kind, firm, remedy, day, amount::DOUBLE, verdict, NULL
FROM spent WHERE kind IN ('billed', 'reported')

UNION ALL
SELECT finding_id, 'over_reported', firm, remedy, day, (billed - reported)::DOUBLE, NULL, NULL
FROM compared
ORDER BY ALL

-- What bills come to beside the fix reports that they stand in for, over spent (spent.sql): one row a
-- finding and firm, and one a finding where a bill of a firm that reported nothing there stands in for
-- all of its reports (whose is '' then, else the firm's name as ``firm_name`` gives it). firm, remedy, day: of the last
-- bill. Only where a report says what it cost.
WITH keyed AS (
    SELECT
        *,
        CASE WHEN bool_or(kind = 'billed' AND NOT own_report) OVER (PARTITION BY finding_id) THEN ''
            ELSE firm_name(firm) END AS whose
    FROM spent
    WHERE kind IN ('billed', 'covered')
)

SELECT
    finding_id,
    whose,
    arg_max(firm, sequence) FILTER (kind = 'billed') AS firm,
    arg_max(remedy, sequence) FILTER (kind = 'billed') AS remedy,
    max(day) FILTER (kind = 'billed') AS day,
    sum(amount) FILTER (kind = 'billed') AS billed,
    sum(amount) FILTER (kind = 'covered') AS reported
FROM keyed
GROUP BY finding_id, whose
HAVING reported IS NOT NULL

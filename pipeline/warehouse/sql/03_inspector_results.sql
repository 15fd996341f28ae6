-- How each inspector's results fall, on like openings: same era, slots and method.
CREATE TEMP TABLE inspector_results AS
SELECT
    o.inspector,
    e.era,
    o.slots,
    o.method,
    o.result,
    count(*) AS looks
FROM observations AS o
JOIN building_eras AS e USING (building_no)
WHERE o.inspector IS NOT NULL AND o.result NOT IN ('no_power', 'not_accessible', 'not_tested')
GROUP BY ALL;

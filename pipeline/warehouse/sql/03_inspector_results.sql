-- What each inspector's looks found, by building and method: there the openings are alike.
CREATE TEMP TABLE inspector_results AS
SELECT
    inspector,
    building_no,
    method,
    count(*) AS looks,
    count(*) FILTER (result = 'correct') AS passes
FROM observations
WHERE inspector IS NOT NULL AND result NOT IN ('no_power', 'not_accessible', 'not_tested')
GROUP BY ALL;

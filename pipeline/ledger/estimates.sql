-- What every finding is estimated at, one row a finding and cost line, over due, quotes and spent
-- (the SQL files so named) and the tables prices (remedy, typical, scope, opens_walls), cheapest
-- (condition, slots, remedy), cost_lines (line, cost, per, opens_walls, built_before), circuits
-- (building_id, unit_id, opening_id, circuit_id), years (building_id, year_built) and alone
-- (finding_id).
--   line        'remedy', which has no price where no remedy is known, or a cost line
--   price       what it costs once
--   shared_over of how many findings that price is shared here; shares are whole cents
--   most        the finding's share
--   least       the same but for 0 where it is not known whether the line applies
--   rest        whether it has neither a cost nor a committed price
-- A remedy of a circuit or a building has one price for it; where no circuit is known, every finding
-- is taken for a circuit of its own. A cost of a dwelling is counted once for what is to be paid for
-- there, and once for what has a cost or a price. Where $only, just the findings in alone count, as
-- far as something is to be paid for, as if these alone were repaired in one entry a dwelling.
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
        coalesce(d.firm, d.fixed_by) AS firm,
        d.present_target_on AS day,
        CASE
            WHEN d.open THEN coalesce(c.remedy, l.remedy, d.remedy, k.remedy)
            ELSE coalesce(d.remedy, c.remedy, l.remedy, k.remedy)
        END AS remedy,
        CASE WHEN d.open AND c.holds AND NOT c.reported_since THEN c.amount END AS committed,
        -- also what was billed ahead of any report
        coalesce(p.sums, 0) > 0 AND (NOT d.open OR d.fixed_on IS NULL) AS done,
        committed IS NULL AND NOT done AS rest
    FROM due AS d
    LEFT JOIN chosen AS c USING (finding_id)
    LEFT JOIN lowest AS l USING (finding_id)
    LEFT JOIN cheapest AS k
        ON k.condition = d.condition AND k.slots = coalesce(d.slots, '')
    LEFT JOIN paid AS p USING (finding_id)
    WHERE d.treatment NOT IN ('set_aside', 'withdrawn') AND d.grade <> 'record_in_doubt'
),

placed AS (
    SELECT
        a.*,
        p.typical,
        p.opens_walls,
        y.year_built,
        CASE p.scope
            WHEN 'building' THEN [a.remedy, a.building_id]
            WHEN 'circuit' THEN CASE
                WHEN s.circuit_id IS NULL THEN [a.remedy, a.finding_id]
                ELSE [a.remedy, a.building_id, a.unit_id, s.circuit_id]
            END
            ELSE [a.remedy, a.finding_id]
        END AS job
    FROM answered AS a
    LEFT JOIN prices AS p USING (remedy)
    LEFT JOIN circuits AS s USING (building_id, unit_id, opening_id)
    LEFT JOIN years AS y USING (building_id)
    WHERE NOT $only OR (a.rest AND a.finding_id IN (SELECT finding_id FROM alone))
),

lined AS (
    SELECT *, 'remedy' AS line, typical AS price, true AS applies, job AS place
    FROM placed

    UNION ALL
    SELECT
        p.*,
        c.line,
        c.cost,
        CASE WHEN c.built_before IS NULL THEN true ELSE p.year_built < c.built_before END AS applies,
        CASE c.per
            WHEN 'job' THEN p.job
            ELSE [p.building_id, p.unit_id, (p.rest OR $only)::VARCHAR]
        END
    FROM placed AS p
    JOIN cost_lines AS c ON p.opens_walls OR NOT c.opens_walls
    WHERE p.typical IS NOT NULL AND applies IS DISTINCT FROM false
),

counted AS (
    SELECT
        *,
        round(price * 100)::BIGINT AS cents,
        count(*) OVER (PARTITION BY line, place) AS shared_over,
        row_number() OVER (PARTITION BY line, place ORDER BY finding_id) AS nth
    FROM lined
)

SELECT
    finding_id,
    building_id,
    unit_id,
    opening_id,
    firm,
    remedy,
    day,
    committed,
    done,
    rest,
    line,
    price,
    shared_over,
    ((cents // shared_over + (nth <= cents % shared_over)::INTEGER) / 100)::DECIMAL(18, 2) AS most,
    CASE WHEN applies THEN most ELSE 0 END AS least,
    applies IS NOT NULL AS year_known
FROM counted
ORDER BY building_id, unit_id, opening_id, finding_id, line <> 'remedy', line

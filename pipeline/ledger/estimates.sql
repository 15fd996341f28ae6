-- What every finding is estimated at, one row a finding and cost line, over due, quotes and spent
-- (the SQL files so named) and the tables prices (remedy, typical, scope, opens_walls), cheapest
-- (condition, slots, remedy), cost_lines (line, cost, per, opens_walls, built_before), circuits
-- (building_id, unit_id, opening_id, circuit_id), years (building_id, year_built) and alone
-- (finding_id).
--   line        'remedy', which has no price where no remedy is known, or a cost line
--   price       what it costs once
--   shared_over of how many findings that price is shared here; shares are whole cents
--   most        the finding's share
--   least       the same where all that is in doubt is not needed
--   committed   what is still owed of the price of the firm assigned, or of who did the work: less
--               what it billed before the day of the fix, until a bill from that day on or the report
--               itself says what the work came to
--   rest        whether it has neither a cost nor a committed price
--   year_in_doubt     it is not known whether the line applies, as the building's year is not known
--   circuit_in_doubt  it is not known how many jobs these are, as the circuit is not known
--   paid_in_doubt     it is not known whether work on that circuit or building that has a cost or a
--                     committed price covers it
-- A remedy of a circuit or a building has one price for it: once for what has a cost or a price, and
-- once at most for what is to be paid for there, which may be covered already. Where no circuit is known there is one
-- an opening at most, and at least one for all of them in the dwelling, or none where another one
-- there is known, which may be theirs. A cost of a dwelling is counted once for what is to be paid for
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
    SELECT
        finding_id,
        count(*) FILTER (kind IN ('billed', 'reported') AND amount IS NOT NULL) AS sums,
        bool_or(kind IN ('reported', 'covered')) AS worked_at
    FROM spent
    GROUP BY finding_id
),

-- the price agreed on, and what its firm billed or told since: in advance of the work, and for it
agreed AS (
    SELECT
        c.finding_id,
        c.remedy,
        c.open OR c.remedy IS NULL OR c.remedy = any_value(d.remedy) AS of_this_work,
        arg_max(s.amount, s.sequence) FILTER (s.kind = 'covered' AND s.sequence > c.sequence) AS told,
        sum(s.amount) FILTER (
            s.kind = 'billed' AND (
                NOT coalesce(p.worked_at, false)
                OR (c.reported_since AND s.sequence > c.sequence AND s.day < d.fixed_on)
            )
        ) AS in_advance,
        bool_or(
            s.sequence > c.sequence AND s.amount IS NOT NULL AND (
                s.kind = 'reported' OR (s.kind = 'billed' AND c.reported_since AND s.day >= d.fixed_on)
            )
        ) AS settled,
        CASE WHEN any_value(c.holds) AND of_this_work AND NOT coalesce(settled, false)
            THEN greatest(coalesce(told, any_value(c.amount)) - coalesce(in_advance, 0), 0)
        END AS committed
    FROM chosen AS c
    JOIN due AS d USING (finding_id)
    LEFT JOIN paid AS p USING (finding_id)
    LEFT JOIN spent AS s ON s.finding_id = c.finding_id AND firm_name(s.firm) = firm_name(c.firm)
    GROUP BY c.finding_id, c.remedy, c.open
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
        c.committed,
        -- also what was billed ahead of any report
        coalesce(p.sums, 0) > 0 AND (NOT d.open OR d.fixed_on IS NULL) AS done,
        committed IS NULL AND NOT done AS rest
    FROM due AS d
    LEFT JOIN agreed AS c USING (finding_id)
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
        p.scope = 'circuit' AND s.circuit_id IS NULL AS unplaced,
        NOT $only OR (a.rest AND o.finding_id IS NOT NULL) AS counts,
        CASE
            WHEN p.scope = 'building' THEN [a.remedy, 'building', a.rest::VARCHAR, a.building_id]
            WHEN p.scope = 'circuit' AND NOT unplaced
                THEN [a.remedy, 'circuit', a.rest::VARCHAR, a.building_id, a.unit_id, s.circuit_id]
            WHEN unplaced AND a.opening_id <> '' THEN
                [a.remedy, 'opening', a.rest::VARCHAR, a.building_id, a.unit_id, a.opening_id]
            ELSE [a.remedy, 'finding', a.finding_id]
        END AS job,
        CASE
            WHEN unplaced THEN [a.remedy, 'dwelling', a.rest::VARCHAR, a.building_id, a.unit_id]
            ELSE job
        END AS job_least,
        unplaced AND (
            bool_or(NOT a.rest AND s.circuit_id IS NOT NULL) OVER dwelling
            OR (a.rest AND bool_or(counts AND s.circuit_id IS NOT NULL) OVER dwelling)
        ) AS maybe_counted,
        a.rest AND CASE p.scope
            WHEN 'building' THEN bool_or(NOT a.rest) OVER (PARTITION BY a.remedy, a.building_id)
            WHEN 'circuit' THEN
                bool_or(NOT a.rest AND unplaced) OVER dwelling
                OR bool_or(NOT a.rest)
                    OVER (PARTITION BY a.remedy, a.building_id, a.unit_id, s.circuit_id)
            ELSE false
        END AS maybe_paid
    FROM answered AS a
    LEFT JOIN prices AS p USING (remedy)
    LEFT JOIN circuits AS s USING (building_id, unit_id, opening_id)
    LEFT JOIN years AS y USING (building_id)
    LEFT JOIN alone AS o ON o.finding_id = a.finding_id
    WINDOW dwelling AS (PARTITION BY a.remedy, a.building_id, a.unit_id)
),

lined AS (
    SELECT *, 'remedy' AS line, typical AS price, true AS applies, true AS by_job, job AS place
    FROM placed
    WHERE counts

    UNION ALL
    SELECT
        p.*,
        c.line,
        c.cost,
        CASE WHEN c.built_before IS NULL THEN true ELSE p.year_built < c.built_before END AS applies,
        c.per = 'job',
        CASE c.per
            WHEN 'job' THEN p.job
            ELSE [p.building_id, p.unit_id, p.rest::VARCHAR]
        END
    FROM placed AS p
    JOIN cost_lines AS c ON p.opens_walls OR NOT c.opens_walls
    WHERE p.counts AND p.typical IS NOT NULL AND applies IS DISTINCT FROM false
),

counted AS (
    SELECT
        *,
        round(price * 100)::BIGINT AS cents,
        count(*) OVER (PARTITION BY line, place) AS shared_over,
        row_number() OVER (PARTITION BY line, place ORDER BY finding_id) AS nth,
        CASE WHEN by_job THEN job_least ELSE place END AS place_least,
        count(*) OVER (PARTITION BY line, place_least) AS over_least,
        row_number() OVER (PARTITION BY line, place_least ORDER BY finding_id) AS nth_least
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
    CASE
        WHEN applies IS NULL OR (by_job AND (maybe_counted OR maybe_paid)) THEN 0
        ELSE ((cents // over_least + (nth_least <= cents % over_least)::INTEGER) / 100)
    END::DECIMAL(18, 2) AS least,
    applies IS NULL AS year_in_doubt,
    by_job AND unplaced AND (maybe_counted OR over_least > shared_over) AS circuit_in_doubt,
    by_job AND coalesce(maybe_paid, false) AS paid_in_doubt
FROM counted
ORDER BY building_id, unit_id, opening_id, finding_id, line <> 'remedy', line

-- GFCIs that reported and proven repairs rest on, one row a finding, over findings, history (events
-- fix_reported, verified, verification_failed) and looks (building_id, unit_id, opening_id,
-- observed_on, gfci_year, gfci_button_tripped), as of $today. Only what was said with the fix or
-- seen since is of this device. asks: what is to be asked, keys of gfci.QUESTIONS.
WITH resting AS (
    SELECT *
    FROM findings
    WHERE treatment IN ('fix_reported', 'proven') AND leaves_protected = 'yes'
),

last_fix AS (
    SELECT finding_id, max(sequence) AS sequence
    FROM history
    WHERE kind = 'fix_reported'
    GROUP BY finding_id
),

said AS (
    SELECT
        r.finding_id,
        h.sequence AS said_at,
        (h.payload ->> 'fixed_on')::DATE AS said_on,
        (h.payload ->> 'gfci_year')::INTEGER AS year,
        (h.payload ->> 'gfci_tested_on')::DATE AS tested_on,
        true AS tripped
    FROM resting AS r
    JOIN history AS h USING (finding_id)
    WHERE h.kind = 'fix_reported' AND (h.payload ->> 'fixed_on')::DATE = r.fixed_on

    UNION ALL
    SELECT
        r.finding_id,
        h.sequence,
        (h.payload ->> '$.look.observed_on')::DATE,
        NULL,
        (h.payload ->> '$.look.observed_on')::DATE,
        (h.payload ->> '$.look.gfci_button_tripped') = 'yes'
    FROM resting AS r
    JOIN last_fix AS l USING (finding_id)
    JOIN history AS h USING (finding_id)
    WHERE h.kind IN ('verified', 'verification_failed') AND h.sequence > l.sequence
        AND h.payload ->> '$.look.gfci_button_tripped' IS NOT NULL

    UNION ALL
    SELECT
        r.finding_id,
        0,
        k.observed_on::DATE,
        k.gfci_year,
        CASE WHEN k.gfci_button_tripped IS NOT NULL THEN k.observed_on::DATE END,
        k.gfci_button_tripped = 'yes'
    FROM resting AS r
    JOIN looks AS k USING (building_id, unit_id, opening_id)
    WHERE k.observed_on >= r.fixed_on AND k.observed_on <= $today
),

known AS (
    SELECT
        finding_id,
        -- a year to come is none, and is asked for again
        arg_max(year, (said_on, said_at)) FILTER (year <= year($today::DATE)) AS gfci_year,
        max(tested_on) FILTER (tripped) AS tested_on,
        max(tested_on) FILTER (NOT tripped) AS failed_on
    FROM said
    GROUP BY finding_id
)

SELECT
    r.finding_id,
    r.building_id,
    r.unit_id,
    r.opening_id,
    r.remedy,
    r.state,
    r.fixed_on,
    k.gfci_year,
    k.tested_on,
    k.failed_on,
    list_filter(
        [
            -- of two tests of one day the worse one counts
            CASE WHEN k.failed_on >= coalesce(k.tested_on, k.failed_on) THEN 'failed' END,
            CASE WHEN k.gfci_year IS NULL THEN 'year_not_known' END,
            CASE WHEN year($today::DATE) - k.gfci_year > $oldest_years THEN 'old' END,
            CASE WHEN k.gfci_year <= $self_test_year THEN 'no_self_test' END,
            CASE WHEN k.tested_on IS NULL AND k.failed_on IS NULL THEN 'test_not_known' END,
            CASE WHEN $today::DATE - k.tested_on > $test_within_days THEN 'test_long_ago' END
        ],
        lambda each: each IS NOT NULL
    ) AS asks
FROM resting AS r
LEFT JOIN known AS k USING (finding_id)
ORDER BY r.building_id, r.unit_id, r.opening_id, r.finding_id

-- Prices that firms named, over history and due, one row a finding, firm and remedy: its last one.
-- expired as of $today; lowest: the lowest of the finding's prices that still hold; chosen: the last
-- one of the firm assigned, or of who did the work once it is done, for its remedy where it names
-- one of that; reported_since: a fix was reported after it, so it was answered.
WITH named AS (
    SELECT
        finding_id,
        sequence,
        recorded_at AS named_at,
        payload ->> 'firm' AS firm,
        (payload ->> 'amount')::DECIMAL(18, 2) AS amount,
        payload ->> 'remedy' AS remedy,
        (payload ->> 'valid_until')::DATE AS valid_until,
        (payload ->> 'whole')::DECIMAL(18, 2) AS whole,
        (payload ->> 'shared_over')::INTEGER AS shared_over
    FROM history
    WHERE kind = 'quoted'
    QUALIFY row_number() OVER (
        PARTITION BY finding_id, firm_name(payload ->> 'firm'), coalesce(payload ->> 'remedy', '')
        ORDER BY sequence DESC
    ) = 1
),

last_word AS (
    SELECT
        finding_id,
        max(sequence) FILTER (kind = 'fix_reported') AS fixed_in,
        arg_max(recorded_at, sequence) FILTER (kind = 'assigned') AS assigned_at
    FROM history
    GROUP BY finding_id
),

told AS (
    SELECT
        n.*,
        d.building_id,
        d.unit_id,
        d.opening_id,
        d.open,
        l.assigned_at,
        coalesce(n.valid_until < $today, false) AS expired,
        coalesce(n.sequence < l.fixed_in, false) AS reported_since,
        d.fixed_on,
        coalesce(NOT d.open AND n.remedy = d.remedy, false) AS of_remedy,
        coalesce(
            firm_name(n.firm)
                = firm_name(CASE WHEN d.open THEN d.firm ELSE coalesce(d.fixed_by, d.firm) END),
            false
        ) AS of_assigned
    FROM named AS n
    JOIN due AS d USING (finding_id)
    LEFT JOIN last_word AS l USING (finding_id)
)

SELECT
    finding_id,
    building_id,
    unit_id,
    opening_id,
    sequence,
    named_at,
    firm,
    amount,
    remedy,
    valid_until,
    whole,
    shared_over,
    expired,
    reported_since,
    coalesce(
        NOT expired AND NOT reported_since
        AND amount = min(amount) FILTER (NOT expired AND NOT reported_since)
            OVER (PARTITION BY finding_id),
        false
    ) AS lowest,
    of_assigned AND row_number() OVER (
        PARTITION BY finding_id, of_assigned ORDER BY of_remedy DESC, sequence DESC
    ) = 1 AS chosen,
    -- a price that held on the day of the assignment, or of the work, is owed, whatever day it was to
    -- hold until
    coalesce(
        NOT expired OR assigned_at::DATE <= valid_until OR (reported_since AND fixed_on <= valid_until),
        false
    ) AS holds,
    open
FROM told
ORDER BY building_id, unit_id, opening_id, finding_id, amount, firm, remedy

-- The current state of every finding: the last word on each matter, over the table `history`
-- (finding_id, sequence, recorded_at TIMESTAMP, kind, payload JSON). The same fold in Python is
-- pipeline.ledger.state; a property test holds the two equal.
WITH marked AS (
    SELECT
        *,
        treatment_of(kind) AS treatment
    FROM history
),

last_word AS (
    SELECT
        finding_id,
        max(sequence) AS sequence,
        min(recorded_at) AS raised_at,
        arg_max(recorded_at, sequence) AS last_at,
        arg_max(payload, sequence) FILTER (kind = 'raised') AS raised,
        arg_max(treatment, sequence) FILTER (treatment IS NOT NULL) AS treatment,
        max(sequence) FILTER (treatment IS NOT NULL) AS treated_in,
        max(sequence) FILTER (kind = 'seen_again') AS seen_in,
        arg_max(payload, sequence) FILTER (kind IN ('raised', 'seen_again')) AS seen,
        arg_max(payload ->> 'condition', sequence)
            FILTER (payload ->> 'condition' IS NOT NULL AND kind IN ('raised', 'seen_again'))
            AS condition,
        max(coalesce(payload ->> 'seen_on', payload ->> 'last_seen_on', payload ->> 'first_seen_on'))
            FILTER (kind IN ('raised', 'seen_again'))::DATE AS last_seen_on,
        max(coalesce(payload ->> 'pointed_on', payload ->> 'first_seen_on'))
            FILTER (kind IN ('raised', 'seen_again'))::DATE AS pointed_on,
        count(*) FILTER (kind = 'seen_again') AS times_seen_again,
        max(sequence) FILTER (kind = 'accepted') AS accepted_in,
        max(sequence) FILTER (kind IN ('dismissed', 'reopened')) AS unaccepted_in,
        arg_max(payload, sequence) FILTER (kind = 'assigned') AS assigned,
        arg_max(payload, sequence) FILTER (kind = 'quoted') AS quoted,
        arg_max(payload, sequence) FILTER (kind = 'fix_reported') AS fix,
        arg_max(recorded_at, sequence) FILTER (kind = 'fix_reported') AS fix_reported_at,
        arg_max(payload, sequence) FILTER (kind = 'verified') AS proof,
        arg_max(payload, sequence) FILTER (kind = 'dismissed') AS set_aside,
        count(*) FILTER (kind = 'verification_failed') AS failed_fixes,
        arg_max(kind, sequence) FILTER (kind IN ('notice_given', 'entry_refused', 'no_access'))
            AS last_access,
        max(sequence) FILTER (kind = 'resumed') AS resumed_in,
        arg_max((payload ->> 'since')::DATE, sequence) FILTER (kind = 'resumed') AS resumed_on,
        max(sequence) FILTER (kind = 'paused') AS paused_in,
        arg_max((payload ->> 'since')::DATE, sequence) FILTER (kind = 'paused') AS pause_since
    FROM marked
    GROUP BY finding_id
),

settled AS (
    SELECT
        * REPLACE (
            CASE
                WHEN treatment = 'withdrawn' AND seen_in > treated_in THEN 'none' ELSE treatment
            END AS treatment
        ),
        seen ->> 'grade' AS grade
    FROM last_word
)

SELECT
    s.finding_id,
    s.raised ->> 'building_id' AS building_id,
    s.raised ->> 'unit_id' AS unit_id,
    s.raised ->> 'opening_id' AS opening_id,
    s.raised ->> 'family' AS family,
    (s.raised ->> 'occurrence')::INTEGER AS occurrence,
    s.raised ->> 'recurs_of' AS recurs_of,
    s.sequence,
    CASE s.treatment
        WHEN 'made_safe' THEN 'made_safe_defect_remains'
        WHEN 'fix_reported' THEN 'fix_reported_unproven'
        WHEN 'proven' THEN 'repair_proven'
        WHEN 'disproved' THEN 'fix_disproved'
        WHEN 'set_aside' THEN 'set_aside_unrepaired'
        WHEN 'withdrawn' THEN 'no_longer_indicated'
        ELSE CASE s.grade
            WHEN 'suspected' THEN 'suspected_defect'
            WHEN 'confirmed' THEN 'confirmed_defect'
            WHEN 'record_in_doubt' THEN 'record_in_doubt'
        END
    END AS state,
    s.treatment,
    s.grade,
    s.condition,
    CASE WHEN s.treatment = 'proven' THEN 'proven' ELSE s.seen ->> 'standing' END AS standing,
    (s.seen ->> 'probability')::DOUBLE AS probability,
    s.raised ->> 'slots' AS slots,
    (s.raised ->> 'first_seen_on')::DATE AS first_seen_on,
    s.last_seen_on,
    s.pointed_on,
    s.times_seen_again,
    s.raised_at,
    (s.raised ->> 'notified_on')::DATE AS notified_on,
    s.raised ->> 'regulation' AS regulation,
    s.last_at,
    s.accepted_in IS NOT NULL AND s.accepted_in > coalesce(s.unaccepted_in, 0) AS accepted,
    s.assigned ->> 'firm' AS firm,
    s.assigned ->> 'person' AS person,
    (s.assigned ->> 'due_on')::DATE AS assigned_due_on,
    s.quoted ->> 'firm' AS quoted_by,
    (s.quoted ->> 'amount')::DOUBLE AS quoted,
    s.fix ->> 'remedy' AS remedy,
    (s.fix ->> 'fixed_on')::DATE AS fixed_on,
    s.fix_reported_at,
    s.fix ->> 'firm' AS fixed_by,
    (s.fix ->> 'cost')::DOUBLE AS cost,
    s.fix ->> 'leaves_condition' AS leaves_condition,
    s.fix ->> 'leaves_slots' AS leaves_slots,
    s.fix ->> 'leaves_protected' AS leaves_protected,
    CASE WHEN s.treatment = 'proven' THEN (s.proof ->> '$.look.observed_on')::DATE END
        AS verified_on,
    CASE WHEN s.treatment = 'proven' THEN s.proof ->> '$.look.method' END AS verified_by_method,
    CASE WHEN s.treatment = 'set_aside' THEN s.set_aside ->> 'reason' END AS set_aside_reason,
    s.treatment = 'set_aside' AND coalesce(s.seen_in > s.treated_in, false)
        AS seen_since_set_aside,
    s.failed_fixes,
    s.last_access,
    CASE WHEN s.paused_in > coalesce(s.resumed_in, 0) THEN s.pause_since END AS paused_since,
    s.resumed_on
FROM settled AS s
ORDER BY s.finding_id

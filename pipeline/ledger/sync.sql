-- What to write down: sightings against the findings that stand. standing holds the latest
-- occurrence of each (building_id, unit_id, opening_id, family); urgent_families those that are no
-- condition of the wiring; contradicted the openings where looks since a proof speak against it;
-- told_since (proven, condition) the defects that such looks point at, by the finding whose repair was
-- proven.
-- stands_by_hand (finding_id) findings of what is urgent that a person wrote down and no landed look
-- since answers.
-- Parameter: $withdraw.
WITH said AS (
    SELECT * FROM sightings
    UNION ALL BY NAME
    SELECT * FROM conflicts
),

-- Openings left without a ground by a proven repair that makes up for it: two slots, or protected.
left_ungrounded AS (
    SELECT building_id, unit_id, opening_id
    FROM standing AS s
    WHERE
        s.treatment = 'proven' AND s.leaves_condition = 'ungrounded'
        AND (s.leaves_slots = 'two_slot' OR s.leaves_protected = 'yes')
        AND s.finding_id NOT IN (SELECT recurs_of FROM standing WHERE recurs_of IS NOT NULL)
),

known AS (
    SELECT * FROM standing
    QUALIFY row_number() OVER (
        PARTITION BY building_id, unit_id, opening_id, family ORDER BY occurrence DESC
    ) = 1
),

-- What comes back after a proven repair is confirmed by looks since the proof only. What is weighed
-- from them together with looks from before the repair nobody reported. holds: they tell the defect
-- that is recorded.
untold AS (
    SELECT s.building_id, s.unit_id, s.opening_id, s.family, true AS untold,
        (p.proof, k.condition) IN (SELECT (proven, condition) FROM told_since) AS holds
    FROM said AS s
    JOIN known AS k USING (building_id, unit_id, opening_id, family)
    JOIN (
        SELECT finding_id, CASE WHEN treatment = 'proven' THEN finding_id ELSE recurs_of END AS proof
        FROM known
    ) AS p ON p.finding_id = k.finding_id
    WHERE s.grade IN ('confirmed', 'suspected') AND p.proof IS NOT NULL
        AND (p.proof, s.condition) NOT IN (SELECT (proven, condition) FROM told_since)
)

SELECT
    CASE
        WHEN
            k.finding_id IS NULL AND s.condition = 'ungrounded' AND s.grade = 'suspected'
            AND (s.building_id, s.unit_id, s.opening_id) IN (
                SELECT (building_id, unit_id, opening_id) FROM left_ungrounded
            )
            THEN 'nothing'
        WHEN k.finding_id IS NULL THEN 'raise'
        WHEN k.treatment = 'proven' AND (s.grade = 'confirmed' OR s.urgent)
            AND s.last_seen_on > k.verified_on
            THEN 'recur'
        -- a weaker look that outweighs the proof, see pipeline.warehouse.contradicted
        WHEN k.treatment = 'proven' AND s.pointed_on > k.verified_on
            AND (k.building_id, k.unit_id, k.opening_id) IN (
                SELECT (building_id, unit_id, opening_id) FROM contradicted
            )
            THEN 'recur'
        WHEN k.treatment = 'proven' THEN 'nothing'
        -- what is plainly reported or confirmed after it was closed on paper is there after all
        WHEN k.treatment = 'set_aside' AND (s.grade = 'confirmed' OR s.urgent)
            AND (s.last_seen_on > k.last_seen_on OR k.seen_since_set_aside)
            THEN 'reopen'
        WHEN s.last_seen_on > k.last_seen_on THEN 'seen'
        WHEN k.treatment = 'withdrawn' THEN 'seen'
        WHEN k.treatment = 'none' AND s.grade <> k.grade AND k.grade <> 'confirmed'
            AND coalesce(u.holds, true) THEN 'seen'
        WHEN k.treatment = 'none' AND s.urgent AND s.condition IS DISTINCT FROM k.condition THEN 'seen'
        WHEN k.treatment = 'none' AND (s.urgent OR k.standing IS NOT NULL)
            AND s.standing IS DISTINCT FROM k.standing THEN 'seen'
        ELSE 'nothing'
    END AS act,
    k.finding_id,
    k.occurrence,
    -- a defect that recurs stays what was reported then, until a later look points at the family
    s.* REPLACE (
        CASE WHEN s.urgent OR k.condition IS NULL THEN s.condition
            WHEN u.untold THEN k.condition
            WHEN k.treatment <> 'none' OR k.recurs_of IS NULL OR s.pointed_on >= k.pointed_on
            THEN s.condition ELSE k.condition END AS condition,
        -- a weaker look takes back nothing of what an able one found (ledger.checks)
        CASE WHEN k.grade = 'confirmed' AND k.treatment <> 'proven' THEN k.grade
            WHEN NOT u.holds THEN 'suspected' ELSE s.grade END AS grade
    ),
    u.untold
FROM said AS s
LEFT JOIN known AS k USING (building_id, unit_id, opening_id, family)
LEFT JOIN untold AS u USING (building_id, unit_id, opening_id, family)
UNION ALL BY NAME
SELECT
    'withdraw' AS act,
    k.finding_id,
    k.occurrence,
    k.building_id,
    k.unit_id,
    k.opening_id,
    k.family,
    k.grade,
    p.probability,
    CASE WHEN k.grade <> 'record_in_doubt' THEN paper.ends
        WHEN k.unit_id = '' AND (k.building_id, k.opening_id, k.family) IN (
            SELECT (building_id, opening_id, family) FROM conflicts
        ) THEN 'filed without its dwelling; it stands under the dwelling now' END AS note
FROM known AS k
LEFT JOIN papers AS paper USING (building_id, unit_id, opening_id, family)
LEFT JOIN family_probabilities AS p USING (building_id, unit_id, opening_id, family)
WHERE
    k.treatment = 'none'
    AND (
        (
            k.grade = 'suspected' AND NOT k.accepted AND k.firm IS NULL
            -- a look after a proof was plain enough to raise it
            AND k.recurs_of IS NULL
            AND (k.building_id, k.unit_id, k.opening_id, k.family) NOT IN (
                SELECT (building_id, unit_id, opening_id, family) FROM named_in_words
            )
            AND p.probability < $withdraw
            -- what speaks against it may have been seen at another receptacle
            AND (k.building_id, k.unit_id, k.opening_id) NOT IN (
                SELECT (building_id, unit_id, opening_id) FROM other_places
            )
            -- what was plainly reported stands, however improbable
            AND (k.building_id, k.unit_id, k.opening_id, k.family) NOT IN (
                SELECT (building_id, unit_id, opening_id, family) FROM sightings
            )
        )
        OR (
            k.family IN (SELECT family FROM urgent_families)
            AND k.finding_id NOT IN (SELECT finding_id FROM stands_by_hand)
            AND (k.building_id, k.unit_id, k.opening_id, k.family) NOT IN (
                SELECT (building_id, unit_id, opening_id, family) FROM sightings
            )
        )
        -- reported by papers only, all of them dismissed or answered by looks
        OR (k.grade = 'suspected' AND paper.ends IS NOT NULL AND paper.first_seen_on IS NULL)
        OR (
            k.grade = 'record_in_doubt'
            AND (k.building_id, k.unit_id, k.opening_id, k.family) NOT IN (
                SELECT (building_id, unit_id, opening_id, family) FROM conflicts
            )
        )
    )
ORDER BY ALL

-- The own target of every finding as it was set and as it moved, as of $now: one row for the raising,
-- one for each event that moved it, and one for a pause that still runs (kind 'paused', the days so
-- far). classes (condition, severity_class) and targets (severity_class, target_days) come from the
-- rule book; findings holds the steps that bear on targets. The first row's to_day is the first target, the last row's the present one.
--
-- What sets a target: raising (the rule book's days for the condition as raised), an assignment with
-- a due day, and a graver condition (the rule book's days from the day that it was written down, but
-- never later than the target that stood). Afterwards it moves by the days that it stood still. So
-- between two due days the target is (days stood still) + least(set - days stood still when set).
WITH steps AS (
    SELECT finding_id, family, unnest(target_steps, recursive := true) FROM findings
),

bearing AS (
    SELECT *, recorded_at::DATE AS written_on FROM steps
),

classed AS (
    SELECT
        b.*,
        coalesce(
            c.severity_class,
            CASE WHEN list_contains($urgent_families, b.family) THEN $urgent_class END,
            $conflict_class
        ) AS severity_class
    FROM bearing AS b
    LEFT JOIN classes AS c USING (condition)
),

compared AS (
    SELECT
        c.*,
        t.target_days,
        coalesce(t.target_days < lag(t.target_days) OVER by_finding, false) AS graver,
        lag(c.condition) OVER by_finding AS condition_before
    FROM classed AS c
    JOIN targets AS t USING (severity_class)
    WINDOW by_finding AS (PARTITION BY c.finding_id ORDER BY c.sequence)
),

setting AS (
    SELECT
        *,
        CASE
            WHEN kind = 'raised' OR graver THEN written_on + target_days::INTEGER
            WHEN kind = 'assigned' THEN day
        END AS set_to
    FROM compared
),

stretches AS (
    SELECT
        *,
        count(set_to) FILTER (kind IN ('raised', 'assigned')) OVER so_far AS stretch,
        -- no pause reaches back before the target that it moves was set, nor into the future,
        -- whatever was written before such days were refused
        CASE WHEN kind IN ('paused', 'resumed') THEN greatest(
            least(day, written_on + 1),
            max(written_on) FILTER (set_to IS NOT NULL) OVER so_far
        ) END AS said_day
    FROM setting
    WINDOW so_far AS (PARTITION BY finding_id ORDER BY sequence)
),

pausing AS (
    SELECT
        *,
        max(said_day) OVER so_far AS turned_on,
        last_value(CASE WHEN kind IN ('paused', 'resumed') THEN kind END IGNORE NULLS)
            OVER so_far AS last_turn,
        last_value(CASE WHEN kind = 'paused' THEN reason END IGNORE NULLS) OVER so_far
            AS pause_reason
    FROM stretches
    WINDOW so_far AS (PARTITION BY finding_id ORDER BY sequence)
),

still_running AS (
    SELECT p.* REPLACE (
        NULL AS set_to,
        NULL AS said_day,
        false AS graver,
        last_set.stretch AS stretch,
        CASE WHEN f.live THEN $now::DATE ELSE least($now::DATE, f.last_at::DATE) END AS written_on
    )
    FROM pausing AS p
    JOIN findings AS f USING (finding_id)
    JOIN (SELECT finding_id, max(stretch) AS stretch FROM pausing GROUP BY finding_id) AS last_set
        USING (finding_id)
    WHERE p.kind = 'paused'
    QUALIFY row_number() OVER (PARTITION BY p.finding_id ORDER BY p.sequence DESC) = 1
        AND f.paused_since IS NOT NULL
),

every AS (
    SELECT *, sequence AS place, false AS so_far_only FROM pausing
    UNION ALL BY NAME
    SELECT *, 1000000000 AS place, true AS so_far_only FROM still_running
),

stood AS (
    SELECT
        *,
        coalesce(sum(CASE WHEN kind = 'resumed' THEN turned_on - turned_before END) OVER so_far, 0)
            + CASE
                WHEN so_far_only OR (last_turn = 'paused' AND kind <> 'paused')
                    THEN greatest(0, written_on - turned_on)
                ELSE 0
            END AS days_stood
    FROM (
        SELECT
            *,
            lag(turned_on) OVER (PARTITION BY finding_id ORDER BY place) AS turned_before
        FROM every
    )
    WINDOW so_far AS (PARTITION BY finding_id ORDER BY place)
),

targeted AS (
    SELECT
        *,
        min(set_to - days_stood::INTEGER) OVER (PARTITION BY finding_id, stretch ORDER BY place)
            + days_stood::INTEGER AS to_day
    FROM stood
),

stepped AS (
    SELECT
        *,
        -- a running pause has moved the target already when another event moves it
        lag(to_day) OVER by_finding + CASE WHEN kind IN ('resumed', 'paused') THEN 0
            ELSE days_stood - lag(days_stood) OVER by_finding END::INTEGER AS from_day,
        last_value(severity_class) OVER (PARTITION BY finding_id ORDER BY place
            ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING) AS severity_now
    FROM targeted
    WINDOW by_finding AS (PARTITION BY finding_id ORDER BY place)
)

SELECT
    finding_id,
    sequence,
    recorded_at AS written_at,
    who,
    CASE WHEN kind = 'seen_again' THEN 'graver_condition' ELSE kind END AS kind,
    from_day,
    to_day,
    CASE
        WHEN kind = 'assigned' THEN reason
        WHEN kind IN ('paused', 'resumed') THEN pause_reason
        WHEN kind = 'seen_again'
            THEN concat_ws(', was ', replace(condition, '_', ' '), replace(condition_before, '_', ' '))
    END AS reason,
    severity_now AS severity_class,
    place
FROM stepped
WHERE kind = 'raised' OR so_far_only OR from_day <> to_day OR kind = 'resumed'
ORDER BY finding_id, place

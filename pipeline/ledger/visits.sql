-- Visits, one row each, over `history` and `findings`, as of $today. A visit is one day, one
-- person, one dwelling; each of its steps stands on every one of its findings, written at once.
-- `visit_steps` holds the steps of all visits, those of other buildings too: a person is one.
WITH dates AS (
    SELECT
        payload ->> 'visit_id' AS visit_id,
        any_value(payload ->> 'person') FILTER (kind = 'visit_planned') AS person,
        arg_max(payload, position) FILTER (kind IN ('visit_planned', 'visit_moved')) AS dated
    FROM visit_steps
    GROUP BY ALL
    HAVING NOT bool_or(kind IN ('visit_called_off', 'visit_made'))
),

hours AS (
    SELECT
        visit_id, person, dated ->> 'on' AS on_day, dated ->> 'starts' AS starts,
        dated ->> 'ends' AS ends
    FROM dates
    WHERE dated ->> 'starts' IS NOT NULL
),

-- planned visits of what may be one person (persons.py) at hours that overlap; one without an end overlaps where it starts
clashing AS (
    SELECT a.visit_id, list(b.visit_id ORDER BY b.visit_id) AS clashes
    FROM hours AS a
    JOIN hours AS b
        ON b.on_day = a.on_day AND b.visit_id <> a.visit_id
        AND (
            a.starts = b.starts
            OR (a.starts < b.starts AND b.starts < a.ends)
            OR (b.starts < a.starts AND a.starts < b.ends)
        )
    WHERE may_be_one(a.person, b.person)
    GROUP BY a.visit_id
),

steps AS (
    SELECT
        finding_id,
        sequence,
        recorded_at,
        kind,
        who,
        payload,
        payload ->> 'visit_id' AS visit_id,
        (payload ->> 'on')::DATE AS on_day
    FROM history
    WHERE kind IN ('visit_planned', 'visit_moved', 'visit_called_off', 'visit_made')
),

-- one row for each finding of each visit
taken AS (
    SELECT
        visit_id,
        finding_id,
        max(sequence) FILTER (kind = 'visit_planned') AS planned_in,
        max(sequence) FILTER (kind IN ('visit_planned', 'visit_moved')) AS dated_in,
        max(sequence) FILTER (kind IN ('visit_called_off', 'visit_made')) AS ended_in,
        count(*) FILTER (kind = 'visit_moved') AS times_moved,
        arg_max(on_day, sequence) FILTER (kind IN ('visit_planned', 'visit_moved')) AS visit_on,
        arg_max(payload, sequence) FILTER (kind IN ('visit_planned', 'visit_moved')) AS dated,
        list(DISTINCT on_day) FILTER (on_day IS NOT NULL) AS days,
        any_value(payload) FILTER (kind = 'visit_planned') AS planned,
        any_value(who) FILTER (kind = 'visit_planned') AS planned_by,
        min(recorded_at) AS planned_at,
        max(recorded_at) AS last_at,
        arg_max(payload ->> 'reason', sequence) FILTER (kind = 'visit_moved') AS moved_reason,
        any_value(payload) FILTER (kind = 'visit_made') AS made,
        any_value(payload ->> 'reason') FILTER (kind = 'visit_called_off') AS called_off_reason
    FROM steps
    GROUP BY visit_id, finding_id
),

-- what was noted at the door, on any day that the visit was planned for or made on
door AS (
    SELECT
        t.visit_id,
        t.finding_id,
        count(*) FILTER (h.kind = 'notice_given') AS notices,
        bool_or(
            h.kind = 'notice_given'
            -- a notice that names no day speaks of the day that stood when it was given
            AND coalesce((h.payload ->> 'entry_on')::DATE = t.visit_on, h.sequence > t.dated_in)
            -- one that names hours speaks of these hours only
            AND coalesce(
                (h.payload ->> 'entry_starts') = coalesce(t.dated ->> 'starts', '')
                AND coalesce(h.payload ->> 'entry_ends', '') = coalesce(t.dated ->> 'ends', ''),
                true
            )
        ) AS noticed,
        max(h.recorded_at) AS last_at,
        bool_or(h.kind = 'entry_refused') AS entry_refused,
        bool_or(h.kind = 'no_access') AS no_access
    FROM taken AS t
    JOIN history AS h USING (finding_id)
    WHERE CASE h.kind
        WHEN 'notice_given' THEN coalesce(
            list_contains(t.days, (h.payload ->> 'entry_on')::DATE),
            h.sequence BETWEEN t.planned_in AND coalesce(t.ended_in, h.sequence)
        )
        WHEN 'entry_refused' THEN list_contains(t.days, (h.payload ->> 'on')::DATE)
        WHEN 'no_access' THEN list_contains(t.days, (h.payload ->> 'on')::DATE)
        ELSE false
    END
    GROUP BY t.visit_id, t.finding_id
),

whole AS (
    SELECT
        t.visit_id,
        any_value(f.building_id) AS building_id,
        any_value(f.unit_id) AS unit_id,
        any_value(t.visit_on) AS visit_on,
        any_value(t.dated ->> 'starts') AS starts,
        any_value(t.dated ->> 'ends') AS ends,
        any_value(t.planned ->> 'person') AS person,
        any_value(t.planned ->> 'firm') AS firm,
        any_value(t.planned ->> 'note') AS note,
        CASE
            WHEN any_value(t.made) IS NOT NULL THEN 'made'
            WHEN any_value(t.called_off_reason) IS NOT NULL THEN 'called_off'
            ELSE 'planned'
        END AS standing,
        count(*) AS findings,
        count(*) FILTER (f.treatment = 'proven') AS proven,
        count(*) FILTER (f.treatment = 'fix_reported') AS reported,
        count(*) FILTER (f.open) AS open,
        count(*) FILTER (f.treatment IN ('set_aside', 'withdrawn')) AS not_repaired,
        coalesce(max(d.notices), 0) AS notices,
        count(*) FILTER (d.noticed) AS noticed,
        count(*) FILTER (d.entry_refused) AS entry_refused,
        count(*) FILTER (d.no_access) AS no_access,
        max(t.times_moved) AS times_moved,
        any_value(t.moved_reason) AS moved_reason,
        any_value((t.made ->> 'on')::DATE) AS made_on,
        any_value(t.made ->> 'went') AS went,
        any_value(t.made ->> 'firm') AS went_for,
        any_value(t.called_off_reason) AS called_off_reason,
        min(t.planned_at) AS planned_at,
        any_value(t.planned_by) AS planned_by,
        greatest(max(t.last_at), max(d.last_at)) AS last_at,
        list(t.finding_id ORDER BY f.opening_id, t.finding_id) AS finding_ids
    FROM taken AS t
    JOIN findings AS f USING (finding_id)
    LEFT JOIN door AS d USING (visit_id, finding_id)
    GROUP BY t.visit_id
)

SELECT
    whole.*,
    coalesce(clashes, []) AS clashes,
    standing = 'planned' AND visit_on >= $today AS coming,
    standing = 'planned' AND visit_on >= $today AND noticed < findings AS without_notice,
    standing = 'planned' AND visit_on < $today AS past_not_made
FROM whole
LEFT JOIN clashing USING (visit_id)
ORDER BY visit_on, starts NULLS FIRST, building_id, unit_id, visit_id

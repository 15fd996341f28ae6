-- Why a building stands where it stands, in plain words: what raises its score most comes first,
-- what lowers it most comes last.
CREATE TABLE reasons AS
WITH facts AS (
    SELECT b.*, e.era, e.era_label, z.* EXCLUDE (building_no), v.* EXCLUDE (building_no),
        s.* EXCLUDE (building_no), m.two_slot_seen, m.three_slot_seen
    FROM buildings AS b
    JOIN building_eras AS e USING (building_no)
    JOIN building_sizes AS z USING (building_no)
    JOIN building_evidence AS v USING (building_no)
    JOIN building_scores AS s USING (building_no)
    LEFT JOIN slot_mix AS m USING (building_no)
),
said AS (
    SELECT building_no, 'urgent' AS ingredient, 1e300 AS weight, concat(
        urgent_openings, CASE WHEN urgent_openings = 1 THEN ' opening' ELSE ' openings' END,
        ' plainly reported or measured as live metal, heat, shock or wrong voltage: ',
        'urgent whatever the score.') AS reason
    FROM facts WHERE urgent_openings > 0
    UNION ALL
    SELECT building_no, 'urgent_report' AS ingredient, 1e299 AS weight, concat(
        urgent_reports, CASE WHEN urgent_reports = 1 THEN ' citation, complaint, work order or permit speaks'
            ELSE ' citations, complaints, work orders or permits speak' END,
        ' of a shock, live metal or heat, and nobody has opened every box that may be meant since: ',
        'urgent whatever the score.') AS reason
    FROM facts WHERE urgent_reports > 0
    UNION ALL
    SELECT building_no, 'era', era,
        CASE
            WHEN year_built IS NULL AND year_rewired IS NULL
                THEN 'Year of construction unknown: averaged over the eras of this portfolio'
            WHEN year_built IS NULL
                THEN concat('Year of construction unknown, rewired ', year_rewired)
            ELSE concat('Built ', year_built,
                CASE WHEN year_rewired IS NOT NULL THEN concat(', rewired ', year_rewired)
                    ELSE '' END,
                CASE WHEN rate_ungrounded_origin >= rule('scoring.most_share')
                    THEN ': most openings were probably first wired without an equipment ground'
                    WHEN rate_ungrounded_origin >= rule('scoring.some_share')
                    THEN ': some openings were probably first wired without an equipment ground'
                    ELSE ': most openings were probably wired with an equipment ground' END)
        END || CASE WHEN wiring_method IS NOT NULL
            THEN concat(' (', replace(wiring_method, '_', ' '), ')') ELSE '' END || '.'
    FROM (SELECT * EXCLUDE (era, era_1), era_1 AS era FROM facts)
    UNION ALL
    SELECT building_no, 'mixed_openings', mixed_openings,
        CASE
            WHEN two_slot_seen > 0 AND three_slot_seen > 0 THEN concat(
                'Two-slot and three-slot openings side by side (', two_slot_seen, ' and ',
                three_slot_seen, ' seen): three-slot ones may have been put on wiring without a ',
                'ground.')
            WHEN three_slot_seen > 0 THEN concat(
                'Only three-slot openings seen (', three_slot_seen, ').')
            ELSE concat('Only two-slot openings seen (', two_slot_seen, ').')
        END
    FROM facts WHERE coalesce(two_slot_seen, 0) + coalesce(three_slot_seen, 0) > 0
    UNION ALL
    SELECT building_no, 'confirmed_defects', confirmed_defects_1,
        CASE
            WHEN confirmed_defects > 0 THEN concat(
                confirmed_defects,
                CASE WHEN confirmed_defects = 1 THEN ' confirmed defect'
                    ELSE ' confirmed defects' END,
                CASE WHEN confirmed_false_grounds > 0
                    THEN concat(', ', confirmed_false_grounds, ' false ground') ELSE '' END,
                CASE WHEN confirmed_ungrounded > 0
                    THEN concat(', ', confirmed_ungrounded, ' three-slot without a ground')
                    ELSE '' END, '.')
            ELSE concat('No confirmed defect in ', openings_looked_at,
                CASE WHEN openings_looked_at = 1 THEN ' opening' ELSE ' openings' END,
                ' looked at', CASE WHEN confirmed_defects_1 > 0
                    THEN ', but what was found there makes one likelier' ELSE '' END, '.')
        END
    FROM facts WHERE coalesce(openings_looked_at, 0) > 0
    UNION ALL
    SELECT building_no, 'occupancy', occupancy, concat(
        round(people)::BIGINT, CASE WHEN occupants_assumed THEN ' (assumed)' ELSE '' END,
        CASE WHEN round(people) = 1 THEN ' person in ' ELSE ' people in ' END,
        dwellings, CASE WHEN dwellings_assumed THEN ' (assumed)' ELSE '' END,
        CASE WHEN dwellings = 1 THEN ' dwelling' ELSE ' dwellings' END,
        CASE WHEN vulnerable_assumed THEN ''
            WHEN vulnerable_people = 0 THEN ', none of them vulnerable'
            ELSE concat(', ', vulnerable_people::BIGINT, ' of them vulnerable') END,
        '.')
    FROM facts
    UNION ALL
    SELECT building_no, 'blind', rule('scoring.blind_reason_weight') * score * blind_share * (1 - evidence_share), concat(
        round(100 * blind_share)::BIGINT,
        ' % of three-slot openings never looked at by a method able to see a false ground.')
    FROM facts WHERE blind_share >= 0.005
    UNION ALL
    SELECT building_no, 'fire_facts', 0.0, concat('Bears on fire, and is in no number here: ',
        fire_facts(wiring_metal, panel_condition, fuses_oversized), '.')
    FROM facts WHERE fire_facts(wiring_metal, panel_condition, fuses_oversized) <> ''
    UNION ALL
    SELECT building_no, 'unseen', rule('scoring.unrecorded_reason_weight') * score * (1 - evidence_share), concat(
        openings_unseen, ' of ', openings, ' openings never recorded',
        CASE WHEN openings_assumed THEN ' (number of openings assumed)' ELSE '' END, '.')
    FROM facts WHERE openings_unseen > 0
)
SELECT
    building_no,
    (row_number() OVER (PARTITION BY building_no ORDER BY weight DESC, ingredient))::INTEGER
        AS position,
    ingredient,
    weight,
    CASE
        WHEN weight >= 0 OR ingredient NOT IN (
            'era', 'mixed_openings', 'confirmed_defects', 'occupancy') THEN reason
        WHEN ingredient = 'confirmed_defects'
            THEN concat(reason, ' Less harm than age and openings alone would suggest.')
        ELSE concat(reason, ' Lowers the score.')
    END AS reason
FROM said
WHERE reason IS NOT NULL
ORDER BY building_no, position;

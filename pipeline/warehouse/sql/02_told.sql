-- What looks (looks_ever) report or measure of live metal, heat, a shock or an abnormal supply voltage,
-- row by row. Known before repairs are: a look that proves one is asked where it was.
CREATE TEMP TABLE live_metal_told AS
-- Notes in the words that are urgent in a complaint too (shared/report_subjects.py), asked of what a
-- note says of now: of that same text they speak against their row (landing/own_notes.py).
-- Put in words once: the alias by itself would ask again wherever it is used.
WITH said_now AS MATERIALIZED (
    SELECT note, note_of_now(note) AS said
    FROM (SELECT DISTINCT note FROM looks_ever WHERE note IS NOT NULL)
),
subjects AS MATERIALIZED (
    SELECT note, report_subject(said) AS note_about FROM said_now
),
notes AS (
    SELECT * FROM subjects WHERE list_contains(urgent_subjects(), note_about)
),
-- The few rows that may say it, before anything is put in words.
likely AS (
    SELECT
        *,
        -- What somebody found by a method that reaches beyond this box, or measured at its slots
        -- with the cover on, may sit in one further up.
        method IN ('neutral_lifted_test', 'upstream_box_seen', 'ground_wire_clamp')
            OR method IN ('voltmeter_under_load', 'ground_impedance_meter')
                AND coalesce(cover_removed, 'no') <> 'yes' AS traces
    FROM looks_ever
    LEFT JOIN notes USING (note)
    WHERE note_about IS NOT NULL OR may_be_urgent(
        result, neutral_ground_jumper, polarity, plate_earth_volts, case_earth_volts,
        ground_contact_earth_volts, non_contact_detector, heat_or_scorch, shock_reported,
        hot_neutral_volts)
),
said AS (
    SELECT *, unnest(list_filter([
        CASE result
            WHEN 'reversed_false_ground' THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'words' END,
                defect := 'reversed_false_ground', measured := false,
                says := 'reported as reversed false ground')
            WHEN 'hot_ground_reversed' THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'words' END,
                defect := 'hot_on_ground', measured := false,
                says := CASE WHEN method = 'three_lamp_tester'
                    THEN 'reported as hot and ground reversed (by lamps, which show the same for '
                        || 'an open neutral with a load switched on)'
                    ELSE 'reported as hot and ground reversed' END)
        END,
        CASE WHEN polarity = 'reversed' AND result IN ('false_ground', 'false_ground_upstream')
                AND neutral_ground_jumper IS DISTINCT FROM 'yes'
            THEN struct_pack(
                ground := CASE WHEN traces OR result = 'false_ground_upstream'
                    THEN 'words_of_upstream' ELSE 'jumper_and_swap' END,
                defect := 'reversed_false_ground', measured := true,
                says := CASE result WHEN 'false_ground_upstream'
                    THEN 'reported as false ground made in a box further up, polarity reversed'
                    ELSE 'reported as false ground, polarity reversed' END)
            WHEN neutral_ground_jumper = 'yes'
                AND (polarity = 'reversed' OR result = 'hot_neutral_reversed')
            THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'jumper_and_swap' END,
                defect := 'reversed_false_ground', measured := true,
                says := 'neutral-to-ground jumper seen, hot and neutral reversed')
        END,
        -- The load's current finds its way to the cases of whatever is plugged in.
        CASE WHEN result = 'open_neutral' AND neutral_ground_jumper = 'yes' THEN struct_pack(
            ground := CASE WHEN traces THEN 'words_of_upstream'
                ELSE 'jumper_and_open_neutral' END,
            defect := 'live_metal', measured := true,
            says := 'neutral-to-ground jumper seen, neutral open') END,
        CASE WHEN plate_earth_volts >= rule('urgent.touch_volts') THEN struct_pack(
            ground := 'plate_volts', defect := 'live_metal', measured := true,
            says := printf('%.4g V from plate to earth', plate_earth_volts)) END,
        CASE WHEN case_earth_volts >= rule('urgent.touch_volts') THEN struct_pack(
            ground := 'case_volts', defect := 'live_metal', measured := true,
            says := printf('%.4g V from metal case to earth', case_earth_volts)) END,
        CASE WHEN ground_contact_earth_volts >= rule('urgent.touch_volts') THEN struct_pack(
            ground := 'ground_contact_volts', defect := 'live_metal', measured := true,
            says := printf('%.4g V from ground contact to earth', ground_contact_earth_volts)) END,
        CASE WHEN non_contact_detector = 'yes' THEN struct_pack(
            ground := 'detector', defect := 'live_metal', measured := true,
            says := 'non-contact detector indicates on a metal part') END,
        CASE WHEN shock_reported = 'yes' THEN struct_pack(
            ground := 'shock', defect := 'shock_reported', measured := false,
            says := 'a shock was reported') END,
        CASE WHEN heat_or_scorch = 'yes' THEN struct_pack(
            ground := 'heat', defect := 'heat_or_scorch', measured := false,
            says := 'heat or scorch marks') END,
        CASE WHEN hot_neutral_volts > rule('urgent.supply_dead') AND (
                hot_neutral_volts < rule('urgent.supply_low')
                OR hot_neutral_volts > rule('urgent.supply_high'))
            THEN struct_pack(
                ground := 'supply_volts', defect := 'abnormal_voltage', measured := true,
                says := printf('supply voltage %.4g V', hot_neutral_volts))
            WHEN result = 'abnormal_voltage' THEN struct_pack(
                ground := 'supply_volts', defect := 'abnormal_voltage', measured := false,
                says := 'reported as abnormal supply voltage') END,
        -- What only the note says; where a column says so too it is told once.
        CASE
            WHEN note_about = 'shock' AND shock_reported IS DISTINCT FROM 'yes' THEN struct_pack(
                ground := 'shock', defect := 'shock_reported', measured := false,
                says := concat('note: "', note, '"'))
            WHEN note_about = 'heat' AND heat_or_scorch IS DISTINCT FROM 'yes' THEN struct_pack(
                ground := 'heat', defect := 'heat_or_scorch', measured := false,
                says := concat('note: "', note, '"'))
            WHEN note_about = 'live_metal' THEN struct_pack(
                ground := CASE WHEN traces THEN 'words_of_upstream' ELSE 'words' END,
                defect := 'live_metal', measured := false, says := concat('note: "', note, '"'))
        END
    ], lambda each: each IS NOT NULL)) AS told
    FROM likely
)
SELECT building_no, unit_id, opening_id, told.ground, told.defect, told.says,
    CASE WHEN told.measured THEN 'measured' ELSE 'reported' END AS standing,
    result = 'false_ground_upstream' AS further_up,
    observed_on, inspector, method, _part, _row, superseded_by_part, superseded_by_row,
    replaced_elsewhere
FROM said;

-- One row a building with everything that lists, counts and pictures ask for; made once per opened
-- warehouse. `earlier` is the warehouse before this one, or a table without rows.
CREATE TABLE memory.listing AS
SELECT
    b.building_no,
    b.building_id,
    coalesce(b.name, b.address, b.building_id) AS name,
    b.address,
    b.city,
    b.owner,
    b.manager,
    b.year_built,
    b.year_rewired,
    b.insured_value,
    b.latitude,
    b.longitude,
    b.in_register,
    w.era,
    coalesce(e.era_label, 'year unknown') AS era_label,
    s.rank,
    s.rank_low,
    s.rank_high,
    s.rank_per_dwelling,
    s.rank_per_dwelling_low,
    s.rank_per_dwelling_high,
    s.p_top,
    s.rank_by_score,
    s.burden,
    s.burden_per_dwelling,
    s.score,
    s.score_low,
    s.score_high,
    s.score_per_dwelling,
    s.baseline,
    s.era AS contribution_era,
    s.mixed_openings AS contribution_mixed_openings,
    s.confirmed_defects AS contribution_confirmed_defects,
    s.occupancy AS contribution_occupancy,
    s.expected_dangerous_openings,
    s.dangerous_low,
    s.dangerous_high,
    s.p_any_dangerous,
    s.p_live_metal,
    v.blind_share,
    v.evidence_share,
    v.three_slots,
    v.confirmed_defects,
    v.urgent_openings,
    v.urgent_reports,
    v.urgent,
    coalesce(v.openings_looked_at, 0) AS openings_looked_at,
    w.openings_capable,
    z.openings,
    z.openings_seen,
    z.openings_assumed,
    z.dwellings,
    z.people,
    coalesce(m.two_slot_seen, 0) AS two_slot_seen,
    coalesce(m.three_slot_seen, 0) AS three_slot_seen,
    w.evidence,
    w.size,
    CASE
        WHEN coalesce(m.two_slot_seen, 0) > 0 AND coalesce(m.three_slot_seen, 0) > 0 THEN 'mixed'
        WHEN coalesce(m.three_slot_seen, 0) > 0 THEN 'three_slot_only'
        WHEN coalesce(m.two_slot_seen, 0) > 0 THEN 'two_slot_only'
        ELSE 'not_seen'
    END AS slots_seen,
    n.next_look,
    p.rank AS earlier_rank,
    p.score AS earlier_score,
    p.rank - s.rank AS places_gained,
    w.searched
FROM buildings AS b
JOIN building_scores AS s USING (building_no)
JOIN building_eras AS e USING (building_no)
JOIN building_evidence AS v USING (building_no)
JOIN building_sizes AS z USING (building_no)
JOIN (SELECT * EXCLUDE (building_id) FROM narrowed_by) AS w USING (building_no)
LEFT JOIN slot_mix AS m USING (building_no)
LEFT JOIN next_looks AS n USING (building_no)
LEFT JOIN memory.earlier AS p USING (building_id)
ORDER BY s.rank;

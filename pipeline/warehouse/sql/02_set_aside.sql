-- What a look written by hand tells of is told no more once a person set its finding aside: nothing
-- else takes back what no file holds. Of the wiring it stands for as live metal, as it was raised
-- (looks_by_hand.py).
DELETE FROM live_metal_told AS t
USING looks_by_hand AS h, dangers_set_aside AS d
WHERE h._part = t._part AND h._row = t._row
    AND d.building_no = t.building_no AND d.unit_id = t.unit_id AND d.opening_id = t.opening_id
    AND d.family = urgent_family(t.defect) AND t.observed_on <= d.last_seen_on;

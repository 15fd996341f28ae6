-- What an event of a kind makes of the treatment of a finding; NULL where it leaves it as it is.
CREATE OR REPLACE TEMP MACRO treatment_of(kind) AS
CASE kind
    WHEN 'raised' THEN 'none'
    WHEN 'made_safe' THEN 'made_safe'
    WHEN 'made_live_again' THEN 'none'
    WHEN 'fix_reported' THEN 'fix_reported'
    WHEN 'verified' THEN 'proven'
    WHEN 'verification_failed' THEN 'disproved'
    WHEN 'dismissed' THEN 'set_aside'
    WHEN 'reopened' THEN 'none'
    WHEN 'evidence_withdrawn' THEN 'withdrawn'
END;

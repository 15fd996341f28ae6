-- A name as it is written: case and spaces aside. Firms are compared by firm_name (persons.py).
CREATE OR REPLACE TEMP MACRO plain_name(name) AS
lower(regexp_replace(trim(name), '\s+', ' ', 'g'));

-- The spelling (told) of every firm, by its firm_name (own), that stands most often in fix
-- reports and assignments.
CREATE OR REPLACE TEMP VIEW firm_spellings AS
WITH named AS (
    SELECT payload ->> 'firm' AS firm, (kind = 'fix_reported')::INTEGER AS times FROM history
    UNION ALL
    SELECT each.firm, 1 FROM (SELECT unnest(changes) AS each FROM findings)
)

SELECT firm_name(firm) AS own, firm AS told
FROM (SELECT firm, sum(times) AS times FROM named WHERE firm IS NOT NULL GROUP BY firm)
QUALIFY row_number() OVER (PARTITION BY own ORDER BY times DESC, firm) = 1;

CREATE OR REPLACE TEMP MACRO told_firm(name) AS
coalesce((SELECT any_value(told) FROM firm_spellings WHERE own = firm_name(name)), name);

-- A name as it is written: case and spaces aside. Firms are compared by firm_name (persons.py).
CREATE OR REPLACE TEMP MACRO plain_name(name) AS
lower(regexp_replace(trim(name), '\s+', ' ', 'g'));

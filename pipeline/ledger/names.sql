-- A name as it is compared: case and spaces aside.
CREATE OR REPLACE TEMP MACRO plain_name(name) AS
lower(regexp_replace(trim(name), '\s+', ' ', 'g'));

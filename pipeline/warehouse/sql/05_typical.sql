-- What stands in where a register is silent: the portfolio's own middle.
CREATE TEMP TABLE typical_building AS
SELECT
    median(insured_value / dwelling_units)::DOUBLE AS value_of_dwelling,
    median(dwelling_units / storeys) FILTER (storeys > 0)::DOUBLE AS dwellings_of_storey,
    median(dwelling_units)::DOUBLE AS dwellings
FROM buildings
WHERE dwelling_units > 0;

DROP VIEW current_climate_values;
DROP TABLE climate_values;

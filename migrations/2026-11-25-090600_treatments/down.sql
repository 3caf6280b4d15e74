DROP VIEW current_treatments;
DROP TABLE treatment_versions, treatments;

DROP VIEW current_coats;
DROP TABLE coat_versions, coats;

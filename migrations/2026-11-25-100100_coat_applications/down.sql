DROP VIEW current_coats;
DROP INDEX coats_by_haul_out;
ALTER TABLE coat_versions
    DROP CONSTRAINT coats_finished_after_started,
    DROP CONSTRAINT coats_product,
    DROP COLUMN finished_at,
    DROP COLUMN started_at,
    DROP COLUMN wet_film_um,
    DROP COLUMN area_m2,
    DROP COLUMN litres,
    DROP COLUMN batch_number,
    DROP COLUMN product_id;
CREATE VIEW current_coats WITH (security_invoker = true) AS
    SELECT c.ref, c.vessel_id, c.haul_out_id, v.*
    FROM coats c JOIN coat_versions v ON v.org_id = c.org_id AND v.coat_id = c.id
    WHERE NOT EXISTS (SELECT FROM coat_versions n
        WHERE n.org_id = v.org_id AND n.coat_id = v.coat_id AND n.version = v.version + 1);
GRANT SELECT ON current_coats TO garboard_app;

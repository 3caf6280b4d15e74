-- How a coat was put on: of which product and batch, how much on what area, when.
DROP VIEW current_coats;
ALTER TABLE coat_versions
    ADD COLUMN product_id   uuid,
    ADD COLUMN batch_number text CHECK (length(batch_number) BETWEEN 1 AND 100),
    ADD COLUMN litres       double precision CHECK (litres BETWEEN 0.001 AND 100000),
    ADD COLUMN area_m2      double precision CHECK (area_m2 BETWEEN 0.01 AND 2000),
    ADD COLUMN wet_film_um  double precision CHECK (wet_film_um BETWEEN 1 AND 10000),
    ADD COLUMN started_at   timestamptz,
    ADD COLUMN finished_at  timestamptz,
    ADD CONSTRAINT coats_product FOREIGN KEY (org_id, product_id) REFERENCES products,
    ADD CONSTRAINT coats_finished_after_started CHECK (finished_at >= started_at);
CREATE INDEX coats_by_haul_out ON coats (org_id, haul_out_id, id);
CREATE VIEW current_coats WITH (security_invoker = true) AS
    SELECT c.ref, c.vessel_id, c.haul_out_id, v.*
    FROM coats c JOIN coat_versions v ON v.org_id = c.org_id AND v.coat_id = c.id
    WHERE NOT EXISTS (SELECT FROM coat_versions n
        WHERE n.org_id = v.org_id AND n.coat_id = v.coat_id AND n.version = v.version + 1);
GRANT SELECT ON current_coats TO garboard_app;

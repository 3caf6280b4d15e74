-- Air and hull while a vessel stands ashore; versions, told apart by haul-out, time and source.
CREATE TABLE climate_values (
    org_id                uuid NOT NULL REFERENCES organisations,
    id                    uuid NOT NULL,
    version               integer NOT NULL CHECK (version >= 1),
    vessel_id             uuid NOT NULL,
    haul_out_id           uuid NOT NULL,
    measured_at           timestamptz NOT NULL,
    source                text NOT NULL CHECK (source IN ('hand', 'logger')),
    air_temperature_c     double precision NOT NULL CHECK (air_temperature_c BETWEEN -45 AND 60),
    relative_humidity_pct double precision NOT NULL CHECK (relative_humidity_pct BETWEEN 0.01 AND 100),
    surface_temperature_c double precision CHECK (surface_temperature_c BETWEEN -45 AND 100),
    withdrawn             boolean NOT NULL,
    correction_reason     text CHECK (length(correction_reason) BETWEEN 1 AND 1000),
    recorded_at           timestamptz NOT NULL,
    recorded_by           uuid REFERENCES people,
    PRIMARY KEY (org_id, id),
    CONSTRAINT climate_values_haul_out FOREIGN KEY (org_id, vessel_id, haul_out_id) REFERENCES haul_outs (org_id, vessel_id, id),
    CONSTRAINT climate_values_once UNIQUE (org_id, haul_out_id, measured_at, source, version)
);
SELECT protect_tenant_table('climate_values', 'SELECT, INSERT');
CREATE VIEW current_climate_values WITH (security_invoker = true) AS
    SELECT c.* FROM climate_values c
    WHERE NOT EXISTS (SELECT FROM climate_values n
        WHERE n.org_id = c.org_id AND n.haul_out_id = c.haul_out_id AND n.measured_at = c.measured_at
          AND n.source = c.source AND n.version = c.version + 1);
GRANT SELECT ON current_climate_values TO garboard_app;

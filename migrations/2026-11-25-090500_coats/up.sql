-- What was put on the hull, layer by layer; versions as in surveys.
CREATE TABLE coats (
    org_id      uuid NOT NULL REFERENCES organisations,
    id          uuid NOT NULL,
    ref         text CHECK (length(ref) BETWEEN 1 AND 100),
    vessel_id   uuid NOT NULL,
    haul_out_id uuid,
    created_at  timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT coats_ref_unique UNIQUE (org_id, ref),
    CONSTRAINT coats_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT coats_haul_out FOREIGN KEY (org_id, vessel_id, haul_out_id) REFERENCES haul_outs (org_id, vessel_id, id)
);
CREATE INDEX coats_by_vessel ON coats (org_id, vessel_id, id);
SELECT protect_tenant_table('coats', 'SELECT, INSERT');
CREATE TABLE coat_versions (
    org_id                uuid NOT NULL,
    coat_id               uuid NOT NULL,
    version               integer NOT NULL CHECK (version >= 1),
    role                  text NOT NULL CHECK (role IN ('gelcoat', 'sealer', 'barrier', 'topcoat', 'antifouling')),
    zone                  text NOT NULL CHECK (zone IN ('bottom', 'waterline', 'keel', 'rudder', 'appendage')),
    applied_on            date NOT NULL CHECK (applied_on BETWEEN '1940-01-01' AND '2200-12-31'),
    sequence              integer NOT NULL CHECK (sequence BETWEEN 1 AND 1000),
    product               text CHECK (length(product) BETWEEN 1 AND 200),
    colour                text CHECK (length(colour) BETWEEN 1 AND 100),
    dry_film_um           double precision CHECK (dry_film_um BETWEEN 1 AND 5000),
    film_measured         boolean NOT NULL,
    permeability_kg_m_s   double precision CHECK (permeability_kg_m_s BETWEEN 1e-14 AND 1e-9),
    wear_um_per_month_15c double precision CHECK (wear_um_per_month_15c BETWEEN 0 AND 200),
    season_limit_months   integer CHECK (season_limit_months BETWEEN 1 AND 120),
    max_days_dry          integer CHECK (max_days_dry BETWEEN 1 AND 3650),
    removed_on            date CHECK (removed_on BETWEEN '1940-01-01' AND '2200-12-31'),
    note                  text CHECK (length(note) <= 4000),
    withdrawn             boolean NOT NULL,
    correction_reason     text CHECK (length(correction_reason) BETWEEN 1 AND 1000),
    recorded_at           timestamptz NOT NULL,
    recorded_by           uuid REFERENCES people,
    PRIMARY KEY (org_id, coat_id, version),
    FOREIGN KEY (org_id, coat_id) REFERENCES coats,
    CONSTRAINT coats_removed_after_applied CHECK (removed_on >= applied_on)
);
CREATE INDEX coat_versions_recorded ON coat_versions (org_id, recorded_at, coat_id);
SELECT protect_tenant_table('coat_versions', 'SELECT, INSERT');
CREATE VIEW current_coats WITH (security_invoker = true) AS
    SELECT c.ref, c.vessel_id, c.haul_out_id, v.*
    FROM coats c JOIN coat_versions v ON v.org_id = c.org_id AND v.coat_id = c.id
    WHERE NOT EXISTS (SELECT FROM coat_versions n
        WHERE n.org_id = v.org_id AND n.coat_id = v.coat_id AND n.version = v.version + 1);
GRANT SELECT ON current_coats TO garboard_app;

-- Where hulls lie: water and air by month.
CREATE TABLE sites (
    org_id     uuid NOT NULL REFERENCES organisations,
    id         uuid NOT NULL,
    ref        text CHECK (length(ref) BETWEEN 1 AND 100),
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    time_zone  text NOT NULL,
    climate    text CHECK (length(climate) BETWEEN 1 AND 100),
    note       text CHECK (length(note) <= 4000),
    version    integer NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT sites_ref_unique UNIQUE (org_id, ref)
);
CREATE INDEX sites_updated ON sites (org_id, updated_at, id);
SELECT protect_tenant_table('sites', 'SELECT, INSERT, UPDATE');

CREATE TABLE site_months (
    org_id                uuid NOT NULL,
    site_id               uuid NOT NULL,
    month                 smallint NOT NULL CHECK (month BETWEEN 1 AND 12),
    water_temperature_c   double precision NOT NULL CHECK (water_temperature_c BETWEEN -2 AND 35),
    salinity_g_kg         double precision NOT NULL CHECK (salinity_g_kg BETWEEN 0 AND 42),
    air_temperature_c     double precision NOT NULL CHECK (air_temperature_c BETWEEN -45 AND 60),
    relative_humidity_pct double precision NOT NULL CHECK (relative_humidity_pct BETWEEN 0 AND 100),
    PRIMARY KEY (org_id, site_id, month),
    FOREIGN KEY (org_id, site_id) REFERENCES sites ON DELETE CASCADE
);
SELECT protect_tenant_table('site_months', 'SELECT, INSERT, UPDATE');

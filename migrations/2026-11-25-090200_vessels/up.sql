-- The register. Name, form and length are required; a null elsewhere means the stated default is used.
CREATE TABLE vessels (
    org_id             uuid NOT NULL REFERENCES organisations,
    id                 uuid NOT NULL,
    ref                text CHECK (length(ref) BETWEEN 1 AND 100),
    name               text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    form               text NOT NULL CHECK (form IN ('fin_keel', 'long_keel', 'motor', 'full_bodied', 'multihull')),
    length_m           double precision NOT NULL CHECK (length_m BETWEEN 2 AND 100),
    lwl_m              double precision CHECK (lwl_m BETWEEN 1 AND 100),
    beam_m             double precision CHECK (beam_m BETWEEN 0.5 AND 40),
    draft_m            double precision CHECK (draft_m BETWEEN 0.1 AND 15),
    displacement_kg    double precision CHECK (displacement_kg BETWEEN 50 AND 2000000),
    sling_forward_m    double precision CHECK (sling_forward_m BETWEEN 0 AND 100),
    sling_aft_m        double precision CHECK (sling_aft_m BETWEEN 0 AND 100),
    hull_id_number     text CHECK (length(hull_id_number) BETWEEN 14 AND 15),
    built_year         integer CHECK (built_year BETWEEN 1940 AND 2200),
    launched_on        date CHECK (launched_on BETWEEN '1940-01-01' AND '2200-12-31'),
    laminate_class     text CHECK (laminate_class IN ('orthophthalic', 'isophthalic', 'vinylester_skin', 'vinylester', 'epoxy')),
    bilge              text CHECK (bilge IN ('dry', 'damp', 'wet')),
    ashore_from_month  integer CHECK (ashore_from_month BETWEEN 1 AND 12),
    ashore_until_month integer CHECK (ashore_until_month BETWEEN 1 AND 12),
    site_id            uuid,
    berth              text CHECK (length(berth) BETWEEN 1 AND 100),
    owner_name         text CHECK (length(owner_name) BETWEEN 1 AND 200),
    owner_phone        text CHECK (length(owner_phone) BETWEEN 1 AND 100),
    owner_email        text CHECK (length(owner_email) BETWEEN 3 AND 254),
    note               text CHECK (length(note) <= 4000),
    retired_on         date,
    version            integer NOT NULL DEFAULT 1,
    created_at         timestamptz NOT NULL,
    updated_at         timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT vessels_ref_unique UNIQUE (org_id, ref),
    CONSTRAINT vessels_hull_id_number_unique UNIQUE (org_id, hull_id_number),
    CONSTRAINT vessels_site FOREIGN KEY (org_id, site_id) REFERENCES sites,
    CONSTRAINT vessels_ashore_pair CHECK ((ashore_from_month IS NULL) = (ashore_until_month IS NULL)),
    CONSTRAINT vessels_lwl_within_length CHECK (lwl_m <= length_m),
    CONSTRAINT vessels_slings_in_order CHECK (sling_forward_m < sling_aft_m)
);
CREATE INDEX vessels_updated ON vessels (org_id, updated_at, id);
CREATE INDEX vessels_site ON vessels (org_id, site_id);
SELECT protect_tenant_table('vessels', 'SELECT, INSERT, UPDATE');

CREATE TABLE vessel_zones (
    org_id                uuid NOT NULL,
    vessel_id             uuid NOT NULL,
    zone                  text NOT NULL CHECK (zone IN ('bottom', 'waterline', 'keel', 'rudder', 'appendage')),
    laminate_thickness_mm double precision CHECK (laminate_thickness_mm BETWEEN 1 AND 200),
    cored                 boolean NOT NULL,
    gelcoat_thickness_um  double precision CHECK (gelcoat_thickness_um BETWEEN 0 AND 5000),
    PRIMARY KEY (org_id, vessel_id, zone),
    FOREIGN KEY (org_id, vessel_id) REFERENCES vessels
);
SELECT protect_tenant_table('vessel_zones', 'SELECT, INSERT, UPDATE, DELETE');

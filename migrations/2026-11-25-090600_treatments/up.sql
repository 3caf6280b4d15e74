-- Treatments already done to a hull; versions as in surveys.
CREATE TABLE treatments (
    org_id      uuid NOT NULL REFERENCES organisations,
    id          uuid NOT NULL,
    ref         text CHECK (length(ref) BETWEEN 1 AND 100),
    vessel_id   uuid NOT NULL,
    haul_out_id uuid,
    created_at  timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT treatments_ref_unique UNIQUE (org_id, ref),
    CONSTRAINT treatments_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT treatments_haul_out FOREIGN KEY (org_id, vessel_id, haul_out_id) REFERENCES haul_outs (org_id, vessel_id, id)
);
CREATE INDEX treatments_by_vessel ON treatments (org_id, vessel_id, id);
SELECT protect_tenant_table('treatments', 'SELECT, INSERT');
CREATE TABLE treatment_versions (
    org_id              uuid NOT NULL,
    treatment_id        uuid NOT NULL,
    version             integer NOT NULL CHECK (version >= 1),
    kind                text NOT NULL CHECK (kind IN ('preventive', 'curative')),
    started_on          date NOT NULL CHECK (started_on BETWEEN '1940-01-01' AND '2200-12-31'),
    completed_on        date NOT NULL CHECK (completed_on BETWEEN '1940-01-01' AND '2200-12-31'),
    laminate_removed_mm double precision CHECK (laminate_removed_mm BETWEEN 0 AND 50),
    note                text CHECK (length(note) <= 4000),
    withdrawn           boolean NOT NULL,
    correction_reason   text CHECK (length(correction_reason) BETWEEN 1 AND 1000),
    recorded_at         timestamptz NOT NULL,
    recorded_by         uuid REFERENCES people,
    PRIMARY KEY (org_id, treatment_id, version),
    FOREIGN KEY (org_id, treatment_id) REFERENCES treatments,
    CONSTRAINT treatments_completed_after_started CHECK (completed_on >= started_on)
);
CREATE INDEX treatment_versions_recorded ON treatment_versions (org_id, recorded_at, treatment_id);
SELECT protect_tenant_table('treatment_versions', 'SELECT, INSERT');
CREATE VIEW current_treatments WITH (security_invoker = true) AS
    SELECT t.ref, t.vessel_id, t.haul_out_id, v.*
    FROM treatments t JOIN treatment_versions v ON v.org_id = t.org_id AND v.treatment_id = t.id
    WHERE NOT EXISTS (SELECT FROM treatment_versions n
        WHERE n.org_id = v.org_id AND n.treatment_id = v.treatment_id AND n.version = v.version + 1);
GRANT SELECT ON current_treatments TO garboard_app;

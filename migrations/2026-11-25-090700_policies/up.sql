-- The limits that decide the dates: the organisation's (vessel_id null), overridden for single vessels.
CREATE TABLE policies (
    org_id     uuid NOT NULL REFERENCES organisations,
    id         uuid NOT NULL,
    vessel_id  uuid,
    -- The limits that differ from the defaults, by name; their names, units and ranges are in the science module.
    limits     jsonb NOT NULL CHECK (jsonb_typeof(limits) = 'object'),
    version    integer NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT policies_one_each UNIQUE NULLS NOT DISTINCT (org_id, vessel_id),
    CONSTRAINT policies_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels
);
SELECT protect_tenant_table('policies', 'SELECT, INSERT, UPDATE');

-- The latest forecast of each hull, and the due rows it gives, one set a viewing organisation.
CREATE TABLE forecasts (
    org_id      uuid NOT NULL REFERENCES organisations,
    vessel_id   uuid NOT NULL,
    as_of       date NOT NULL,
    computed_at timestamptz NOT NULL,
    model       text NOT NULL,
    inputs_hash text NOT NULL,
    result      jsonb NOT NULL,
    PRIMARY KEY (org_id, vessel_id),
    FOREIGN KEY (org_id, vessel_id) REFERENCES vessels
);
SELECT protect_tenant_table('forecasts', 'SELECT, INSERT, UPDATE, DELETE');

CREATE TABLE due (
    viewer_org_id  uuid NOT NULL REFERENCES organisations,
    id             uuid NOT NULL,
    org_id         uuid NOT NULL,
    vessel_id      uuid NOT NULL,
    site_id        uuid,
    laminate_class text,
    kind           text NOT NULL CHECK (kind IN ('inspection', 'barrier', 'antifouling', 'repair', 'treatment')),
    status         text NOT NULL CHECK (status IN ('due', 'not_enough_data')),
    due_on         date,
    p10            date,
    p50            date,
    p90            date,
    driver         text NOT NULL,
    reason         text NOT NULL,
    evidence       jsonb NOT NULL,
    basis          text NOT NULL CHECK (basis IN ('prior', 'learned')),
    model          text NOT NULL,
    inputs_hash    text NOT NULL,
    computed_at    timestamptz NOT NULL,
    -- Rows without a date come last, and an index can say so.
    sort_on        date NOT NULL GENERATED ALWAYS AS (COALESCE(due_on, DATE '9999-12-31')) STORED,
    PRIMARY KEY (viewer_org_id, id),
    CONSTRAINT due_one_each UNIQUE (viewer_org_id, org_id, vessel_id, kind),
    -- What is due beyond the horizon has no date yet.
    CONSTRAINT due_has_date CHECK (status = 'due' OR due_on IS NULL),
    FOREIGN KEY (org_id, vessel_id) REFERENCES vessels
);
CREATE INDEX due_by_date ON due (viewer_org_id, sort_on, id);
CREATE INDEX due_updated ON due (viewer_org_id, computed_at, id);
ALTER TABLE due ENABLE ROW LEVEL SECURITY;
ALTER TABLE due FORCE ROW LEVEL SECURITY;
-- The viewer reads its rows; the vessel's organisation writes them. Until there are grants the two are one.
CREATE POLICY viewer ON due FOR SELECT TO garboard_app USING (viewer_org_id = (SELECT current_org()));
CREATE POLICY owner_writes ON due FOR INSERT TO garboard_app
    WITH CHECK (org_id = (SELECT current_org()) AND viewer_org_id = (SELECT current_org()));
CREATE POLICY owner_changes ON due FOR UPDATE TO garboard_app
    USING (org_id = (SELECT current_org()))
    WITH CHECK (org_id = (SELECT current_org()) AND viewer_org_id = (SELECT current_org()));
CREATE POLICY owner_removes ON due FOR DELETE TO garboard_app USING (org_id = (SELECT current_org()));
GRANT SELECT, INSERT, UPDATE, DELETE ON due TO garboard_app;

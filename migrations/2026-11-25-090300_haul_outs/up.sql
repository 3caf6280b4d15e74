-- A vessel's time ashore, from lift to relaunch. Two of one vessel never overlap.
CREATE TABLE haul_outs (
    org_id        uuid NOT NULL REFERENCES organisations,
    id            uuid NOT NULL,
    ref           text CHECK (length(ref) BETWEEN 1 AND 100),
    vessel_id     uuid NOT NULL,
    lifted_on     date NOT NULL CHECK (lifted_on BETWEEN '1940-01-01' AND '2200-12-31'),
    relaunched_on date CHECK (relaunched_on BETWEEN '1940-01-01' AND '2200-12-31'),
    reason        text NOT NULL CHECK (reason IN ('inspection', 'antifouling', 'barrier', 'repair', 'treatment', 'seasonal', 'other')),
    note          text CHECK (length(note) <= 4000),
    version       integer NOT NULL DEFAULT 1,
    created_at    timestamptz NOT NULL,
    updated_at    timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    UNIQUE (org_id, vessel_id, id),
    CONSTRAINT haul_outs_ref_unique UNIQUE (org_id, ref),
    CONSTRAINT haul_outs_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT haul_outs_relaunch_after_lift CHECK (relaunched_on >= lifted_on),
    -- A hull relaunched in the morning can be lifted again in the afternoon: the end is open.
    CONSTRAINT haul_outs_no_overlap EXCLUDE USING gist
        (org_id WITH =, vessel_id WITH =, daterange(lifted_on, relaunched_on, '[)') WITH &&)
);
CREATE INDEX haul_outs_updated ON haul_outs (org_id, updated_at, id);
CREATE INDEX haul_outs_by_vessel ON haul_outs (org_id, vessel_id, lifted_on);
SELECT protect_tenant_table('haul_outs', 'SELECT, INSERT, UPDATE');

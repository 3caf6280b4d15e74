-- A vessel's time ashore, from lift to relaunch. Two of one vessel never overlap.

-- A hull relaunched in the morning can be lifted again in the afternoon: the end is open. Of one lifted and
-- relaunched on one day that day counts, or it could lie within another time ashore.
CREATE FUNCTION days_ashore(lifted_on date, relaunched_on date) RETURNS daterange
    LANGUAGE sql IMMUTABLE PARALLEL SAFE AS
$$ SELECT daterange(lifted_on, CASE WHEN relaunched_on = lifted_on THEN lifted_on + 1 ELSE relaunched_on END, '[)') $$;

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
    CONSTRAINT haul_outs_no_overlap EXCLUDE USING gist
        (org_id WITH =, vessel_id WITH =, days_ashore(lifted_on, relaunched_on) WITH &&)
);
CREATE INDEX haul_outs_updated ON haul_outs (org_id, updated_at, id);
CREATE INDEX haul_outs_by_vessel ON haul_outs (org_id, vessel_id, lifted_on);
SELECT protect_tenant_table('haul_outs', 'SELECT, INSERT, UPDATE');

-- No lift before the launch, whichever of the two is written last. The lock makes two at once wait for each
-- other: a change of the launch, and a second haul-out, which would lock up with the first in the exclusion.
CREATE FUNCTION check_haul_out_after_launch() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE launch date;
BEGIN
    SELECT v.launched_on INTO launch FROM vessels v WHERE v.org_id = NEW.org_id AND v.id = NEW.vessel_id
        FOR NO KEY UPDATE;
    IF NEW.lifted_on < launch THEN
        RAISE EXCEPTION 'haul-out before the launch'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'haul_out_after_launch';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER haul_out_after_launch BEFORE INSERT OR UPDATE ON haul_outs
    FOR EACH ROW EXECUTE FUNCTION check_haul_out_after_launch();
CREATE FUNCTION check_launch_before_haul_outs() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM haul_outs h
        WHERE h.org_id = NEW.org_id AND h.vessel_id = NEW.id AND h.lifted_on < NEW.launched_on) THEN
        RAISE EXCEPTION 'launch after a haul-out'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'launch_before_haul_outs';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER launch_before_haul_outs BEFORE UPDATE ON vessels
    FOR EACH ROW EXECUTE FUNCTION check_launch_before_haul_outs();

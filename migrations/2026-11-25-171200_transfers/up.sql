-- A vessel passes to another organisation with all that is recorded of it.

CREATE TABLE transfers (
    org_id      uuid NOT NULL REFERENCES organisations,
    id          uuid NOT NULL,
    -- No reference: the vessel goes, the transfer stays with who offered it.
    vessel_id   uuid NOT NULL,
    vessel_name text NOT NULL,
    to_org_id   uuid NOT NULL,
    note        text CHECK (length(note) <= 4000),
    state       text NOT NULL CHECK (state IN ('offered', 'accepted', 'declined', 'withdrawn')),
    version     integer NOT NULL DEFAULT 1,
    created_at  timestamptz NOT NULL,
    updated_at  timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT transfers_to_org FOREIGN KEY (to_org_id) REFERENCES organisations
);
CREATE UNIQUE INDEX transfers_one_offer ON transfers (org_id, vessel_id) WHERE state = 'offered';
CREATE INDEX transfers_received ON transfers (to_org_id, org_id, vessel_id);
SELECT protect_tenant_table('transfers', 'SELECT, INSERT, UPDATE');
CREATE POLICY received ON transfers FOR SELECT TO garboard_app USING (to_org_id = (SELECT current_org()));
CREATE POLICY settled ON transfers FOR UPDATE TO garboard_app USING (to_org_id = (SELECT current_org()) AND state = 'offered')
    WITH CHECK (to_org_id = (SELECT current_org()));
CREATE POLICY to_others ON transfers AS RESTRICTIVE FOR INSERT TO garboard_app
    WITH CHECK (to_org_id <> (SELECT current_org()));

-- Who gives what to whom is settled when it is offered.
CREATE FUNCTION check_transfer_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF (OLD.org_id, OLD.id, OLD.vessel_id, OLD.to_org_id) IS DISTINCT FROM (NEW.org_id, NEW.id, NEW.vessel_id, NEW.to_org_id)
       OR OLD.state <> 'offered' THEN
        RAISE EXCEPTION 'a transfer is settled once' USING ERRCODE = 'check_violation', CONSTRAINT = 'transfer_stays';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER transfer_stays BEFORE UPDATE ON transfers FOR EACH ROW EXECUTE FUNCTION check_transfer_stays();

CREATE POLICY partners_by_transfer ON organisations FOR SELECT TO garboard_app USING (org_id IN (
    SELECT t.org_id FROM transfers t WHERE t.to_org_id = (SELECT current_org())
    UNION ALL SELECT t.to_org_id FROM transfers t WHERE t.org_id = (SELECT current_org())));
CREATE POLICY partners_by_transfer ON audit FOR INSERT TO garboard_app WITH CHECK (
    by_org_id = (SELECT current_org()) AND org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (
        SELECT t.org_id FROM transfers t WHERE t.to_org_id = (SELECT current_org())
        UNION ALL SELECT t.to_org_id FROM transfers t WHERE t.org_id = (SELECT current_org())));
CREATE POLICY partners_by_transfer ON audit_chain TO garboard_app
    USING (org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (
        SELECT t.org_id FROM transfers t WHERE t.to_org_id = (SELECT current_org())
        UNION ALL SELECT t.to_org_id FROM transfers t WHERE t.org_id = (SELECT current_org())))
    WITH CHECK (org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (
        SELECT t.org_id FROM transfers t WHERE t.to_org_id = (SELECT current_org())
        UNION ALL SELECT t.to_org_id FROM transfers t WHERE t.org_id = (SELECT current_org())));

-- Whom a vessel is offered to sees it, and may take it.
CREATE POLICY offered ON vessels FOR SELECT TO garboard_app USING ((org_id, id) IN (
    SELECT t.org_id, t.vessel_id FROM transfers t WHERE t.to_org_id = (SELECT current_org()) AND t.state = 'offered'));
CREATE POLICY taken ON vessels FOR UPDATE TO garboard_app USING ((org_id, id) IN (
    SELECT t.org_id, t.vessel_id FROM transfers t WHERE t.to_org_id = (SELECT current_org()) AND t.state = 'offered'))
    WITH CHECK (org_id = (SELECT current_org()));
-- The products its coats are of are copied.
CREATE POLICY taken ON products FOR SELECT TO garboard_app USING (org_id = ANY ((SELECT current_partners())::uuid[])
    AND org_id IN (SELECT t.org_id FROM transfers t WHERE t.to_org_id = (SELECT current_org()) AND t.state = 'offered'));

CREATE FUNCTION check_vessel_transferred() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM transfers t WHERE t.org_id = OLD.org_id AND t.vessel_id = OLD.id
            AND t.to_org_id = NEW.org_id AND t.state = 'offered') THEN
        RAISE EXCEPTION 'a vessel changes its organisation by a transfer'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'vessel_transferred';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER vessel_transferred BEFORE UPDATE ON vessels FOR EACH ROW WHEN (OLD.org_id <> NEW.org_id)
    EXECUTE FUNCTION check_vessel_transferred();

-- What the old organisation called its records by: left behind where the new one calls another so.
CREATE FUNCTION leave_taken_ref() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    taken boolean;
BEGIN
    EXECUTE format('SELECT EXISTS (SELECT FROM %I t WHERE t.org_id = $1 AND t.ref = $2 AND t.id <> $3)', TG_TABLE_NAME)
        INTO taken USING NEW.org_id, NEW.ref, NEW.id;
    IF taken THEN
        -- For the answer.
        PERFORM set_config('app.refs_left', (coalesce(NULLIF(current_setting('app.refs_left', true), '')::jsonb, '[]')
            || jsonb_build_object('records', TG_TABLE_NAME, 'id', NEW.id, 'ref', NEW.ref))::text, true);
        NEW.ref := NULL;
    END IF;
    RETURN NEW;
END $$;

-- Keys that follow the vessel: a reference between tables of rows under a vessel cascades, and is checked at the end of
-- the transfer. PostgreSQL changes the rows as it keeps its references, so no role of the service needs a right to
-- change what is recorded. Run again by a migration that adds a table.
CREATE FUNCTION move_with_vessels() RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    reference record;
BEGIN
    FOR reference IN
        WITH RECURSIVE moving (relation) AS (
            SELECT 'vessels'::regclass::oid
            UNION SELECT k.conrelid FROM pg_constraint k JOIN moving m ON m.relation = k.confrelid WHERE k.contype = 'f')
        SELECT k.conname, k.conrelid::regclass AS relation, pg_get_constraintdef(k.oid) AS definition,
               k.confrelid IN (SELECT m.relation FROM moving m) AS follows
        FROM pg_constraint k
        WHERE k.contype = 'f' AND k.conrelid IN (SELECT m.relation FROM moving m) AND NOT k.condeferrable
          AND cardinality(k.conkey) > 1
    LOOP
        IF reference.follows THEN
            EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I, ADD CONSTRAINT %2$I %s ON UPDATE CASCADE DEFERRABLE',
                reference.relation, reference.conname, reference.definition);
        ELSE
            EXECUTE format('ALTER TABLE %s ALTER CONSTRAINT %I DEFERRABLE', reference.relation, reference.conname);
        END IF;
    END LOOP;
    FOR reference IN
        SELECT c.oid::regclass AS relation FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'ref'
        WHERE c.relkind = 'r' AND (c.relname = 'vessels' OR EXISTS (
            SELECT FROM pg_attribute v WHERE v.attrelid = c.oid AND v.attname = 'vessel_id' AND NOT v.attisdropped))
          AND NOT EXISTS (SELECT FROM pg_trigger t WHERE t.tgrelid = c.oid AND t.tgname = 'ref_left_behind')
    LOOP
        EXECUTE format('CREATE TRIGGER ref_left_behind BEFORE UPDATE ON %s FOR EACH ROW
            WHEN (OLD.org_id <> NEW.org_id AND NEW.ref IS NOT NULL) EXECUTE FUNCTION leave_taken_ref()', reference.relation);
    END LOOP;
END $$;
REVOKE EXECUTE ON FUNCTION move_with_vessels() FROM PUBLIC;
SELECT move_with_vessels();

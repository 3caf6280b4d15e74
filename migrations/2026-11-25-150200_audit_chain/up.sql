-- Who did what, from where and by which program; and a chain of digests over it, so that a row that was changed or
-- taken out is seen.
ALTER TABLE audit ADD COLUMN program_id uuid, ADD COLUMN address text;

CREATE TABLE audit_chain (
    org_id          uuid NOT NULL REFERENCES organisations,
    sequence        bigint NOT NULL CHECK (sequence > 0),
    audit_id        uuid NOT NULL,
    -- Of the row before; of the first, 32 zero bytes.
    previous_sha256 bytea NOT NULL,
    -- SHA-256 over previous_sha256 and the text that audit_text makes of the row.
    row_sha256      bytea NOT NULL,
    PRIMARY KEY (org_id, sequence),
    CONSTRAINT audit_chain_row FOREIGN KEY (org_id, audit_id) REFERENCES audit (org_id, id)
);
SELECT protect_tenant_table('audit_chain', 'SELECT, INSERT');
CREATE UNIQUE INDEX audit_chain_audit ON audit_chain (org_id, audit_id);
-- Signing in writes audit rows of organisations it is not in; it sees digests here and no contents.
CREATE POLICY sign_in ON audit_chain TO garboard_sign_in USING (true) WITH CHECK (true);
GRANT SELECT, INSERT ON audit_chain TO garboard_sign_in;

-- Each field as its length in characters, a colon and its text; a field that is not there as a hyphen; commas
-- between. `garboard audit verify` makes the same text by itself.
CREATE FUNCTION audit_text(a audit) RETURNS text LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT string_agg(coalesce(length(field) || ':' || field, '-'), ',' ORDER BY place)
    FROM unnest(ARRAY[
        a.org_id::text, a.id::text, (extract(epoch FROM a.recorded_at) * 1000000)::bigint::text, a.person_id::text,
        a.program_id::text, a.address, a.request_id, a.action, a.entity, a.entity_id::text, a.before::text, a.after::text
    ]) WITH ORDINALITY AS fields (field, place)
$$;

-- By the key always: within one long transaction the planner still takes the chain for empty and would read all of it.
CREATE FUNCTION chain_audit() RETURNS trigger LANGUAGE plpgsql SET enable_seqscan = off AS $$
DECLARE
    last audit_chain;
    previous bytea;
BEGIN
    -- One writer of an organisation at a time, from here to the end of the commit. Deferred to the commit, so that
    -- nobody waits for a row while holding this.
    PERFORM pg_advisory_xact_lock(hashtextextended('audit ' || NEW.org_id::text, 0));
    SELECT * INTO last FROM audit_chain WHERE org_id = NEW.org_id ORDER BY sequence DESC LIMIT 1;
    previous := coalesce(last.row_sha256, decode(repeat('00', 32), 'hex'));
    INSERT INTO audit_chain (org_id, sequence, audit_id, previous_sha256, row_sha256)
    VALUES (NEW.org_id, coalesce(last.sequence, 0) + 1, NEW.id, previous,
            sha256(previous || convert_to(audit_text(NEW), 'UTF8')));
    RETURN NULL;
END $$;

-- What was recorded before there was a chain, in its order. The owner sees it only while it is not bound.
ALTER TABLE audit NO FORCE ROW LEVEL SECURITY;
ALTER TABLE audit_chain NO FORCE ROW LEVEL SECURITY;
DO $$
DECLARE
    row audit;
    last audit_chain;
    previous bytea;
BEGIN
    FOR row IN SELECT * FROM audit ORDER BY org_id, id LOOP
        SELECT * INTO last FROM audit_chain WHERE org_id = row.org_id ORDER BY sequence DESC LIMIT 1;
        previous := coalesce(last.row_sha256, decode(repeat('00', 32), 'hex'));
        INSERT INTO audit_chain VALUES (row.org_id, coalesce(last.sequence, 0) + 1, row.id, previous,
            sha256(previous || convert_to(audit_text(row), 'UTF8')));
    END LOOP;
END $$;
ALTER TABLE audit FORCE ROW LEVEL SECURITY;
ALTER TABLE audit_chain FORCE ROW LEVEL SECURITY;

CREATE CONSTRAINT TRIGGER audit_chained AFTER INSERT ON audit DEFERRABLE INITIALLY DEFERRED
    FOR EACH ROW EXECUTE FUNCTION chain_audit();

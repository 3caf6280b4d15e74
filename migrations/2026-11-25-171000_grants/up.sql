-- One organisation lets another read, or record on, one vessel for a time.

-- The instant of the transaction, as the door set it from the service's clock: rows and policies go by one time.
CREATE FUNCTION current_instant() RETURNS timestamptz LANGUAGE sql STABLE PARALLEL SAFE AS
$$ SELECT coalesce(NULLIF(current_setting('app.now', true), '')::timestamptz, now()) $$;

-- The other organisations this transaction works with: the one in whose rows it works, those whose audit it writes.
CREATE FUNCTION current_partners() RETURNS uuid[] LANGUAGE sql STABLE PARALLEL SAFE AS
$$ SELECT string_to_array(NULLIF(current_setting('app.partners', true), ''), ',')::uuid[] $$;

CREATE TABLE grants (
    org_id         uuid NOT NULL REFERENCES organisations,
    id             uuid NOT NULL,
    vessel_id      uuid NOT NULL,
    grantee_org_id uuid NOT NULL,
    scope          text NOT NULL CHECK (scope IN ('read', 'record_surveys', 'record_treatments')),
    from_at        timestamptz NOT NULL,
    until_at       timestamptz,
    revoked_at     timestamptz,
    note           text CHECK (length(note) <= 4000),
    version        integer NOT NULL DEFAULT 1,
    created_at     timestamptz NOT NULL,
    updated_at     timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT grants_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT grants_until_after_from CHECK (until_at > from_at),
    -- One of a kind at a time: who revokes it means all of it.
    CONSTRAINT grants_no_overlap EXCLUDE USING gist (org_id WITH =, vessel_id WITH =, grantee_org_id WITH =,
        scope WITH =, tstzrange(from_at, until_at) WITH &&) WHERE (revoked_at IS NULL)
);
-- The other organisation may not be this one, and is one of the service: its existence is its own to tell by its id.
ALTER TABLE grants ADD CONSTRAINT grants_grantee FOREIGN KEY (grantee_org_id) REFERENCES organisations;
CREATE INDEX grants_updated ON grants (org_id, updated_at, id);
CREATE INDEX grants_by_vessel ON grants (org_id, vessel_id);
-- What an organisation holds of others: every look-up of a guest begins here.
CREATE INDEX grants_held ON grants (grantee_org_id, org_id, vessel_id);
SELECT protect_tenant_table('grants', 'SELECT, INSERT, UPDATE');
CREATE POLICY held ON grants FOR SELECT TO garboard_app USING (grantee_org_id = (SELECT current_org()));
CREATE POLICY to_others ON grants AS RESTRICTIVE FOR INSERT TO garboard_app
    WITH CHECK (grantee_org_id <> (SELECT current_org()));

-- The names of those one has to do with.
CREATE POLICY partners ON organisations FOR SELECT TO garboard_app USING (org_id IN (
    SELECT g.org_id FROM grants g WHERE g.grantee_org_id = (SELECT current_org())
    UNION ALL SELECT g.grantee_org_id FROM grants g WHERE g.org_id = (SELECT current_org())));

-- Who did it, where it was another organisation than the one whose audit this is. Part of the digest where it is there,
-- so that rows without it keep theirs.
ALTER TABLE audit ADD COLUMN by_org_id uuid;
CREATE OR REPLACE FUNCTION audit_text(a audit) RETURNS text LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT string_agg(coalesce(length(field) || ':' || field, '-'), ',' ORDER BY place)
    FROM unnest(ARRAY[
        a.org_id::text, a.id::text, (extract(epoch FROM a.recorded_at) * 1000000)::bigint::text, a.person_id::text,
        a.program_id::text, a.address, a.request_id, a.action, a.entity, a.entity_id::text, a.before::text, a.after::text
    ] || CASE WHEN a.by_org_id IS NULL THEN '{}'::text[] ELSE ARRAY[a.by_org_id::text] END)
    WITH ORDINALITY AS fields (field, place)
$$;

-- Audit rows go to both. Of the other's chain its digests are seen, in the transaction that adds to it.
CREATE POLICY partners_write ON audit FOR INSERT TO garboard_app WITH CHECK (
    by_org_id = (SELECT current_org()) AND org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (
        SELECT g.org_id FROM grants g WHERE g.grantee_org_id = (SELECT current_org())
        UNION ALL SELECT g.grantee_org_id FROM grants g WHERE g.org_id = (SELECT current_org())));
CREATE POLICY partners_add ON audit_chain TO garboard_app
    USING (org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (
        SELECT g.org_id FROM grants g WHERE g.grantee_org_id = (SELECT current_org())
        UNION ALL SELECT g.grantee_org_id FROM grants g WHERE g.org_id = (SELECT current_org())))
    WITH CHECK (org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (
        SELECT g.org_id FROM grants g WHERE g.grantee_org_id = (SELECT current_org())
        UNION ALL SELECT g.grantee_org_id FROM grants g WHERE g.org_id = (SELECT current_org())));
-- Its own act is marked as nobody else's.
CREATE POLICY own_acts ON audit AS RESTRICTIVE FOR INSERT TO garboard_app
    WITH CHECK (by_org_id IS NULL AND org_id = (SELECT current_org()) OR by_org_id = (SELECT current_org()));

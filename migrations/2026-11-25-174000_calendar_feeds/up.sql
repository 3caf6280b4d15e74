-- Calendars that people subscribe to: an address with a secret in it, of which only the digest is kept.
CREATE TABLE calendar_feeds (
    org_id        uuid NOT NULL REFERENCES organisations,
    id            uuid NOT NULL,
    person_id     uuid NOT NULL,
    name          text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    site_id       uuid,
    kind          text CHECK (kind IN ('inspection', 'barrier', 'antifouling', 'repair', 'treatment')),
    ended         boolean NOT NULL DEFAULT false,
    secret_sha256 bytea NOT NULL,
    version       integer NOT NULL DEFAULT 1,
    created_at    timestamptz NOT NULL,
    updated_at    timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT calendar_feeds_person FOREIGN KEY (org_id, person_id) REFERENCES members,
    CONSTRAINT calendar_feeds_site FOREIGN KEY (org_id, site_id) REFERENCES sites
);
CREATE INDEX calendar_feeds_updated ON calendar_feeds (org_id, person_id, updated_at, id);
CREATE INDEX calendar_feeds_site ON calendar_feeds (org_id, site_id);
SELECT protect_tenant_table('calendar_feeds', 'SELECT, INSERT, UPDATE');

-- Due rows that had a date and have none any more, so that a calendar can say so: of the organisation that saw the row,
-- written in the transaction of the one whose vessel it was, as the due rows themselves are.
CREATE TABLE due_ended (
    viewer_org_id uuid NOT NULL REFERENCES organisations,
    id            uuid NOT NULL,
    org_id        uuid NOT NULL REFERENCES organisations,
    site_id       uuid,
    kind          text NOT NULL CHECK (kind IN ('inspection', 'barrier', 'antifouling', 'repair', 'treatment')),
    due_on        date NOT NULL,
    ended_at      timestamptz NOT NULL,
    PRIMARY KEY (viewer_org_id, id)
);
CREATE INDEX due_ended_at ON due_ended (viewer_org_id, ended_at);
CREATE INDEX due_ended_owner ON due_ended (org_id, ended_at);
ALTER TABLE due_ended ENABLE ROW LEVEL SECURITY;
ALTER TABLE due_ended FORCE ROW LEVEL SECURITY;
CREATE POLICY viewer ON due_ended FOR SELECT TO garboard_app USING (viewer_org_id = (SELECT current_org()));
-- Also of guests whose grant has ended: with it, their due rows end.
CREATE POLICY owner ON due_ended TO garboard_app USING (org_id = (SELECT current_org()))
    WITH CHECK (org_id = (SELECT current_org()) AND (viewer_org_id = (SELECT current_org()) OR viewer_org_id IN (
        SELECT g.grantee_org_id FROM grants g WHERE g.org_id = (SELECT current_org()))));
GRANT SELECT, INSERT, UPDATE, DELETE ON due_ended TO garboard_app;

CREATE FUNCTION keep_ended_due() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP <> 'DELETE' AND NEW.due_on IS NOT NULL THEN
        DELETE FROM due_ended WHERE viewer_org_id = NEW.viewer_org_id AND id = NEW.id;
    ELSIF OLD.due_on IS NOT NULL THEN
        INSERT INTO due_ended (viewer_org_id, id, org_id, site_id, kind, due_on, ended_at)
        VALUES (OLD.viewer_org_id, OLD.id, OLD.org_id, OLD.site_id, OLD.kind, OLD.due_on, current_instant())
        ON CONFLICT (viewer_org_id, id) DO UPDATE SET due_on = excluded.due_on, ended_at = excluded.ended_at;
        DELETE FROM due_ended WHERE org_id = OLD.org_id AND ended_at < current_instant() - interval '60 days';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER due_ended AFTER UPDATE OF due_on ON due FOR EACH ROW
    WHEN (OLD.due_on IS DISTINCT FROM NEW.due_on AND (OLD.due_on IS NULL OR NEW.due_on IS NULL))
    EXECUTE FUNCTION keep_ended_due();
CREATE TRIGGER due_removed AFTER DELETE ON due FOR EACH ROW WHEN (OLD.due_on IS NOT NULL) EXECUTE FUNCTION keep_ended_due();

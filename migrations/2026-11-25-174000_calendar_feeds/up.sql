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

-- Due rows of an organisation's own vessels that had a date and have none any more, so that a calendar can say so. A
-- guest's rows are not kept: what a grant showed ends with it.
CREATE TABLE due_ended (
    org_id   uuid NOT NULL REFERENCES organisations,
    id       uuid NOT NULL,
    site_id  uuid,
    kind     text NOT NULL CHECK (kind IN ('inspection', 'barrier', 'antifouling', 'repair', 'treatment')),
    due_on   date NOT NULL,
    ended_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, id)
);
CREATE INDEX due_ended_at ON due_ended (org_id, ended_at);
SELECT protect_tenant_table('due_ended', 'SELECT, INSERT, UPDATE, DELETE');

CREATE FUNCTION keep_ended_due() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP <> 'DELETE' AND NEW.due_on IS NOT NULL THEN
        DELETE FROM due_ended WHERE org_id = NEW.org_id AND id = NEW.id;
    ELSE
        INSERT INTO due_ended (org_id, id, site_id, kind, due_on, ended_at)
        VALUES (OLD.org_id, OLD.id, OLD.site_id, OLD.kind, OLD.due_on, current_instant())
        ON CONFLICT (org_id, id) DO UPDATE SET due_on = excluded.due_on, ended_at = excluded.ended_at;
        DELETE FROM due_ended WHERE org_id = OLD.org_id AND ended_at < current_instant() - interval '60 days';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER due_ended AFTER UPDATE OF due_on ON due FOR EACH ROW
    WHEN (OLD.viewer_org_id = OLD.org_id AND (OLD.due_on IS NULL) <> (NEW.due_on IS NULL))
    EXECUTE FUNCTION keep_ended_due();
CREATE TRIGGER due_removed AFTER DELETE ON due FOR EACH ROW
    WHEN (OLD.viewer_org_id = OLD.org_id AND OLD.due_on IS NOT NULL) EXECUTE FUNCTION keep_ended_due();

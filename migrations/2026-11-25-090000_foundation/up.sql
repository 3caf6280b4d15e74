-- Organisations, people, and what every capability leans on: audit, creations, jobs.
-- The roles garboard_app, garboard_worker and garboard_sign_in exist before the first migration.

CREATE FUNCTION current_org() RETURNS uuid LANGUAGE sql STABLE PARALLEL SAFE AS
$$ SELECT NULLIF(current_setting('app.org_id', true), '')::uuid $$;

-- Row-level security and the application's rights on a table whose rows belong to one organisation.
CREATE FUNCTION protect_tenant_table(target regclass, rights text) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format('ALTER TABLE %s ENABLE ROW LEVEL SECURITY', target);
    EXECUTE format('ALTER TABLE %s FORCE ROW LEVEL SECURITY', target);
    EXECUTE format('CREATE POLICY own_organisation ON %s TO garboard_app
        USING (org_id = (SELECT current_org())) WITH CHECK (org_id = (SELECT current_org()))', target);
    EXECUTE format('GRANT %s ON %s TO garboard_app', rights, target);
END $$;
REVOKE EXECUTE ON FUNCTION protect_tenant_table(regclass, text) FROM PUBLIC;

CREATE TABLE organisations (
    org_id     uuid PRIMARY KEY,
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    time_zone  text NOT NULL,
    version    integer NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL
);
SELECT protect_tenant_table('organisations', 'SELECT, UPDATE');

-- The personal fields of everyone live here and nowhere else, so that they can be erased here.
CREATE TABLE people (
    person_id    uuid PRIMARY KEY,
    email        text NOT NULL UNIQUE CHECK (email = lower(email) AND length(email) BETWEEN 3 AND 254),
    display_name text NOT NULL CHECK (length(display_name) BETWEEN 1 AND 200),
    created_at   timestamptz NOT NULL
);
ALTER TABLE people ENABLE ROW LEVEL SECURITY;
ALTER TABLE people FORCE ROW LEVEL SECURITY;

CREATE TABLE members (
    org_id     uuid NOT NULL REFERENCES organisations,
    person_id  uuid NOT NULL REFERENCES people,
    role       text NOT NULL CHECK (role IN ('administrator', 'lead', 'surveyor', 'crew', 'reader')),
    ended_at   timestamptz,
    version    integer NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, person_id)
);
CREATE INDEX members_updated ON members (org_id, updated_at, person_id);
CREATE INDEX members_person ON members (person_id);
SELECT protect_tenant_table('members', 'SELECT, UPDATE');

-- The application may put a name to a member of the current organisation; it never sees a password.
CREATE POLICY fellow_members ON people FOR SELECT TO garboard_app
    USING (person_id IN (SELECT m.person_id FROM members m WHERE m.org_id = (SELECT current_org())));
GRANT SELECT ON people TO garboard_app;

CREATE TABLE passwords (
    person_id     uuid PRIMARY KEY REFERENCES people,
    password_hash text NOT NULL,
    changed_at    timestamptz NOT NULL
);
ALTER TABLE passwords ENABLE ROW LEVEL SECURITY;
ALTER TABLE passwords FORCE ROW LEVEL SECURITY;

CREATE TABLE refresh_families (
    family_id  uuid PRIMARY KEY,
    person_id  uuid NOT NULL REFERENCES people,
    org_id     uuid NOT NULL REFERENCES organisations,
    created_at timestamptz NOT NULL,
    expires_at timestamptz NOT NULL,
    revoked_at timestamptz
);
CREATE INDEX refresh_families_person ON refresh_families (person_id);
ALTER TABLE refresh_families ENABLE ROW LEVEL SECURITY;
ALTER TABLE refresh_families FORCE ROW LEVEL SECURITY;

CREATE TABLE refresh_tokens (
    token_sha256 bytea PRIMARY KEY,
    family_id    uuid NOT NULL REFERENCES refresh_families,
    issued_at    timestamptz NOT NULL,
    used_at      timestamptz
);
CREATE INDEX refresh_tokens_family ON refresh_tokens (family_id);
ALTER TABLE refresh_tokens ENABLE ROW LEVEL SECURITY;
ALTER TABLE refresh_tokens FORCE ROW LEVEL SECURITY;

-- What was done, by whom, with the record before and after. Appended to, never changed.
CREATE TABLE audit (
    org_id      uuid NOT NULL REFERENCES organisations,
    id          uuid NOT NULL,
    recorded_at timestamptz NOT NULL,
    person_id   uuid,
    request_id  text NOT NULL,
    action      text NOT NULL,
    entity      text NOT NULL,
    entity_id   uuid NOT NULL,
    before      jsonb,
    after       jsonb,
    PRIMARY KEY (org_id, id)
);
CREATE INDEX audit_entity ON audit (org_id, entity_id, id);
SELECT protect_tenant_table('audit', 'SELECT, INSERT');

-- One row a creation that carried an Idempotency-Key or an id of the client's, reserved in the creating
-- transaction: the twin waits on the row and gets the first one's answer.
CREATE TABLE creations (
    org_id      uuid NOT NULL REFERENCES organisations,
    key         text NOT NULL,
    operation   text NOT NULL,
    body_sha256 bytea NOT NULL,
    entity_id   uuid,
    response    text,
    created_at  timestamptz NOT NULL,
    PRIMARY KEY (org_id, key)
);
SELECT protect_tenant_table('creations', 'SELECT, INSERT, UPDATE');

-- Work to do after a commit. A worker leases a job; it never holds a transaction while the job runs.
CREATE TABLE jobs (
    org_id       uuid NOT NULL REFERENCES organisations,
    id           uuid NOT NULL,
    kind         text NOT NULL CHECK (kind IN ('forecast')),
    subject_id   uuid NOT NULL,
    state        text NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'running', 'dead')),
    run_after    timestamptz NOT NULL,
    attempts     integer NOT NULL DEFAULT 0,
    locked_by    text,
    locked_until timestamptz,
    last_error   text,
    requested_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, id)
);
CREATE UNIQUE INDEX jobs_one_queued ON jobs (org_id, kind, subject_id) WHERE state = 'queued';
CREATE INDEX jobs_subject ON jobs (org_id, subject_id);
-- The worker claims over all organisations: this index leads with time on purpose.
CREATE INDEX jobs_claim ON jobs (run_after) WHERE state <> 'dead';
SELECT protect_tenant_table('jobs', 'SELECT, INSERT, UPDATE');
CREATE POLICY every_organisation ON jobs TO garboard_worker USING (true) WITH CHECK (true);
GRANT SELECT, UPDATE, DELETE ON jobs TO garboard_worker;

CREATE FUNCTION announce_job() RETURNS trigger LANGUAGE plpgsql AS
$$ BEGIN PERFORM pg_notify('garboard_jobs', ''); RETURN NULL; END $$;
CREATE TRIGGER jobs_announce AFTER INSERT OR UPDATE OF requested_at ON jobs
    FOR EACH STATEMENT EXECUTE FUNCTION announce_job();

-- Signing in happens before an organisation is known, by a role that can do nothing else.
CREATE POLICY sign_in ON people TO garboard_sign_in USING (true) WITH CHECK (true);
CREATE POLICY sign_in ON passwords TO garboard_sign_in USING (true) WITH CHECK (true);
CREATE POLICY sign_in ON refresh_families TO garboard_sign_in USING (true) WITH CHECK (true);
CREATE POLICY sign_in ON refresh_tokens TO garboard_sign_in USING (true) WITH CHECK (true);
CREATE POLICY sign_in ON members TO garboard_sign_in USING (true) WITH CHECK (true);
CREATE POLICY sign_in ON organisations TO garboard_sign_in USING (true) WITH CHECK (true);
CREATE POLICY sign_in ON audit FOR INSERT TO garboard_sign_in WITH CHECK (true);
GRANT SELECT, INSERT ON people, members, organisations TO garboard_sign_in;
GRANT SELECT, INSERT, UPDATE ON passwords, refresh_families, refresh_tokens TO garboard_sign_in;
GRANT INSERT ON audit TO garboard_sign_in;

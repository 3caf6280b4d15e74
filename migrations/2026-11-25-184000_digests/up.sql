-- The weekly letter of what falls due, to the members who ask for it.
CREATE TABLE digests (
    org_id       uuid NOT NULL REFERENCES organisations,
    person_id    uuid NOT NULL,
    wanted       boolean NOT NULL,
    weekday      text NOT NULL
        CHECK (weekday IN ('monday', 'tuesday', 'wednesday', 'thursday', 'friday', 'saturday', 'sunday')),
    local_time_h smallint NOT NULL CHECK (local_time_h BETWEEN 0 AND 23),
    site_id      uuid,
    version      integer NOT NULL,
    created_at   timestamptz NOT NULL,
    updated_at   timestamptz NOT NULL,
    PRIMARY KEY (org_id, person_id),
    CONSTRAINT digests_person FOREIGN KEY (org_id, person_id) REFERENCES members,
    CONSTRAINT digests_site FOREIGN KEY (org_id, site_id) REFERENCES sites
);
CREATE INDEX digests_site ON digests (org_id, site_id);
SELECT protect_tenant_table('digests', 'SELECT, INSERT, UPDATE');

-- The letters: of a job one at most, so that it is sent once whoever works at it; and each with an address of its own
-- that ends them, of which the digest of the secret is kept until one of them was used.
CREATE TABLE digest_letters (
    org_id        uuid NOT NULL REFERENCES organisations,
    id            uuid NOT NULL,
    person_id     uuid NOT NULL,
    job_id        uuid NOT NULL,
    secret_sha256 bytea,
    sent_at       timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT digest_letters_job UNIQUE (org_id, job_id),
    CONSTRAINT digest_letters_digest FOREIGN KEY (org_id, person_id) REFERENCES digests
);
CREATE INDEX digest_letters_person ON digest_letters (org_id, person_id, sent_at);
SELECT protect_tenant_table('digest_letters', 'SELECT, INSERT, UPDATE, DELETE');

-- What recurs by the time of a site moves with it, and not with the organisation.
ALTER TABLE schedules ADD COLUMN site_id uuid,
    ADD CONSTRAINT schedules_site FOREIGN KEY (org_id, site_id) REFERENCES sites;
CREATE INDEX schedules_site ON schedules (org_id, site_id);

-- Programs of other makers that call the API for an organisation (clients, in RFC 6749).
CREATE TABLE programs (
    org_id     uuid NOT NULL REFERENCES organisations,
    id         uuid NOT NULL,
    name       text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    -- Words of RFC 6749, 3.3, in one text.
    scopes     text NOT NULL CHECK (length(scopes) BETWEEN 1 AND 400),
    expires_at timestamptz,
    ended      boolean NOT NULL DEFAULT false,
    version    integer NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, id)
);
CREATE INDEX programs_updated ON programs (org_id, updated_at, id);
SELECT protect_tenant_table('programs', 'SELECT, INSERT, UPDATE');

-- Digests of their secrets. Two hold at a time while one follows the other.
CREATE TABLE program_secrets (
    org_id        uuid NOT NULL,
    id            uuid NOT NULL,
    program_id    uuid NOT NULL,
    secret_sha256 bytea NOT NULL,
    created_at    timestamptz NOT NULL,
    expires_at    timestamptz,
    PRIMARY KEY (org_id, id),
    CONSTRAINT program_secrets_program FOREIGN KEY (org_id, program_id) REFERENCES programs (org_id, id)
);
CREATE INDEX program_secrets_program ON program_secrets (org_id, program_id);
SELECT protect_tenant_table('program_secrets', 'SELECT, INSERT, UPDATE');

-- A program asks for its token before an organisation is known.
CREATE POLICY sign_in ON programs FOR SELECT TO garboard_sign_in USING (true);
CREATE POLICY sign_in ON program_secrets FOR SELECT TO garboard_sign_in USING (true);
GRANT SELECT ON programs, program_secrets TO garboard_sign_in;

-- A person takes part by consent: an invitation is accepted with a token that their mailbox, or whoever runs the
-- service, was given. The token names organisation and invitation, so both are found by the key.
CREATE TABLE invitations (
    org_id        uuid NOT NULL REFERENCES organisations,
    id            uuid NOT NULL,
    -- Personal: gone as soon as the invitation is settled.
    email         text CHECK (email = lower(email) AND length(email) BETWEEN 3 AND 254),
    role          text NOT NULL CHECK (role IN ('administrator', 'lead', 'surveyor', 'crew', 'reader')),
    secret_sha256 bytea NOT NULL,
    invited_by    uuid REFERENCES people,
    created_at    timestamptz NOT NULL,
    expires_at    timestamptz NOT NULL,
    accepted_at   timestamptz,
    withdrawn_at  timestamptz,
    PRIMARY KEY (org_id, id),
    CONSTRAINT invitations_address_while_open
        CHECK ((email IS NOT NULL) = (accepted_at IS NULL AND withdrawn_at IS NULL))
);
SELECT protect_tenant_table('invitations', 'SELECT, INSERT, UPDATE');
CREATE POLICY sign_in ON invitations TO garboard_sign_in USING (true) WITH CHECK (true);
GRANT SELECT, UPDATE ON invitations TO garboard_sign_in;

-- What else proves who a person is. The second factor's secret is sealed with a key outside the database; the
-- last used code's time keeps a code from being used twice (RFC 6238, 5.2).
ALTER TABLE passwords
    ADD COLUMN reset_sha256            bytea,
    ADD COLUMN reset_expires_at        timestamptz,
    ADD COLUMN second_factor_sealed    bytea,
    ADD COLUMN second_factor_confirmed boolean NOT NULL DEFAULT false,
    ADD COLUMN second_factor_used_at   timestamptz,
    ADD CONSTRAINT passwords_reset_expires CHECK ((reset_sha256 IS NULL) = (reset_expires_at IS NULL)),
    ADD CONSTRAINT passwords_second_factor CHECK (second_factor_sealed IS NOT NULL OR NOT second_factor_confirmed);

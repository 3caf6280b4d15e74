-- What was learned from an organisation's own records: a version a fit, kept as it came out.
CREATE TABLE calibrations (
    org_id        uuid NOT NULL REFERENCES organisations,
    id            uuid NOT NULL,
    fitted_at     timestamptz NOT NULL,
    model         text NOT NULL,
    hulls         integer NOT NULL CHECK (hulls >= 0),
    lives         integer NOT NULL CHECK (lives >= 0),
    events        integer NOT NULL CHECK (events >= 0),
    -- Other organisations whose sums moved the prior.
    peers         integer NOT NULL CHECK (peers >= 0),
    -- Of what the lives say, the prior and the ensemble: the same inputs make no second version.
    inputs_sha256 bytea NOT NULL CHECK (length(inputs_sha256) = 32),
    fit           jsonb NOT NULL,
    skins         jsonb NOT NULL,
    PRIMARY KEY (org_id, id)
);
CREATE INDEX calibrations_fitted ON calibrations (org_id, fitted_at, id);
SELECT protect_tenant_table('calibrations', 'SELECT, INSERT');

-- What the dates follow from an instant on: a calibration, or the priors where it is null. Who chose; nobody where the
-- service did, as the settings of learning say.
CREATE TABLE calibration_choices (
    org_id         uuid NOT NULL REFERENCES organisations,
    sequence       integer NOT NULL CHECK (sequence >= 1),
    calibration_id uuid,
    chosen_at      timestamptz NOT NULL,
    chosen_by      uuid REFERENCES people,
    note           text CHECK (length(note) BETWEEN 1 AND 1000),
    PRIMARY KEY (org_id, sequence),
    FOREIGN KEY (org_id, calibration_id) REFERENCES calibrations
);
CREATE INDEX calibration_choices_calibration ON calibration_choices (org_id, calibration_id);
SELECT protect_tenant_table('calibration_choices', 'SELECT, INSERT');

-- How the dates would move from what they follow (null: the priors) to a calibration.
CREATE TABLE calibration_previews (
    org_id           uuid NOT NULL REFERENCES organisations,
    calibration_id   uuid NOT NULL,
    compared_with_id uuid,
    computed_at      timestamptz NOT NULL,
    preview          jsonb NOT NULL,
    PRIMARY KEY (org_id, calibration_id),
    FOREIGN KEY (org_id, calibration_id) REFERENCES calibrations,
    FOREIGN KEY (org_id, compared_with_id) REFERENCES calibrations
);
SELECT protect_tenant_table('calibration_previews', 'SELECT, INSERT, UPDATE');

CREATE TABLE learning_settings (
    org_id     uuid PRIMARY KEY REFERENCES organisations,
    acceptance text NOT NULL CHECK (acceptance IN ('automatic', 'by_person')),
    pooled     boolean NOT NULL,
    version    integer NOT NULL CHECK (version >= 1),
    updated_at timestamptz NOT NULL
);
SELECT protect_tenant_table('learning_settings', 'SELECT, INSERT, UPDATE');

-- What an organisation that takes part gives to the others: sums of its fit. Under `sum_id` the fit of another knows
-- its own from the rest; it cannot read whose the rest are.
CREATE TABLE pooled_sums (
    org_id   uuid PRIMARY KEY REFERENCES organisations,
    sum_id   uuid NOT NULL,
    sums     jsonb NOT NULL,
    given_at timestamptz NOT NULL
);
SELECT protect_tenant_table('pooled_sums', 'SELECT, INSERT, UPDATE, DELETE');
CREATE POLICY every_organisation ON pooled_sums FOR SELECT TO garboard_worker USING (true);
GRANT SELECT (sum_id, sums) ON pooled_sums TO garboard_worker;

-- The dates of a granted vessel follow what its organisation chose: read by a guest while the transaction works there.
DO $$
DECLARE
    host text := format('org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (SELECT org_id FROM %s AS of_vessels)',
        granted_vessels('read'));
BEGIN
    EXECUTE format('CREATE POLICY guests ON calibrations FOR SELECT TO garboard_app USING (%s)', host);
    EXECUTE format('CREATE POLICY guests ON calibration_choices FOR SELECT TO garboard_app USING (%s)', host);
END $$;

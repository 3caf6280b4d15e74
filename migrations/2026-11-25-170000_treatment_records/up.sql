-- The record of a treatment as it stood at its closing: its own text, so that the digest holds for every byte.
CREATE TABLE treatment_records (
    org_id        uuid NOT NULL REFERENCES organisations,
    treatment_id  uuid NOT NULL,
    vessel_id     uuid NOT NULL,
    record        text NOT NULL CHECK (json_typeof(record::json) = 'object'),
    digest_sha256 text NOT NULL CHECK (digest_sha256 = encode(sha256(convert_to(record, 'UTF8')), 'hex')),
    recorded_at   timestamptz NOT NULL,
    recorded_by   uuid REFERENCES people,
    PRIMARY KEY (org_id, treatment_id),
    CONSTRAINT treatment_records_plan FOREIGN KEY (org_id, treatment_id) REFERENCES treatment_plans,
    CONSTRAINT treatment_records_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels
);
SELECT protect_tenant_table('treatment_records', 'SELECT, INSERT');
-- The sealer is abraded before the barrier.
ALTER TABLE treatment_entries DROP CONSTRAINT treatment_entries_step_check;
ALTER TABLE treatment_entries ADD CONSTRAINT treatment_entries_step_check CHECK (step IN ('wash_down', 'degrease', 'strip', 'salt_check', 'dry', 'abrade', 'seal', 'abrade_sealed', 'fair', 'adhesion_check', 'barrier', 'antifouling'));

-- Treatments under way: the plan in its versions, and what was done and decided, never changed. A plan has the id of the
-- treatment that is recorded when it is closed.
CREATE TABLE treatment_plans (
    org_id      uuid NOT NULL REFERENCES organisations,
    id          uuid NOT NULL,
    vessel_id   uuid NOT NULL,
    haul_out_id uuid NOT NULL,
    created_at  timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT treatment_plans_haul_out FOREIGN KEY (org_id, vessel_id, haul_out_id) REFERENCES haul_outs (org_id, vessel_id, id)
);
CREATE INDEX treatment_plans_by_haul_out ON treatment_plans (org_id, haul_out_id, id);
SELECT protect_tenant_table('treatment_plans', 'SELECT, INSERT');
CREATE TABLE treatment_plan_versions (
    org_id       uuid NOT NULL,
    treatment_id uuid NOT NULL,
    version      integer NOT NULL CHECK (version >= 1),
    starts_on    date CHECK (starts_on BETWEEN '1940-01-01' AND '2200-12-31'),
    -- Read and written with the plan, never searched.
    plan         jsonb NOT NULL,
    recorded_at  timestamptz NOT NULL,
    recorded_by  uuid REFERENCES people,
    PRIMARY KEY (org_id, treatment_id, version),
    FOREIGN KEY (org_id, treatment_id) REFERENCES treatment_plans
);
CREATE INDEX treatment_plan_versions_starts ON treatment_plan_versions (org_id, starts_on, treatment_id);
SELECT protect_tenant_table('treatment_plan_versions', 'SELECT, INSERT');
CREATE TABLE treatment_entries (
    org_id       uuid NOT NULL REFERENCES organisations,
    id           uuid NOT NULL,
    treatment_id uuid NOT NULL,
    vessel_id    uuid NOT NULL,
    kind         text NOT NULL CHECK (kind IN ('wash', 'blush_wash', 'abrasion', 'step_done', 'withdrawal', 'acceptance', 'override', 'closing')),
    zone         text CHECK (zone IN ('bottom', 'waterline', 'keel', 'rudder', 'appendage')),
    step         text CHECK (step IN ('wash_down', 'degrease', 'abrade', 'strip', 'salt_check', 'dry', 'seal', 'fair', 'adhesion_check', 'barrier', 'antifouling')),
    hold         text CHECK (length(hold) BETWEEN 1 AND 100),
    of_entry_id  uuid,
    plan_version integer CHECK (plan_version >= 1),
    happened_at  timestamptz NOT NULL,
    person_name  text CHECK (length(person_name) BETWEEN 1 AND 200),
    qualification text CHECK (length(qualification) BETWEEN 1 AND 200),
    note         text CHECK (length(note) <= 4000),
    recorded_at  timestamptz NOT NULL,
    recorded_by  uuid REFERENCES people,
    PRIMARY KEY (org_id, id),
    UNIQUE (org_id, treatment_id, id),
    CONSTRAINT treatment_entries_plan FOREIGN KEY (org_id, treatment_id) REFERENCES treatment_plans,
    CONSTRAINT treatment_entries_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT treatment_entries_withdrawn FOREIGN KEY (org_id, treatment_id, of_entry_id) REFERENCES treatment_entries (org_id, treatment_id, id),
    CONSTRAINT treatment_entries_withdrawn_once UNIQUE (org_id, of_entry_id)
);
CREATE INDEX treatment_entries_by_treatment ON treatment_entries (org_id, treatment_id, happened_at, id);
SELECT protect_tenant_table('treatment_entries', 'SELECT, INSERT');

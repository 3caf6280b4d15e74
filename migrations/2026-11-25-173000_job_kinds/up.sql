-- More than forecasts are worked at, and some of it recurs.
ALTER TABLE jobs DROP CONSTRAINT jobs_kind_check;
ALTER TABLE jobs ADD CONSTRAINT jobs_kind_check
    CHECK (kind IN ('forecast', 'drying', 'delivery', 'digest', 'learning', 'audit_head'));

-- What is asked for again and again, by a local time of day, on one day of the week or on each. `next_at` is when it
-- is asked for next; who moves it on asks for the job in the same transaction.
CREATE TABLE schedules (
    org_id     uuid NOT NULL REFERENCES organisations,
    kind       text NOT NULL CHECK (kind IN ('digest', 'learning', 'audit_head')),
    subject_id uuid NOT NULL,
    -- None is every day.
    weekday    text CHECK (weekday IN ('mon', 'tue', 'wed', 'thu', 'fri', 'sat', 'sun')),
    local_time time NOT NULL,
    time_zone  text NOT NULL CHECK (length(time_zone) BETWEEN 1 AND 64),
    next_at    timestamptz NOT NULL,
    PRIMARY KEY (org_id, kind, subject_id)
);
SELECT protect_tenant_table('schedules', 'SELECT, INSERT, UPDATE, DELETE');
-- The worker looks over all organisations: this index leads with time on purpose.
CREATE INDEX schedules_next ON schedules (next_at);
CREATE POLICY every_organisation ON schedules TO garboard_worker USING (true) WITH CHECK (true);
GRANT SELECT, UPDATE ON schedules TO garboard_worker;
GRANT INSERT ON jobs TO garboard_worker;

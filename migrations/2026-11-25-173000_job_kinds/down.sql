REVOKE INSERT ON jobs FROM garboard_worker;
DROP TABLE schedules;
ALTER TABLE jobs DROP CONSTRAINT jobs_kind_check;
DELETE FROM jobs WHERE kind <> 'forecast';
ALTER TABLE jobs ADD CONSTRAINT jobs_kind_check CHECK (kind IN ('forecast'));

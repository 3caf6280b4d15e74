ALTER TABLE schedules DROP COLUMN site_id;
DROP TABLE digest_letters;
DROP TABLE digests;

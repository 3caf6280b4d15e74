DROP VIEW current_attachments;
DROP TABLE attachment_erasures, attachment_versions, attachments;
ALTER TABLE coats DROP CONSTRAINT coats_of_vessel;
ALTER TABLE findings DROP CONSTRAINT findings_of_vessel;

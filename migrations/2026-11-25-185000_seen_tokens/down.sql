ALTER TABLE refresh_tokens DROP COLUMN seen_at, DROP COLUMN follows_sha256;

-- Whether a browser is known to have got a refresh token, and the one it had before: an answer may be lost on its way.
ALTER TABLE refresh_tokens ADD COLUMN seen_at timestamptz, ADD COLUMN follows_sha256 bytea;

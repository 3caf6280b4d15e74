REVOKE DELETE ON passwords, refresh_families, refresh_tokens FROM garboard_sign_in;
REVOKE UPDATE (ended_at, version, updated_at) ON members FROM garboard_sign_in;
REVOKE UPDATE (email, display_name, erased_at) ON people FROM garboard_sign_in;
ALTER TABLE people DROP COLUMN erased_at;

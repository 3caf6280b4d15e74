ALTER TABLE passwords
    DROP COLUMN reset_sha256,
    DROP COLUMN reset_expires_at,
    DROP COLUMN second_factor_sealed,
    DROP COLUMN second_factor_confirmed,
    DROP COLUMN second_factor_used_at;
DROP TABLE invitations;

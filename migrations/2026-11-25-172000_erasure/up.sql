-- A person's fields are taken out where they stand, by the sign-in role: the id stays, so that what was recorded and
-- the audit keep saying that it was one and the same person.
ALTER TABLE people ADD COLUMN erased_at timestamptz;
GRANT UPDATE (email, display_name, erased_at) ON people TO garboard_sign_in;
GRANT UPDATE (ended_at, version, updated_at) ON members TO garboard_sign_in;
GRANT DELETE ON passwords, refresh_families, refresh_tokens TO garboard_sign_in;

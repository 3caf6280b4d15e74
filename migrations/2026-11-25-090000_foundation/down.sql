DROP TABLE jobs, creations, audit, refresh_tokens, refresh_families, passwords, members, people, organisations;
DROP FUNCTION announce_job();
DROP FUNCTION protect_tenant_table(regclass, text);
DROP FUNCTION current_org();

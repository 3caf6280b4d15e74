DROP TRIGGER audit_chained ON audit;
DROP FUNCTION chain_audit();
DROP FUNCTION audit_text(audit);
DROP TABLE audit_chain;
ALTER TABLE audit DROP COLUMN program_id, DROP COLUMN address;

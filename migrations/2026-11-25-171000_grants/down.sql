DROP POLICY own_acts ON audit;
DROP POLICY partners_add ON audit_chain;
DROP POLICY partners_write ON audit;
CREATE OR REPLACE FUNCTION audit_text(a audit) RETURNS text LANGUAGE sql STABLE PARALLEL SAFE AS $$
    SELECT string_agg(coalesce(length(field) || ':' || field, '-'), ',' ORDER BY place)
    FROM unnest(ARRAY[
        a.org_id::text, a.id::text, (extract(epoch FROM a.recorded_at) * 1000000)::bigint::text, a.person_id::text,
        a.program_id::text, a.address, a.request_id, a.action, a.entity, a.entity_id::text, a.before::text, a.after::text
    ]) WITH ORDINALITY AS fields (field, place)
$$;
ALTER TABLE audit DROP COLUMN by_org_id;
DROP POLICY partners ON organisations;
DROP TABLE grants;
DROP FUNCTION current_partners();
DROP FUNCTION current_instant();

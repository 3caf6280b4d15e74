DO $$
DECLARE
    reference record;
BEGIN
    FOR reference IN
        SELECT k.conname, k.conrelid::regclass AS relation, k.confupdtype = 'c' AS follows,
               replace(replace(pg_get_constraintdef(k.oid), ' DEFERRABLE', ''), ' ON UPDATE CASCADE', '') AS definition
        FROM pg_constraint k WHERE k.contype = 'f' AND k.condeferrable
    LOOP
        IF reference.follows THEN
            EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I, ADD CONSTRAINT %2$I %s',
                reference.relation, reference.conname, reference.definition);
        ELSE
            EXECUTE format('ALTER TABLE %s ALTER CONSTRAINT %I NOT DEFERRABLE', reference.relation, reference.conname);
        END IF;
    END LOOP;
    FOR reference IN SELECT t.tgrelid::regclass AS relation FROM pg_trigger t WHERE t.tgname = 'ref_left_behind' LOOP
        EXECUTE format('DROP TRIGGER ref_left_behind ON %s', reference.relation);
    END LOOP;
END $$;
DROP FUNCTION move_with_vessels();
DROP FUNCTION leave_taken_ref();
DROP TRIGGER vessel_transferred ON vessels;
DROP FUNCTION check_vessel_transferred();
DROP POLICY taken ON products;
DROP POLICY taken ON vessels;
DROP POLICY offered ON vessels;
DROP POLICY partners_by_transfer ON audit_chain;
DROP POLICY partners_by_transfer ON audit;
DROP POLICY partners_by_transfer ON organisations;
DROP TABLE transfers;
DROP FUNCTION check_transfer_stays();

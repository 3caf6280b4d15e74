-- Rows under a vessel, for who holds a grant on it. Such a row stays in the organisation of the vessel (`org_id`) and
-- says who recorded it (`author_org_id`); the author reads it for ever, whoever holds a live grant while it lasts.

-- The vessels (org_id, vessel_id) that the current organisation holds a live grant on, as text for policies; of one
-- scope, or of any.
CREATE FUNCTION granted_vessels(scope text) RETURNS text LANGUAGE sql IMMUTABLE AS $$
    SELECT '(SELECT g.org_id, g.vessel_id FROM grants g WHERE g.grantee_org_id = (SELECT current_org())
        AND g.revoked_at IS NULL AND g.from_at <= (SELECT current_instant())
        AND (g.until_at IS NULL OR g.until_at > (SELECT current_instant()))'
        || CASE scope WHEN 'read' THEN '' WHEN 'record' THEN ' AND g.scope <> ''read''' ELSE format(' AND g.scope = %L', scope) END
        || ')'
$$;

-- Lets guests read a table of rows under a vessel.
CREATE FUNCTION let_guests_read(target regclass) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format('CREATE POLICY guests ON %s FOR SELECT TO garboard_app USING ((org_id, vessel_id) IN %s)',
        target, granted_vessels('read'));
END $$;
REVOKE EXECUTE ON FUNCTION let_guests_read(regclass) FROM PUBLIC;

-- Lets guests read it, and record on it with the scope. Needs org_id and vessel_id; adds author_org_id.
CREATE FUNCTION let_guests_record(target regclass, scope text) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format('ALTER TABLE %s ADD COLUMN author_org_id uuid', target);
    -- The owner sees the rows only while it is not bound; no trigger has a say in this.
    EXECUTE format('ALTER TABLE %s NO FORCE ROW LEVEL SECURITY', target);
    EXECUTE format('ALTER TABLE %s DISABLE TRIGGER USER', target);
    EXECUTE format('UPDATE %s SET author_org_id = org_id', target);
    EXECUTE format('ALTER TABLE %s ENABLE TRIGGER USER', target);
    EXECUTE format('ALTER TABLE %s FORCE ROW LEVEL SECURITY', target);
    EXECUTE format('ALTER TABLE %s ALTER author_org_id SET NOT NULL, ALTER author_org_id SET DEFAULT current_org()', target);
    EXECUTE format('CREATE POLICY authors ON %s AS RESTRICTIVE FOR INSERT TO garboard_app
        WITH CHECK (author_org_id = (SELECT current_org()))', target);
    EXECUTE format('CREATE POLICY guests ON %s FOR SELECT TO garboard_app
        USING (author_org_id = (SELECT current_org()) OR (org_id, vessel_id) IN %s)', target, granted_vessels('read'));
    EXECUTE format('CREATE POLICY guests_record ON %s FOR INSERT TO garboard_app
        WITH CHECK (author_org_id = (SELECT current_org()) AND (org_id, vessel_id) IN %s)', target, granted_vessels(scope));
    -- What is changed in place, its author changes; another's is seen and refused.
    EXECUTE format('CREATE POLICY guests_change ON %1$s FOR UPDATE TO garboard_app USING ((org_id, vessel_id) IN %2$s)
        WITH CHECK (author_org_id = (SELECT current_org()) AND (org_id, vessel_id) IN %2$s)', target, granted_vessels(scope));
END $$;
REVOKE EXECUTE ON FUNCTION let_guests_record(regclass, text) FROM PUBLIC;

-- Gives a table of versions the vessel of the record they are of.
CREATE FUNCTION know_vessel(target regclass, identity regclass, id_column name) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format('ALTER TABLE %s ADD COLUMN vessel_id uuid', target);
    EXECUTE format('ALTER TABLE %s NO FORCE ROW LEVEL SECURITY', target);
    EXECUTE format('ALTER TABLE %s NO FORCE ROW LEVEL SECURITY', identity);
    EXECUTE format('ALTER TABLE %s DISABLE TRIGGER USER', target);
    EXECUTE format('UPDATE %s v SET vessel_id = i.vessel_id FROM %s i WHERE i.org_id = v.org_id AND i.id = v.%I',
        target, identity, id_column);
    EXECUTE format('ALTER TABLE %s ENABLE TRIGGER USER', target);
    EXECUTE format('ALTER TABLE %s FORCE ROW LEVEL SECURITY', identity);
    EXECUTE format('ALTER TABLE %s FORCE ROW LEVEL SECURITY', target);
    EXECUTE format('ALTER TABLE %s ALTER vessel_id SET NOT NULL', target);
END $$;
REVOKE EXECUTE ON FUNCTION know_vessel(regclass, regclass, name) FROM PUBLIC;

-- Only the author corrects. Versions of a record: `advances` are the columns that say what became of it since, which
-- whoever may record there may add a version about.
CREATE FUNCTION let_the_author_correct(target regclass, identity regclass, id_column name, advances text[])
RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format($code$
        CREATE FUNCTION %1$s_author() RETURNS trigger LANGUAGE plpgsql AS $body$
        DECLARE
            author uuid;
            earlier jsonb;
            aside text[] := %4$L::text[] || ARRAY['version', 'recorded_at', 'recorded_by', 'author_org_id', 'correction_reason'];
        BEGIN
            SELECT i.vessel_id, i.author_org_id INTO NEW.vessel_id, author FROM %2$s i
                WHERE i.org_id = NEW.org_id AND i.id = NEW.%3$I;
            IF author <> NEW.author_org_id THEN
                SELECT to_jsonb(v) - aside INTO earlier FROM %1$s v
                    WHERE v.org_id = NEW.org_id AND v.%3$I = NEW.%3$I AND v.version = NEW.version - 1;
                IF earlier IS DISTINCT FROM to_jsonb(NEW) - aside THEN
                    RAISE EXCEPTION 'a record of another organisation'
                        USING ERRCODE = 'check_violation', CONSTRAINT = 'author_corrects';
                END IF;
            END IF;
            RETURN NEW;
        END $body$ $code$, target, identity, id_column, advances);
    EXECUTE format('CREATE TRIGGER author_corrects BEFORE INSERT ON %1$s FOR EACH ROW EXECUTE FUNCTION %1$s_author()', target);
END $$;
REVOKE EXECUTE ON FUNCTION let_the_author_correct(regclass, regclass, name, text[]) FROM PUBLIC;

-- The same where a row takes the place of another in its own table: `superseded` says which, `s`, of NEW.
CREATE FUNCTION let_the_author_supersede(target regclass, superseded text) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    EXECUTE format($code$
        CREATE FUNCTION %1$s_author() RETURNS trigger LANGUAGE plpgsql AS $body$
        BEGIN
            IF EXISTS (SELECT FROM %1$s s WHERE s.org_id = NEW.org_id AND %2$s AND s.author_org_id <> NEW.author_org_id) THEN
                RAISE EXCEPTION 'a record of another organisation'
                    USING ERRCODE = 'check_violation', CONSTRAINT = 'author_corrects';
            END IF;
            RETURN NEW;
        END $body$ $code$, target, superseded);
    EXECUTE format('CREATE TRIGGER author_corrects BEFORE INSERT ON %1$s FOR EACH ROW EXECUTE FUNCTION %1$s_author()', target);
END $$;
REVOKE EXECUTE ON FUNCTION let_the_author_supersede(regclass, text) FROM PUBLIC;

SELECT know_vessel('survey_versions', 'surveys', 'survey_id');
SELECT know_vessel('finding_versions', 'findings', 'finding_id');
SELECT know_vessel('coat_versions', 'coats', 'coat_id');
SELECT know_vessel('treatment_versions', 'treatments', 'treatment_id');
SELECT know_vessel('treatment_plan_versions', 'treatment_plans', 'treatment_id');

SELECT let_guests_record(target::regclass, 'record_surveys') FROM unnest(ARRAY[
    'stations', 'surveys', 'survey_versions', 'readings', 'findings', 'finding_versions']) AS target;
SELECT let_guests_record(target::regclass, 'record_treatments') FROM unnest(ARRAY[
    'haul_outs', 'coats', 'coat_versions', 'coat_films', 'climate_values', 'treatments', 'treatment_versions',
    'treatment_plans', 'treatment_plan_versions', 'treatment_entries', 'treatment_records']) AS target;
SELECT let_guests_read(target::regclass) FROM unnest(ARRAY['vessel_zones', 'forecasts']) AS target;

-- What a guest may change in place keeps its author and its organisation. Rows follow a vessel that is transferred as
-- PostgreSQL keeps its references, which row-level security does not bind.
CREATE FUNCTION keep_organisations() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF row_security_active(TG_RELID) THEN
        RAISE EXCEPTION 'the organisation of a record stays' USING ERRCODE = 'check_violation', CONSTRAINT = 'author_corrects';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER organisations_stay BEFORE UPDATE ON haul_outs FOR EACH ROW
    WHEN (OLD.author_org_id <> NEW.author_org_id OR OLD.org_id <> NEW.org_id) EXECUTE FUNCTION keep_organisations();
CREATE TRIGGER organisations_stay BEFORE UPDATE ON stations FOR EACH ROW
    WHEN (OLD.author_org_id <> NEW.author_org_id OR OLD.org_id <> NEW.org_id) EXECUTE FUNCTION keep_organisations();
CREATE TRIGGER organisations_stay BEFORE UPDATE ON jobs FOR EACH ROW
    WHEN (OLD.org_id <> NEW.org_id) EXECUTE FUNCTION keep_organisations();

SELECT let_the_author_correct('survey_versions', 'surveys', 'survey_id', '{}');
SELECT let_the_author_correct('finding_versions', 'findings', 'finding_id', '{state,follow_up_on,repaired_on}');
SELECT let_the_author_correct('coat_versions', 'coats', 'coat_id', '{removed_on}');
SELECT let_the_author_correct('treatment_versions', 'treatments', 'treatment_id', '{}');
SELECT let_the_author_correct('treatment_plan_versions', 'treatment_plans', 'treatment_id', '{}');
SELECT let_the_author_supersede('readings', 's.id = NEW.id');
SELECT let_the_author_supersede('climate_values',
    's.haul_out_id = NEW.haul_out_id AND s.measured_at = NEW.measured_at AND s.source = NEW.source');
SELECT let_the_author_supersede('coat_films', 's.id = NEW.supersedes_id');
SELECT let_the_author_supersede('treatment_entries', 's.id = NEW.of_entry_id');

DO $$
DECLARE
    live text := granted_vessels('read');
BEGIN
    EXECUTE format('CREATE POLICY guests ON vessels FOR SELECT TO garboard_app USING ((org_id, id) IN %s)', live);
    -- Who records on a vessel locks it against others who do. What it may be changed to is its organisation's alone, and
    -- its organisation changes by a transfer only, which a trigger sees to.
    EXECUTE format('CREATE POLICY guests_lock ON vessels FOR UPDATE TO garboard_app USING ((org_id, id) IN %s)
        WITH CHECK (org_id = (SELECT current_org()))', granted_vessels('record'));
    -- Where the vessel lies, with the climate its forecast rests on.
    EXECUTE format('CREATE POLICY guests ON sites FOR SELECT TO garboard_app USING ((org_id, id) IN
        (SELECT v.org_id, v.site_id FROM vessels v WHERE (v.org_id, v.id) IN %s AND current_org() IS NOT NULL))', live);
    EXECUTE format('CREATE POLICY guests ON site_months FOR SELECT TO garboard_app USING ((org_id, site_id) IN
        (SELECT v.org_id, v.site_id FROM vessels v WHERE (v.org_id, v.id) IN %s AND current_org() IS NOT NULL))', live);
    -- The limits of the vessel; those of its organisation while the transaction works there.
    EXECUTE format('CREATE POLICY guests ON policies FOR SELECT TO garboard_app USING ((org_id, vessel_id) IN %1$s
        OR vessel_id IS NULL AND org_id = ANY ((SELECT current_partners())::uuid[])
           AND org_id IN (SELECT org_id FROM %1$s AS of_vessels))', live);
    -- A guest asks for the forecast of what it recorded on, and sees whether it waits.
    EXECUTE format('CREATE POLICY guests ON jobs TO garboard_app USING ((org_id, subject_id) IN %1$s)
        WITH CHECK ((org_id, subject_id) IN %1$s)', live);
    -- A due row is seen by its viewer, of another's vessel while the grant lasts; it is written by the vessel's
    -- organisation, for itself and for whoever holds a grant that has not ended.
    DROP POLICY viewer ON due;
    EXECUTE format('CREATE POLICY viewer ON due FOR SELECT TO garboard_app USING (viewer_org_id = (SELECT current_org())
        AND (org_id = (SELECT current_org()) OR (org_id, vessel_id) IN %s))', live);
    CREATE POLICY owner_sees ON due FOR SELECT TO garboard_app USING (org_id = (SELECT current_org()));
    DROP POLICY owner_writes ON due;
    DROP POLICY owner_changes ON due;
    CREATE POLICY owner_writes ON due FOR INSERT TO garboard_app WITH CHECK (org_id = (SELECT current_org())
        AND (viewer_org_id = (SELECT current_org()) OR (viewer_org_id, vessel_id) IN (
            SELECT g.grantee_org_id, g.vessel_id FROM grants g WHERE g.org_id = (SELECT current_org())
            AND g.revoked_at IS NULL AND (g.until_at IS NULL OR g.until_at > (SELECT current_instant())))));
    CREATE POLICY owner_changes ON due FOR UPDATE TO garboard_app USING (org_id = (SELECT current_org()))
        WITH CHECK (org_id = (SELECT current_org())
        AND (viewer_org_id = (SELECT current_org()) OR (viewer_org_id, vessel_id) IN (
            SELECT g.grantee_org_id, g.vessel_id FROM grants g WHERE g.org_id = (SELECT current_org())
            AND g.revoked_at IS NULL AND (g.until_at IS NULL OR g.until_at > (SELECT current_instant())))));
END $$;
-- The products of another organisation while the transaction works there: what a guest recorded names them, and stays to
-- be read when the grant has ended.
CREATE POLICY guests ON products FOR SELECT TO garboard_app USING (org_id = ANY ((SELECT current_partners())::uuid[])
    AND org_id IN (SELECT g.org_id FROM grants g WHERE g.grantee_org_id = (SELECT current_org())));
CREATE INDEX due_by_vessel ON due (org_id, vessel_id);

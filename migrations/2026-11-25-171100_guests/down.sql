DROP INDEX due_by_vessel;
DROP POLICY viewer ON due;
DROP POLICY owner_sees ON due;
DROP POLICY owner_writes ON due;
DROP POLICY owner_changes ON due;
CREATE POLICY viewer ON due FOR SELECT TO garboard_app USING (viewer_org_id = (SELECT current_org()));
CREATE POLICY owner_writes ON due FOR INSERT TO garboard_app
    WITH CHECK (org_id = (SELECT current_org()) AND viewer_org_id = (SELECT current_org()));
CREATE POLICY owner_changes ON due FOR UPDATE TO garboard_app
    USING (org_id = (SELECT current_org()))
    WITH CHECK (org_id = (SELECT current_org()) AND viewer_org_id = (SELECT current_org()));
DROP POLICY guests ON jobs;
DROP POLICY guests ON products;
DROP POLICY guests ON policies;
DROP POLICY guests ON site_months;
DROP POLICY guests ON sites;
DROP POLICY guests_lock ON vessels;
DROP POLICY guests ON vessels;
DROP POLICY guests ON vessel_zones;
DROP POLICY guests ON forecasts;
DROP TRIGGER organisations_stay ON jobs;
DROP TRIGGER organisations_stay ON haul_outs;
DROP TRIGGER organisations_stay ON stations;
DROP FUNCTION keep_organisations();
DO $$
DECLARE
    target text;
BEGIN
    FOREACH target IN ARRAY ARRAY['survey_versions', 'finding_versions', 'coat_versions', 'treatment_versions',
        'treatment_plan_versions', 'readings', 'climate_values', 'coat_films', 'treatment_entries'] LOOP
        EXECUTE format('DROP TRIGGER author_corrects ON %I', target);
        EXECUTE format('DROP FUNCTION %I()', target || '_author');
    END LOOP;
    FOREACH target IN ARRAY ARRAY['stations', 'surveys', 'survey_versions', 'readings', 'findings', 'finding_versions',
        'haul_outs', 'coats', 'coat_versions', 'coat_films', 'climate_values', 'treatments', 'treatment_versions',
        'treatment_plans', 'treatment_plan_versions', 'treatment_entries', 'treatment_records'] LOOP
        EXECUTE format('DROP POLICY authors ON %I', target);
        EXECUTE format('DROP POLICY guests ON %I', target);
        EXECUTE format('DROP POLICY guests_record ON %I', target);
        EXECUTE format('DROP POLICY guests_change ON %I', target);
        EXECUTE format('ALTER TABLE %I DROP COLUMN author_org_id', target);
    END LOOP;
    FOREACH target IN ARRAY ARRAY['survey_versions', 'finding_versions', 'coat_versions', 'treatment_versions',
        'treatment_plan_versions'] LOOP
        EXECUTE format('ALTER TABLE %I DROP COLUMN vessel_id', target);
    END LOOP;
END $$;
DROP FUNCTION let_the_author_supersede(regclass, text);
DROP FUNCTION let_the_author_correct(regclass, regclass, name, text[]);
DROP FUNCTION know_vessel(regclass, regclass, name);
DROP FUNCTION let_guests_record(regclass, text);
DROP FUNCTION let_guests_read(regclass);
DROP FUNCTION granted_vessels(text);

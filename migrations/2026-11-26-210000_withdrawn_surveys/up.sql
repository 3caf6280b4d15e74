-- A survey entered in error is withdrawn by its next version, signed or not: nobody signs a withdrawal. What was read,
-- found and photographed in it counts as withdrawn with it, and again when the survey is opened again.
ALTER TABLE survey_versions ADD COLUMN withdrawn boolean NOT NULL DEFAULT false;
ALTER TABLE survey_versions ADD CONSTRAINT survey_withdrawn_for_a_reason
    CHECK (NOT withdrawn OR (correction_reason IS NOT NULL AND signed_at IS NULL));
CREATE INDEX survey_versions_withdrawn ON survey_versions (org_id, survey_id) WHERE withdrawn;

-- A withdrawal ends what was signed before it.
CREATE OR REPLACE VIEW signed_surveys WITH (security_invoker = true) AS
    SELECT s.ref, s.vessel_id, s.haul_out_id, v.org_id, v.survey_id, v.version, v.surveyed_on, v.surveyor,
        v.air_temperature_c, v.relative_humidity_pct, v.hull_surface_temperature_c, v.hours_since_lift,
        v.hours_since_wash, v.meter, v.meter_serial, v.meter_scale, v.check_block_reading, v.depth_mode,
        v.dry_reference_reading, v.bottom_examined, v.blistering, v.blister_density_per_m2,
        v.largest_blister_mm, v.coating_failure, v.sounding, v.hardness_barcol, v.note, v.correction_reason,
        v.signed_at, v.signed_by, v.recorded_at, v.recorded_by
    FROM surveys s JOIN survey_versions v ON v.org_id = s.org_id AND v.survey_id = s.id
    WHERE v.signed_at IS NOT NULL AND NOT EXISTS (SELECT FROM survey_versions n
        WHERE n.org_id = v.org_id AND n.survey_id = v.survey_id AND n.version > v.version
          AND (n.signed_at IS NOT NULL OR n.withdrawn));

CREATE VIEW withdrawn_surveys WITH (security_invoker = true) AS
    SELECT w.org_id, w.survey_id
    FROM survey_versions w
    WHERE w.withdrawn AND NOT EXISTS (SELECT FROM survey_versions n
        WHERE n.org_id = w.org_id AND n.survey_id = w.survey_id AND n.version = w.version + 1);
GRANT SELECT ON withdrawn_surveys TO garboard_app;

CREATE OR REPLACE VIEW current_readings WITH (security_invoker = true) AS
    SELECT r.org_id, r.id, r.version, r.ref, r.vessel_id, r.survey_id, r.station_id, r.scale, r.sequence, r.value,
        r.taken_at, r.note,
        (r.withdrawn OR EXISTS (SELECT FROM survey_versions w
            WHERE w.org_id = r.org_id AND w.survey_id = r.survey_id AND w.withdrawn
              AND NOT EXISTS (SELECT FROM survey_versions n
                WHERE n.org_id = w.org_id AND n.survey_id = w.survey_id AND n.version = w.version + 1))) AS withdrawn,
        r.correction_reason, r.recorded_at, r.recorded_by
    FROM readings r WHERE NOT EXISTS (SELECT FROM readings n
        WHERE n.org_id = r.org_id AND n.id = r.id AND n.version = r.version + 1);
CREATE OR REPLACE VIEW current_findings WITH (security_invoker = true) AS
    SELECT f.ref, f.vessel_id, f.survey_id, v.org_id, v.finding_id, v.version, v.kind, v.state, v.found_on,
        v.happened_on, v.follow_up_on, v.repaired_on, v.zone, v.hull, v.side, v.x_m, v.girth_m, v.layer,
        v.largest_mm, v.count, v.area_m2, v.fluid_ph, v.note,
        (v.withdrawn OR EXISTS (SELECT FROM survey_versions w
            WHERE w.org_id = v.org_id AND w.survey_id = f.survey_id AND w.withdrawn
              AND NOT EXISTS (SELECT FROM survey_versions n
                WHERE n.org_id = w.org_id AND n.survey_id = w.survey_id AND n.version = w.version + 1))) AS withdrawn,
        v.correction_reason, v.recorded_at, v.recorded_by
    FROM findings f JOIN finding_versions v ON v.org_id = f.org_id AND v.finding_id = f.id
    WHERE NOT EXISTS (SELECT FROM finding_versions n
        WHERE n.org_id = v.org_id AND n.finding_id = v.finding_id AND n.version = v.version + 1);
CREATE OR REPLACE VIEW current_attachments WITH (security_invoker = true) AS
    SELECT a.object_id, a.media_type, a.content_bytes, a.content_sha256, a.sent_sha256, a.width_px, a.height_px,
        a.created_at, a.created_by, e.erased_at, v.org_id, v.attachment_id, v.version, v.vessel_id, v.kind,
        v.survey_id, v.finding_id, v.station_id, v.coat_id, v.treatment_id, v.caption, v.taken_on, v.taken_by,
        (v.withdrawn OR EXISTS (SELECT FROM survey_versions w
            WHERE w.org_id = v.org_id AND w.survey_id = v.survey_id AND w.withdrawn
              AND NOT EXISTS (SELECT FROM survey_versions n
                WHERE n.org_id = w.org_id AND n.survey_id = w.survey_id AND n.version = w.version + 1))) AS withdrawn,
        v.correction_reason, v.recorded_at, v.recorded_by, a.author_org_id
    FROM attachments a
    JOIN attachment_versions v ON v.org_id = a.org_id AND v.attachment_id = a.id
    LEFT JOIN attachment_erasures e ON e.org_id = a.org_id AND e.attachment_id = a.id
    WHERE NOT EXISTS (SELECT FROM attachment_versions n
        WHERE n.org_id = v.org_id AND n.attachment_id = v.attachment_id AND n.version = v.version + 1);

-- One that is withdrawn binds neither its haul-out nor the vessel's launch.
CREATE OR REPLACE FUNCTION check_haul_out_holds_surveys() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM current_surveys v WHERE v.org_id = NEW.org_id AND v.haul_out_id = NEW.id
          AND NOT EXISTS (SELECT FROM withdrawn_surveys w WHERE w.org_id = v.org_id AND w.survey_id = v.survey_id)
          AND (v.surveyed_on < NEW.lifted_on OR v.surveyed_on > NEW.relaunched_on)) THEN
        RAISE EXCEPTION 'a survey of this haul-out would lie outside it'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'haul_out_holds_surveys';
    END IF;
    RETURN NEW;
END $$;
CREATE OR REPLACE FUNCTION check_launch_before_surveys() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.launched_on IS DISTINCT FROM OLD.launched_on AND (
        EXISTS (SELECT FROM current_surveys s
            WHERE s.org_id = NEW.org_id AND s.vessel_id = NEW.id AND s.surveyed_on < NEW.launched_on
              AND NOT EXISTS (SELECT FROM withdrawn_surveys w WHERE w.org_id = s.org_id AND w.survey_id = s.survey_id))
        OR EXISTS (SELECT FROM signed_surveys s
            WHERE s.org_id = NEW.org_id AND s.vessel_id = NEW.id AND s.surveyed_on < NEW.launched_on)) THEN
        RAISE EXCEPTION 'launch after a survey'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'launch_before_surveys';
    END IF;
    RETURN NEW;
END $$;

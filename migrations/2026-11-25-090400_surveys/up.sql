-- What was looked at and found. A survey and a finding are an identity and its versions: a version is
-- inserted, never changed, and the highest one counts.

CREATE TABLE stations (
    org_id     uuid NOT NULL REFERENCES organisations,
    id         uuid NOT NULL,
    vessel_id  uuid NOT NULL,
    code       text NOT NULL CHECK (length(code) BETWEEN 1 AND 40),
    hull       text NOT NULL CHECK (hull IN ('centre', 'port', 'starboard')),
    side       text NOT NULL CHECK (side IN ('port', 'starboard')),
    zone       text NOT NULL CHECK (zone IN ('bottom', 'waterline', 'keel', 'rudder', 'appendage')),
    x_m        double precision CHECK (x_m BETWEEN -5 AND 105),
    girth_m    double precision CHECK (girth_m BETWEEN 0 AND 40),
    version    integer NOT NULL DEFAULT 1,
    created_at timestamptz NOT NULL,
    updated_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    UNIQUE (org_id, vessel_id, id),
    CONSTRAINT stations_code_unique UNIQUE (org_id, vessel_id, code),
    CONSTRAINT stations_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels
);
CREATE INDEX stations_updated ON stations (org_id, updated_at, id);
SELECT protect_tenant_table('stations', 'SELECT, INSERT, UPDATE');

CREATE TABLE surveys (
    org_id      uuid NOT NULL REFERENCES organisations,
    id          uuid NOT NULL,
    ref         text CHECK (length(ref) BETWEEN 1 AND 100),
    vessel_id   uuid NOT NULL,
    haul_out_id uuid,
    created_at  timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    UNIQUE (org_id, vessel_id, id),
    CONSTRAINT surveys_ref_unique UNIQUE (org_id, ref),
    CONSTRAINT surveys_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT surveys_haul_out FOREIGN KEY (org_id, vessel_id, haul_out_id) REFERENCES haul_outs (org_id, vessel_id, id)
);
CREATE INDEX surveys_by_vessel ON surveys (org_id, vessel_id, id);
CREATE INDEX surveys_by_haul_out ON surveys (org_id, haul_out_id);
SELECT protect_tenant_table('surveys', 'SELECT, INSERT');

CREATE TABLE survey_versions (
    org_id                     uuid NOT NULL,
    survey_id                  uuid NOT NULL,
    version                    integer NOT NULL CHECK (version >= 1),
    surveyed_on                date NOT NULL CHECK (surveyed_on BETWEEN '1940-01-01' AND '2200-12-31'),
    surveyor                   text CHECK (length(surveyor) BETWEEN 1 AND 200),
    air_temperature_c          double precision CHECK (air_temperature_c BETWEEN -45 AND 60),
    relative_humidity_pct      double precision CHECK (relative_humidity_pct BETWEEN 0 AND 100),
    hull_surface_temperature_c double precision CHECK (hull_surface_temperature_c BETWEEN -45 AND 90),
    hours_since_lift           double precision CHECK (hours_since_lift BETWEEN 0 AND 100000),
    hours_since_wash           double precision CHECK (hours_since_wash BETWEEN 0 AND 100000),
    meter                      text CHECK (length(meter) BETWEEN 1 AND 200),
    meter_serial               text CHECK (length(meter_serial) BETWEEN 1 AND 100),
    meter_scale                text CHECK (length(meter_scale) BETWEEN 1 AND 100),
    check_block_reading        double precision CHECK (check_block_reading BETWEEN -10000 AND 10000),
    depth_mode                 text CHECK (depth_mode IN ('shallow', 'deep')),
    dry_reference_reading      double precision CHECK (dry_reference_reading BETWEEN -10000 AND 10000),
    bottom_examined            text CHECK (bottom_examined IN ('none', 'part', 'whole')),
    blistering                 text CHECK (blistering IN ('none', 'coating_only', 'gelcoat', 'laminate')),
    blister_density_per_m2     double precision CHECK (blister_density_per_m2 BETWEEN 0 AND 1000000),
    largest_blister_mm         double precision CHECK (largest_blister_mm BETWEEN 0 AND 2000),
    coating_failure            boolean NOT NULL,
    sounding                   text CHECK (sounding IN ('not_done', 'sound', 'dull_in_places', 'dull_widely')),
    hardness_barcol            double precision CHECK (hardness_barcol BETWEEN 0 AND 100),
    note                       text CHECK (length(note) <= 4000),
    correction_reason          text CHECK (length(correction_reason) BETWEEN 1 AND 1000),
    signed_at                  timestamptz,
    signed_by                  uuid REFERENCES people,
    recorded_at                timestamptz NOT NULL,
    recorded_by                uuid REFERENCES people,
    PRIMARY KEY (org_id, survey_id, version),
    FOREIGN KEY (org_id, survey_id) REFERENCES surveys,
    CONSTRAINT survey_signature_complete CHECK ((signed_at IS NULL) = (signed_by IS NULL)),
    CONSTRAINT survey_signed_answers CHECK (signed_at IS NULL OR (bottom_examined IS NOT NULL AND blistering IS NOT NULL))
);
CREATE INDEX survey_versions_recorded ON survey_versions (org_id, recorded_at, survey_id);
SELECT protect_tenant_table('survey_versions', 'SELECT, INSERT');

CREATE VIEW current_surveys WITH (security_invoker = true) AS
    SELECT s.ref, s.vessel_id, s.haul_out_id, v.*
    FROM surveys s JOIN survey_versions v ON v.org_id = s.org_id AND v.survey_id = s.id
    WHERE NOT EXISTS (SELECT FROM survey_versions n
        WHERE n.org_id = v.org_id AND n.survey_id = v.survey_id AND n.version = v.version + 1);
-- What counts as evidence: the latest signed version, while a correction is being drafted over it too.
CREATE VIEW signed_surveys WITH (security_invoker = true) AS
    SELECT s.ref, s.vessel_id, s.haul_out_id, v.*
    FROM surveys s JOIN survey_versions v ON v.org_id = s.org_id AND v.survey_id = s.id
    WHERE v.signed_at IS NOT NULL AND NOT EXISTS (SELECT FROM survey_versions n
        WHERE n.org_id = v.org_id AND n.survey_id = v.survey_id AND n.version > v.version AND n.signed_at IS NOT NULL);
GRANT SELECT ON current_surveys, signed_surveys TO garboard_app;

-- A survey lies within its haul-out, whichever of the two is written last.
CREATE FUNCTION check_survey_within_haul_out() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM surveys s JOIN haul_outs h ON h.org_id = s.org_id AND h.id = s.haul_out_id
        WHERE s.org_id = NEW.org_id AND s.id = NEW.survey_id
          AND (NEW.surveyed_on < h.lifted_on OR NEW.surveyed_on > h.relaunched_on)) THEN
        RAISE EXCEPTION 'survey outside its haul-out'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'survey_within_haul_out';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER survey_within_haul_out BEFORE INSERT ON survey_versions
    FOR EACH ROW EXECUTE FUNCTION check_survey_within_haul_out();
CREATE FUNCTION check_haul_out_holds_surveys() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM current_surveys v WHERE v.org_id = NEW.org_id AND v.haul_out_id = NEW.id
          AND (v.surveyed_on < NEW.lifted_on OR v.surveyed_on > NEW.relaunched_on)) THEN
        RAISE EXCEPTION 'a survey of this haul-out would lie outside it'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'haul_out_holds_surveys';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER haul_out_holds_surveys BEFORE UPDATE ON haul_outs
    FOR EACH ROW EXECUTE FUNCTION check_haul_out_holds_surveys();

-- Readings are appended; a correction is the next version of the same id.
CREATE TABLE readings (
    org_id            uuid NOT NULL REFERENCES organisations,
    id                uuid NOT NULL,
    version           integer NOT NULL CHECK (version >= 1),
    ref               text CHECK (length(ref) BETWEEN 1 AND 100),
    vessel_id         uuid NOT NULL,
    survey_id         uuid NOT NULL,
    station_id        uuid NOT NULL,
    scale             text NOT NULL CHECK (length(scale) BETWEEN 1 AND 100),
    sequence          integer NOT NULL CHECK (sequence BETWEEN 1 AND 10000),
    value             double precision NOT NULL CHECK (value BETWEEN -10000 AND 10000),
    taken_at          timestamptz,
    note              text CHECK (length(note) <= 1000),
    withdrawn         boolean NOT NULL DEFAULT false,
    correction_reason text CHECK (length(correction_reason) BETWEEN 1 AND 1000),
    recorded_at       timestamptz NOT NULL,
    recorded_by       uuid REFERENCES people,
    PRIMARY KEY (org_id, id, version),
    CONSTRAINT readings_ref_unique UNIQUE (org_id, ref, version),
    CONSTRAINT readings_sequence_unique UNIQUE (org_id, survey_id, station_id, scale, sequence, version),
    CONSTRAINT readings_survey FOREIGN KEY (org_id, vessel_id, survey_id) REFERENCES surveys (org_id, vessel_id, id),
    CONSTRAINT readings_station FOREIGN KEY (org_id, vessel_id, station_id) REFERENCES stations (org_id, vessel_id, id)
);
CREATE INDEX readings_recorded ON readings (org_id, recorded_at, id);
CREATE INDEX readings_by_vessel ON readings (org_id, vessel_id, id);
SELECT protect_tenant_table('readings', 'SELECT, INSERT');
CREATE VIEW current_readings WITH (security_invoker = true) AS
    SELECT r.* FROM readings r WHERE NOT EXISTS (SELECT FROM readings n
        WHERE n.org_id = r.org_id AND n.id = r.id AND n.version = r.version + 1);
GRANT SELECT ON current_readings TO garboard_app;

CREATE TABLE findings (
    org_id     uuid NOT NULL REFERENCES organisations,
    id         uuid NOT NULL,
    ref        text CHECK (length(ref) BETWEEN 1 AND 100),
    vessel_id  uuid NOT NULL,
    survey_id  uuid,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT findings_ref_unique UNIQUE (org_id, ref),
    CONSTRAINT findings_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT findings_survey FOREIGN KEY (org_id, vessel_id, survey_id) REFERENCES surveys (org_id, vessel_id, id)
);
CREATE INDEX findings_by_vessel ON findings (org_id, vessel_id, id);
SELECT protect_tenant_table('findings', 'SELECT, INSERT');
CREATE TABLE finding_versions (
    org_id            uuid NOT NULL,
    finding_id        uuid NOT NULL,
    version           integer NOT NULL CHECK (version >= 1),
    kind              text NOT NULL CHECK (kind IN ('blister', 'skin_break', 'impact_damage', 'crack', 'delamination', 'coating_defect')),
    state             text NOT NULL CHECK (state IN ('open', 'watched', 'repaired')),
    found_on          date NOT NULL CHECK (found_on BETWEEN '1940-01-01' AND '2200-12-31'),
    happened_on       date CHECK (happened_on BETWEEN '1940-01-01' AND '2200-12-31'),
    follow_up_on      date CHECK (follow_up_on BETWEEN '1940-01-01' AND '2200-12-31'),
    repaired_on       date CHECK (repaired_on BETWEEN '1940-01-01' AND '2200-12-31'),
    zone              text NOT NULL CHECK (zone IN ('bottom', 'waterline', 'keel', 'rudder', 'appendage')),
    hull              text CHECK (hull IN ('centre', 'port', 'starboard')),
    side              text CHECK (side IN ('port', 'starboard')),
    x_m               double precision CHECK (x_m BETWEEN -5 AND 105),
    girth_m           double precision CHECK (girth_m BETWEEN 0 AND 40),
    layer             text CHECK (layer IN ('coating', 'gelcoat', 'laminate')),
    largest_mm        double precision CHECK (largest_mm BETWEEN 0 AND 10000),
    count             integer CHECK (count BETWEEN 0 AND 1000000),
    area_m2           double precision CHECK (area_m2 BETWEEN 0 AND 2000),
    fluid_ph          double precision CHECK (fluid_ph BETWEEN 0 AND 14),
    note              text CHECK (length(note) <= 4000),
    withdrawn         boolean NOT NULL,
    correction_reason text CHECK (length(correction_reason) BETWEEN 1 AND 1000),
    recorded_at       timestamptz NOT NULL,
    recorded_by       uuid REFERENCES people,
    PRIMARY KEY (org_id, finding_id, version),
    FOREIGN KEY (org_id, finding_id) REFERENCES findings,
    CONSTRAINT findings_happened_before_found CHECK (happened_on <= found_on),
    CONSTRAINT findings_repaired_after_found CHECK (repaired_on >= found_on),
    CONSTRAINT findings_repaired_state CHECK ((state = 'repaired') = (repaired_on IS NOT NULL))
);
CREATE INDEX finding_versions_recorded ON finding_versions (org_id, recorded_at, finding_id);
SELECT protect_tenant_table('finding_versions', 'SELECT, INSERT');
CREATE VIEW current_findings WITH (security_invoker = true) AS
    SELECT f.ref, f.vessel_id, f.survey_id, v.*
    FROM findings f JOIN finding_versions v ON v.org_id = f.org_id AND v.finding_id = f.id
    WHERE NOT EXISTS (SELECT FROM finding_versions n
        WHERE n.org_id = v.org_id AND n.finding_id = v.finding_id AND n.version = v.version + 1);
GRANT SELECT ON current_findings TO garboard_app;

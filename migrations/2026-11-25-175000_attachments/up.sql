-- Photographs and certificates of a vessel. Their bytes are objects outside the database; a row names its object, and is
-- written after it. What is said of them stands in versions, as of surveys.
ALTER TABLE findings ADD CONSTRAINT findings_of_vessel UNIQUE (org_id, vessel_id, id);
ALTER TABLE coats ADD CONSTRAINT coats_of_vessel UNIQUE (org_id, vessel_id, id);

CREATE TABLE attachments (
    org_id         uuid NOT NULL REFERENCES organisations,
    id             uuid NOT NULL,
    vessel_id      uuid NOT NULL,
    -- Names the object, which another attachment never has.
    object_id      uuid NOT NULL,
    media_type     text NOT NULL CHECK (media_type IN ('image/jpeg', 'image/png', 'application/pdf')),
    content_bytes  bigint NOT NULL CHECK (content_bytes BETWEEN 1 AND 1073741824),
    content_sha256 bytea NOT NULL CHECK (length(content_sha256) = 32),
    sent_sha256    bytea NOT NULL CHECK (length(sent_sha256) = 32),
    width_px       integer CHECK (width_px BETWEEN 1 AND 100000),
    height_px      integer CHECK (height_px BETWEEN 1 AND 100000),
    created_at     timestamptz NOT NULL,
    created_by     uuid REFERENCES people,
    PRIMARY KEY (org_id, id),
    UNIQUE (org_id, vessel_id, id),
    CONSTRAINT attachments_object_unique UNIQUE (org_id, object_id),
    CONSTRAINT attachments_measured CHECK ((media_type = 'application/pdf') = (width_px IS NULL) AND (width_px IS NULL) = (height_px IS NULL)),
    CONSTRAINT attachments_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels
);
CREATE INDEX attachments_sent ON attachments (org_id, vessel_id, sent_sha256);
SELECT protect_tenant_table('attachments', 'SELECT, INSERT');

CREATE TABLE attachment_versions (
    org_id            uuid NOT NULL,
    attachment_id     uuid NOT NULL,
    version           integer NOT NULL CHECK (version >= 1),
    vessel_id         uuid NOT NULL,
    kind              text NOT NULL CHECK (kind IN ('photograph', 'certificate')),
    survey_id         uuid,
    finding_id        uuid,
    station_id        uuid,
    coat_id           uuid,
    -- Of a treatment planned or recorded, which stand in two tables: looked up when it is written.
    treatment_id      uuid,
    caption           text CHECK (length(caption) BETWEEN 1 AND 1000),
    taken_on          date CHECK (taken_on BETWEEN '1940-01-01' AND '2200-12-31'),
    taken_by          text CHECK (length(taken_by) BETWEEN 1 AND 200),
    withdrawn         boolean NOT NULL,
    correction_reason text CHECK (length(correction_reason) BETWEEN 1 AND 1000),
    recorded_at       timestamptz NOT NULL,
    recorded_by       uuid REFERENCES people,
    PRIMARY KEY (org_id, attachment_id, version),
    CONSTRAINT attachment_versions_attachment FOREIGN KEY (org_id, vessel_id, attachment_id) REFERENCES attachments (org_id, vessel_id, id),
    CONSTRAINT attachment_versions_survey FOREIGN KEY (org_id, vessel_id, survey_id) REFERENCES surveys (org_id, vessel_id, id),
    CONSTRAINT attachment_versions_finding FOREIGN KEY (org_id, vessel_id, finding_id) REFERENCES findings (org_id, vessel_id, id),
    CONSTRAINT attachment_versions_station FOREIGN KEY (org_id, vessel_id, station_id) REFERENCES stations (org_id, vessel_id, id),
    CONSTRAINT attachment_versions_coat FOREIGN KEY (org_id, vessel_id, coat_id) REFERENCES coats (org_id, vessel_id, id)
);
CREATE INDEX attachment_versions_recorded ON attachment_versions (org_id, recorded_at, attachment_id);
CREATE INDEX attachment_versions_by_vessel ON attachment_versions (org_id, vessel_id, attachment_id);
SELECT protect_tenant_table('attachment_versions', 'SELECT, INSERT');

-- The bytes of an attachment were erased: what was said of it stays.
CREATE TABLE attachment_erasures (
    org_id        uuid NOT NULL,
    attachment_id uuid NOT NULL,
    reason        text NOT NULL CHECK (length(reason) BETWEEN 1 AND 1000),
    erased_at     timestamptz NOT NULL,
    erased_by     uuid REFERENCES people,
    PRIMARY KEY (org_id, attachment_id),
    CONSTRAINT attachment_erasures_attachment FOREIGN KEY (org_id, attachment_id) REFERENCES attachments
);
SELECT protect_tenant_table('attachment_erasures', 'SELECT, INSERT');

CREATE VIEW current_attachments WITH (security_invoker = true) AS
    SELECT a.object_id, a.media_type, a.content_bytes, a.content_sha256, a.sent_sha256, a.width_px, a.height_px,
           a.created_at, a.created_by, e.erased_at, v.*
    FROM attachments a
    JOIN attachment_versions v ON v.org_id = a.org_id AND v.attachment_id = a.id
    LEFT JOIN attachment_erasures e ON e.org_id = a.org_id AND e.attachment_id = a.id
    WHERE NOT EXISTS (SELECT FROM attachment_versions n
        WHERE n.org_id = v.org_id AND n.attachment_id = v.attachment_id AND n.version = v.version + 1);
GRANT SELECT ON current_attachments TO garboard_app;

-- Guests and transfers, for the tables that came after them: events and attachments.

-- An event stays with the organisation that it was told to, and the order of its events with it: the vessel may go.
ALTER TABLE events DROP CONSTRAINT events_vessel;

SELECT let_guests_read('events');
CREATE POLICY guests ON event_order FOR SELECT TO garboard_app USING (org_id <> (SELECT current_org()) AND EXISTS (
    SELECT FROM events e WHERE e.org_id = event_order.org_id AND e.id = event_order.event_id));

DO $$
DECLARE
    live text := granted_vessels('record');
    -- The organisation in whose rows the transaction works, while it lets this one record.
    host text := format('org_id = ANY ((SELECT current_partners())::uuid[]) AND org_id IN (SELECT org_id FROM %s AS of_vessels)',
        granted_vessels('record'));
BEGIN
    -- What a guest does is told to the vessel's organisation: the event, its place in the order, and its deliveries.
    EXECUTE format('CREATE POLICY guests_record ON events FOR INSERT TO garboard_app WITH CHECK ((org_id, vessel_id) IN %s)', live);
    EXECUTE format('CREATE POLICY guests_record ON event_order TO garboard_app USING (%1$s) WITH CHECK (%1$s)', host);
    EXECUTE format('CREATE POLICY guests_tell ON subscriptions FOR SELECT TO garboard_app USING (%s)', host);
    EXECUTE format('CREATE POLICY guests_record ON deliveries FOR INSERT TO garboard_app WITH CHECK (%s)', host);
    EXECUTE format('CREATE POLICY guests_deliver ON jobs TO garboard_app USING (kind = ''delivery'' AND %1$s)
        WITH CHECK (kind = ''delivery'' AND %1$s)', host);
END $$;

-- Photographs and certificates are evidence, as readings are. The bytes stay where their author put them: an object's
-- name begins with the author.
SELECT let_guests_record(target::regclass, 'record_surveys') FROM unnest(ARRAY['attachments', 'attachment_versions']) AS target;
SELECT let_the_author_correct('attachment_versions', 'attachments', 'attachment_id', '{}');
SELECT know_vessel('attachment_erasures', 'attachments', 'attachment_id');
SELECT let_guests_read('attachment_erasures');

CREATE OR REPLACE VIEW current_attachments WITH (security_invoker = true) AS
    SELECT a.object_id, a.media_type, a.content_bytes, a.content_sha256, a.sent_sha256, a.width_px, a.height_px,
           a.created_at, a.created_by, e.erased_at, v.org_id, v.attachment_id, v.version, v.vessel_id, v.kind, v.survey_id,
           v.finding_id, v.station_id, v.coat_id, v.treatment_id, v.caption, v.taken_on, v.taken_by, v.withdrawn,
           v.correction_reason, v.recorded_at, v.recorded_by, a.author_org_id
    FROM attachments a
    JOIN attachment_versions v ON v.org_id = a.org_id AND v.attachment_id = a.id
    LEFT JOIN attachment_erasures e ON e.org_id = a.org_id AND e.attachment_id = a.id
    WHERE NOT EXISTS (SELECT FROM attachment_versions n
        WHERE n.org_id = v.org_id AND n.attachment_id = v.attachment_id AND n.version = v.version + 1);

SELECT move_with_vessels();

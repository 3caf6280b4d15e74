-- A calendar that says that something is due no longer says of which vessel: by the name it had then. Not by its id,
-- since the row stays with the organisation when the vessel goes to another.
ALTER TABLE due_ended ADD COLUMN vessel_name text;

CREATE OR REPLACE FUNCTION keep_ended_due() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP <> 'DELETE' AND NEW.due_on IS NOT NULL THEN
        DELETE FROM due_ended WHERE org_id = NEW.org_id AND id = NEW.id;
    ELSE
        INSERT INTO due_ended (org_id, id, site_id, kind, due_on, ended_at, vessel_name)
        VALUES (OLD.org_id, OLD.id, OLD.site_id, OLD.kind, OLD.due_on, current_instant(),
            (SELECT name FROM vessels WHERE org_id = OLD.org_id AND id = OLD.vessel_id))
        ON CONFLICT (org_id, id) DO UPDATE SET due_on = excluded.due_on, ended_at = excluded.ended_at,
            vessel_name = excluded.vessel_name;
        DELETE FROM due_ended WHERE org_id = OLD.org_id AND ended_at < current_instant() - interval '60 days';
    END IF;
    RETURN NULL;
END $$;

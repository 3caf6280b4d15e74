CREATE OR REPLACE FUNCTION keep_ended_due() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP <> 'DELETE' AND NEW.due_on IS NOT NULL THEN
        DELETE FROM due_ended WHERE org_id = NEW.org_id AND id = NEW.id;
    ELSE
        INSERT INTO due_ended (org_id, id, site_id, kind, due_on, ended_at)
        VALUES (OLD.org_id, OLD.id, OLD.site_id, OLD.kind, OLD.due_on, current_instant())
        ON CONFLICT (org_id, id) DO UPDATE SET due_on = excluded.due_on, ended_at = excluded.ended_at;
        DELETE FROM due_ended WHERE org_id = OLD.org_id AND ended_at < current_instant() - interval '60 days';
    END IF;
    RETURN NULL;
END $$;

ALTER TABLE due_ended DROP COLUMN vessel_name;

-- No survey before the launch, whichever of the two is written last: a survey locks its vessel, so one of two at once
-- waits for the other.
CREATE FUNCTION check_launch_before_surveys() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.launched_on IS DISTINCT FROM OLD.launched_on AND (
        EXISTS (SELECT FROM current_surveys s
            WHERE s.org_id = NEW.org_id AND s.vessel_id = NEW.id AND s.surveyed_on < NEW.launched_on)
        OR EXISTS (SELECT FROM signed_surveys s
            WHERE s.org_id = NEW.org_id AND s.vessel_id = NEW.id AND s.surveyed_on < NEW.launched_on)) THEN
        RAISE EXCEPTION 'launch after a survey'
            USING ERRCODE = 'check_violation', CONSTRAINT = 'launch_before_surveys';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER launch_before_surveys BEFORE UPDATE ON vessels
    FOR EACH ROW EXECUTE FUNCTION check_launch_before_surveys();

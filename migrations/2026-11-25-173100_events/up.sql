-- What has happened, for programs elsewhere: appended to in the causing transaction, never changed.
CREATE TABLE events (
    org_id      uuid NOT NULL REFERENCES organisations,
    id          uuid NOT NULL,
    kind        text NOT NULL CHECK (kind IN ('vessel.due', 'vessel.overdue', 'vessel.date_moved', 'finding.opened',
        'finding.closed', 'hull.ready_to_coat', 'hull.drying_stalled', 'treatment.closed', 'audit.head',
        'subscription.stopped')),
    vessel_id   uuid,
    -- Where the vessel lay then.
    site_id     uuid,
    recorded_at timestamptz NOT NULL,
    content     jsonb NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT events_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels (org_id, id)
);
CREATE INDEX events_recorded ON events (org_id, recorded_at);
SELECT protect_tenant_table('events', 'SELECT, INSERT');

-- The order of an organisation's events, given as their transactions commit, one after the other: whoever has read up
-- to a number has missed nothing before it.
CREATE TABLE event_order (
    org_id   uuid NOT NULL REFERENCES organisations,
    sequence bigint NOT NULL CHECK (sequence > 0),
    event_id uuid NOT NULL,
    PRIMARY KEY (org_id, sequence),
    CONSTRAINT event_order_event FOREIGN KEY (org_id, event_id) REFERENCES events (org_id, id)
);
CREATE UNIQUE INDEX event_order_by_event ON event_order (org_id, event_id);
SELECT protect_tenant_table('event_order', 'SELECT, INSERT');

CREATE FUNCTION order_event() RETURNS trigger LANGUAGE plpgsql SET enable_seqscan = off AS $$
BEGIN
    -- The lock of the audit's chain, so that two locks are never taken crosswise; held until the commit is seen.
    PERFORM pg_advisory_xact_lock(hashtextextended('audit ' || NEW.org_id::text, 0));
    INSERT INTO event_order (org_id, sequence, event_id) VALUES (NEW.org_id, 1 + coalesce(
        (SELECT o.sequence FROM event_order o WHERE o.org_id = NEW.org_id ORDER BY o.sequence DESC LIMIT 1), 0), NEW.id);
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER events_ordered AFTER INSERT ON events DEFERRABLE INITIALLY DEFERRED
    FOR EACH ROW EXECUTE FUNCTION order_event();

-- What was told of a vessel's dates last, so that each thing is told once.
CREATE TABLE told_dates (
    org_id    uuid NOT NULL REFERENCES organisations,
    vessel_id uuid NOT NULL,
    kind      text NOT NULL CHECK (kind IN ('inspection', 'barrier', 'antifouling', 'repair', 'treatment')),
    phase     text NOT NULL CHECK (phase IN ('ahead', 'due', 'overdue')),
    due_on    date,
    PRIMARY KEY (org_id, vessel_id, kind),
    CONSTRAINT told_dates_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels (org_id, id)
);
SELECT protect_tenant_table('told_dates', 'SELECT, INSERT, UPDATE, DELETE');

-- How a hull under treatment dried when that was looked at last.
CREATE TABLE told_drying (
    org_id       uuid NOT NULL REFERENCES organisations,
    treatment_id uuid NOT NULL,
    status       text NOT NULL CHECK (status IN ('drying', 'ready', 'stalled', 'too_early')),
    PRIMARY KEY (org_id, treatment_id),
    CONSTRAINT told_drying_treatment FOREIGN KEY (org_id, treatment_id) REFERENCES treatment_plans (org_id, id)
);
SELECT protect_tenant_table('told_drying', 'SELECT, INSERT, UPDATE');

-- Who elsewhere is sent events. The secrets are sealed with a key outside the database.
CREATE TABLE subscriptions (
    org_id        uuid NOT NULL REFERENCES organisations,
    id            uuid NOT NULL,
    name          text NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    url           text NOT NULL CHECK (length(url) BETWEEN 1 AND 2000),
    -- Lists; an empty one takes all.
    kinds         jsonb NOT NULL,
    site_ids      jsonb NOT NULL,
    active        boolean NOT NULL,
    -- Why the service switched it off.
    stopped_reason text,
    -- Since when nothing arrived, and how many attempts in a row did not.
    first_failed_at timestamptz,
    failures      integer NOT NULL DEFAULT 0,
    version       integer NOT NULL DEFAULT 1,
    created_at    timestamptz NOT NULL,
    updated_at    timestamptz NOT NULL,
    PRIMARY KEY (org_id, id)
);
CREATE INDEX subscriptions_updated ON subscriptions (org_id, updated_at, id);
SELECT protect_tenant_table('subscriptions', 'SELECT, INSERT, UPDATE');

CREATE TABLE subscription_secrets (
    org_id          uuid NOT NULL,
    id              uuid NOT NULL,
    subscription_id uuid NOT NULL,
    sealed          bytea NOT NULL,
    created_at      timestamptz NOT NULL,
    expires_at      timestamptz,
    PRIMARY KEY (org_id, id),
    CONSTRAINT subscription_secrets_subscription FOREIGN KEY (org_id, subscription_id)
        REFERENCES subscriptions (org_id, id)
);
CREATE INDEX subscription_secrets_subscription ON subscription_secrets (org_id, subscription_id);
SELECT protect_tenant_table('subscription_secrets', 'SELECT, INSERT, UPDATE');

-- An event on its way to a subscription. It is there once, however often it is sent.
CREATE TABLE deliveries (
    org_id           uuid NOT NULL,
    id               uuid NOT NULL,
    subscription_id  uuid NOT NULL,
    event_id         uuid NOT NULL,
    -- The event's: what is of one vessel arrives in its order.
    vessel_id        uuid,
    state            text NOT NULL CHECK (state IN ('waiting', 'delivered', 'given_up')),
    attempts         integer NOT NULL DEFAULT 0,
    -- Of this time of trying: a replay begins anew.
    first_failed_at    timestamptz,
    failures         integer NOT NULL DEFAULT 0,
    next_at          timestamptz NOT NULL,
    created_at       timestamptz NOT NULL,
    updated_at       timestamptz NOT NULL,
    PRIMARY KEY (org_id, id),
    CONSTRAINT deliveries_once UNIQUE (org_id, subscription_id, event_id),
    CONSTRAINT deliveries_subscription FOREIGN KEY (org_id, subscription_id) REFERENCES subscriptions (org_id, id),
    CONSTRAINT deliveries_event FOREIGN KEY (org_id, event_id) REFERENCES events (org_id, id)
);
CREATE INDEX deliveries_waiting ON deliveries (org_id, subscription_id) WHERE state = 'waiting';
CREATE INDEX deliveries_updated ON deliveries (org_id, subscription_id, updated_at, id);
CREATE INDEX deliveries_event ON deliveries (org_id, event_id);
SELECT protect_tenant_table('deliveries', 'SELECT, INSERT, UPDATE');

CREATE TABLE delivery_attempts (
    org_id       uuid NOT NULL,
    delivery_id  uuid NOT NULL,
    sequence     integer NOT NULL CHECK (sequence > 0),
    attempted_at timestamptz NOT NULL,
    -- The HTTP status of the answer, if one came.
    status       integer,
    outcome      text NOT NULL,
    -- The first KiB of it.
    answer       text,
    PRIMARY KEY (org_id, delivery_id, sequence),
    CONSTRAINT delivery_attempts_delivery FOREIGN KEY (org_id, delivery_id) REFERENCES deliveries (org_id, id)
);
SELECT protect_tenant_table('delivery_attempts', 'SELECT, INSERT');

-- What waits to be sent asks for its job as it commits, under the same lock: no transaction holds the job's row while
-- it waits for the lock.
CREATE FUNCTION request_delivery() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(hashtextextended('audit ' || NEW.org_id::text, 0));
    INSERT INTO jobs (org_id, id, kind, subject_id, run_after, requested_at)
    VALUES (NEW.org_id, gen_random_uuid(), 'delivery', NEW.subscription_id, NEW.next_at, NEW.next_at)
    ON CONFLICT (org_id, kind, subject_id) WHERE state = 'queued'
    DO UPDATE SET run_after = excluded.run_after, requested_at = excluded.requested_at
        WHERE jobs.run_after > excluded.run_after;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER deliveries_requested AFTER INSERT OR UPDATE OF state ON deliveries
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.state = 'waiting') EXECUTE FUNCTION request_delivery();

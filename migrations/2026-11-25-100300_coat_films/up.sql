-- How thick a coat is, as measured, and what a rule says of it. Never changed: another film takes its place.
CREATE TABLE coat_films (
    org_id            uuid NOT NULL REFERENCES organisations,
    id                uuid NOT NULL,
    vessel_id         uuid NOT NULL,
    coat_id           uuid NOT NULL,
    supersedes_id     uuid,
    method            text NOT NULL CHECK (method IN ('ultrasonic', 'wet_film', 'litres_used', 'destructive')),
    rule              text NOT NULL CHECK (rule IN ('iso-19840', 'pa-2', 'pspc-90-10')),
    nominal_um        double precision NOT NULL CHECK (nominal_um BETWEEN 1 AND 50000),
    max_um            double precision CHECK (max_um BETWEEN 1 AND 50000),
    level             integer CHECK (level BETWEEN 1 AND 5),
    -- Read and written with the film, never searched.
    readings_um       jsonb NOT NULL,
    volume_solids_pct double precision CHECK (volume_solids_pct BETWEEN 1 AND 100),
    loss_fraction     double precision CHECK (loss_fraction BETWEEN 0 AND 0.95),
    measured_at       timestamptz NOT NULL,
    note              text CHECK (length(note) <= 4000),
    accepted          boolean NOT NULL,
    mean_film_um      double precision NOT NULL,
    thinnest_film_um  double precision NOT NULL,
    thickest_film_um  double precision NOT NULL,
    failures          jsonb NOT NULL,
    recorded_at       timestamptz NOT NULL,
    recorded_by       uuid REFERENCES people,
    PRIMARY KEY (org_id, id),
    UNIQUE (org_id, coat_id, id),
    CONSTRAINT coat_films_coat FOREIGN KEY (org_id, coat_id) REFERENCES coats,
    CONSTRAINT coat_films_vessel FOREIGN KEY (org_id, vessel_id) REFERENCES vessels,
    CONSTRAINT coat_films_supersedes FOREIGN KEY (org_id, coat_id, supersedes_id) REFERENCES coat_films (org_id, coat_id, id),
    CONSTRAINT coat_films_superseded_once UNIQUE (org_id, supersedes_id)
);
CREATE INDEX coat_films_by_vessel ON coat_films (org_id, vessel_id, coat_id);
CREATE INDEX coat_films_by_coat ON coat_films (org_id, coat_id, recorded_at, id);
SELECT protect_tenant_table('coat_films', 'SELECT, INSERT');

-- Cars, weigh-ins, captures and changes. Nothing is ever deleted: a correction is a row with the next revision.
CREATE TABLE car (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    wheelbase_m REAL,
    track_front_m REAL,
    track_rear_m REAL
) STRICT;

CREATE TABLE weigh_in (
    id INTEGER PRIMARY KEY,
    car INTEGER NOT NULL REFERENCES car (id),
    bay TEXT NOT NULL,
    boot_id TEXT NOT NULL,
    config_id TEXT NOT NULL,
    begun_wall_ns INTEGER NOT NULL,
    ended_wall_ns INTEGER,
    conditions TEXT NOT NULL          -- JSON object: tyre pressures, fuel, notes
) STRICT;

CREATE TABLE capture (
    weigh_in INTEGER NOT NULL REFERENCES weigh_in (id),
    number INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    written_wall_ns INTEGER NOT NULL,
    build TEXT NOT NULL,
    facing TEXT NOT NULL CHECK (facing IN ('out', 'back')),
    placement INTEGER NOT NULL,
    run INTEGER NOT NULL,
    mass_kg REAL NOT NULL,
    u_kg REAL NOT NULL,
    discarded INTEGER NOT NULL,
    record TEXT NOT NULL,             -- the whole capture as JSON
    PRIMARY KEY (weigh_in, number, revision)
) STRICT;

CREATE TABLE change (
    weigh_in INTEGER NOT NULL REFERENCES weigh_in (id),
    number INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    written_wall_ns INTEGER NOT NULL,
    name TEXT NOT NULL,
    record TEXT NOT NULL,             -- the whole change as JSON
    PRIMARY KEY (weigh_in, number, revision)
) STRICT;

CREATE VIEW capture_now AS
SELECT * FROM capture AS c
WHERE revision = (SELECT max(revision) FROM capture WHERE weigh_in = c.weigh_in AND number = c.number);

CREATE VIEW change_now AS
SELECT * FROM change AS c
WHERE revision = (SELECT max(revision) FROM change WHERE weigh_in = c.weigh_in AND number = c.number);

-- What people write down by hand: facts with revisions, and the deeds that wrote them, so that any deed can be undone.
CREATE TABLE deed (
    id INTEGER PRIMARY KEY,
    written_wall_ns INTEGER NOT NULL,
    text TEXT NOT NULL,               -- what was done, in words
    undoes INTEGER REFERENCES deed (id)
) STRICT;

CREATE TABLE fact (
    id INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    deed INTEGER NOT NULL REFERENCES deed (id),
    kind TEXT NOT NULL,               -- car, weigh-in, part, person, aboard, fluid, photo, note
    record TEXT NOT NULL,             -- the whole fact as JSON
    PRIMARY KEY (id, revision)
) STRICT;

CREATE VIEW fact_now AS
SELECT * FROM fact AS f WHERE revision = (SELECT max(revision) FROM fact WHERE id = f.id);

-- A revision that a person wrote names its deed; one that the bay wrote has none.
ALTER TABLE capture ADD COLUMN deed INTEGER REFERENCES deed (id);
ALTER TABLE change ADD COLUMN deed INTEGER REFERENCES deed (id);
-- Where a weigh-in came from: empty for a bay's own, else the hash of the file it was read from.
ALTER TABLE weigh_in ADD COLUMN source TEXT NOT NULL DEFAULT '';

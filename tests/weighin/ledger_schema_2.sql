-- A ledger as restpoint wrote it with schema 2 (invented afternoon; a part named twice, another typed in and taken back), as SQL.
BEGIN TRANSACTION;
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
    record TEXT NOT NULL, deed INTEGER REFERENCES deed (id),             -- the whole capture as JSON
    PRIMARY KEY (weigh_in, number, revision)
) STRICT;
INSERT INTO "capture" VALUES(1,1,0,1780000060000000000,'build 1','out',1,1,968.0039,0.1,0,'{"kind":"capture","number":1,"t_mono_ns":60000000000,"t_wall_ns":1780000060000000000,"t_rest_from_mono_ns":55000000000,"build":"build 1","aboard":[],"facing":"out","placement":1,"run":1,"loads":[{"corner":"LF","spot":"S1","pad":"P1","mass_kg":285.2271,"u_kg":0.05},{"corner":"RF","spot":"S2","pad":"P2","mass_kg":272.2925,"u_kg":0.05},{"corner":"LR","spot":"S3","pad":"P3","mass_kg":207.4139,"u_kg":0.05},{"corner":"RR","spot":"S4","pad":"P4","mass_kg":203.0704,"u_kg":0.05}],"covariance_kg2":[0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005],"mass_kg":968.0039,"u_kg":0.1,"discarded":false,"name":""}',NULL);
INSERT INTO "capture" VALUES(1,2,0,1780000120000000000,'build 1','back',2,2,967.9362,0.1,0,'{"kind":"capture","number":2,"t_mono_ns":120000000000,"t_wall_ns":1780000120000000000,"t_rest_from_mono_ns":115000000000,"build":"build 1","aboard":[],"facing":"back","placement":2,"run":2,"loads":[{"corner":"LF","spot":"S4","pad":"P4","mass_kg":285.224,"u_kg":0.05},{"corner":"RF","spot":"S3","pad":"P3","mass_kg":272.2657,"u_kg":0.05},{"corner":"LR","spot":"S2","pad":"P2","mass_kg":207.399,"u_kg":0.05},{"corner":"RR","spot":"S1","pad":"P1","mass_kg":203.0476,"u_kg":0.05}],"covariance_kg2":[0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005],"mass_kg":967.9362,"u_kg":0.1,"discarded":false,"name":""}',NULL);
INSERT INTO "capture" VALUES(1,3,0,1780000180000000000,'build 1','back',2,3,1038.9867,0.1,0,'{"kind":"capture","number":3,"t_mono_ns":180000000000,"t_wall_ns":1780000180000000000,"t_rest_from_mono_ns":175000000000,"build":"build 1","aboard":["driver"],"facing":"back","placement":2,"run":3,"loads":[{"corner":"LF","spot":"S4","pad":"P4","mass_kg":309.6155,"u_kg":0.05},{"corner":"RF","spot":"S3","pad":"P3","mass_kg":278.2574,"u_kg":0.05},{"corner":"LR","spot":"S2","pad":"P2","mass_kg":236.8181,"u_kg":0.05},{"corner":"RR","spot":"S1","pad":"P1","mass_kg":214.2958,"u_kg":0.05}],"covariance_kg2":[0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005],"mass_kg":1038.9867,"u_kg":0.1,"discarded":false,"name":""}',NULL);
INSERT INTO "capture" VALUES(1,4,0,1780000240000000000,'build 2','back',2,4,950.6299,0.1,0,'{"kind":"capture","number":4,"t_mono_ns":240000000000,"t_wall_ns":1780000240000000000,"t_rest_from_mono_ns":235000000000,"build":"build 2","aboard":[],"facing":"back","placement":2,"run":4,"loads":[{"corner":"LF","spot":"S4","pad":"P4","mass_kg":287.0227,"u_kg":0.05},{"corner":"RF","spot":"S3","pad":"P3","mass_kg":273.4645,"u_kg":0.05},{"corner":"LR","spot":"S2","pad":"P2","mass_kg":197.5464,"u_kg":0.05},{"corner":"RR","spot":"S1","pad":"P1","mass_kg":192.5963,"u_kg":0.05}],"covariance_kg2":[0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005],"mass_kg":950.6299,"u_kg":0.1,"discarded":false,"name":""}',NULL);
INSERT INTO "capture" VALUES(1,5,0,1780000300000000000,'build 3','back',2,5,941.3609,0.1,0,'{"kind":"capture","number":5,"t_mono_ns":300000000000,"t_wall_ns":1780000300000000000,"t_rest_from_mono_ns":295000000000,"build":"build 3","aboard":[],"facing":"back","placement":2,"run":5,"loads":[{"corner":"LF","spot":"S4","pad":"P4","mass_kg":284.687,"u_kg":0.05},{"corner":"RF","spot":"S3","pad":"P3","mass_kg":271.3067,"u_kg":0.05},{"corner":"LR","spot":"S2","pad":"P2","mass_kg":195.0437,"u_kg":0.05},{"corner":"RR","spot":"S1","pad":"P1","mass_kg":190.3235,"u_kg":0.05}],"covariance_kg2":[0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005],"mass_kg":941.3609,"u_kg":0.1,"discarded":false,"name":""}',NULL);
INSERT INTO "capture" VALUES(1,5,1,1780000300000000001,'build 3','back',2,5,941.3609,0.1,0,'{"kind":"capture","number":5,"t_mono_ns":300000000000,"t_wall_ns":1780000300000000000,"t_rest_from_mono_ns":295000000000,"build":"build 3","aboard":[],"facing":"back","placement":2,"run":5,"loads":[{"corner":"LF","spot":"S4","pad":"P4","mass_kg":284.687,"u_kg":0.05},{"corner":"RF","spot":"S3","pad":"P3","mass_kg":271.3067,"u_kg":0.05},{"corner":"LR","spot":"S2","pad":"P2","mass_kg":195.0437,"u_kg":0.05},{"corner":"RR","spot":"S1","pad":"P1","mass_kg":190.3235,"u_kg":0.05}],"covariance_kg2":[0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005,0.0,0.0,0.0,0.0,0.0025000000000000005],"mass_kg":941.3609,"u_kg":0.1,"discarded":false,"name":""}',NULL);
CREATE TABLE car (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    wheelbase_m REAL,
    track_front_m REAL,
    track_rear_m REAL
) STRICT;
INSERT INTO "car" VALUES(1,'Wagtail',2.43,1.405,1.395);
CREATE TABLE change (
    weigh_in INTEGER NOT NULL REFERENCES weigh_in (id),
    number INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    written_wall_ns INTEGER NOT NULL,
    name TEXT NOT NULL,
    record TEXT NOT NULL, deed INTEGER REFERENCES deed (id),             -- the whole change as JSON
    PRIMARY KEY (weigh_in, number, revision)
) STRICT;
INSERT INTO "change" VALUES(1,1,0,1780000240000000000,'','{"kind":"change","number":1,"t_mono_ns":240000000000,"build_before":"build 1","build_after":"build 2","capture_before":2,"capture_after":4,"name":""}',NULL);
INSERT INTO "change" VALUES(1,2,0,1780000300000000000,'sound mats','{"kind":"change","number":2,"t_mono_ns":300000000000,"build_before":"build 2","build_after":"build 3","capture_before":4,"capture_after":5,"name":"sound mats"}',NULL);
INSERT INTO "change" VALUES(1,1,1,1795612930507283686,'spare wheel and jack','{"kind":"change","number":1,"t_mono_ns":240000000000,"build_before":"build 1","build_after":"build 2","capture_before":2,"capture_after":4,"name":"spare wheel and jack"}',1);
INSERT INTO "change" VALUES(1,1,2,1795612930840379042,'spare wheel','{"kind":"change","number":1,"t_mono_ns":240000000000,"build_before":"build 1","build_after":"build 2","capture_before":2,"capture_after":4,"name":"spare wheel"}',4);
CREATE TABLE deed (
    id INTEGER PRIMARY KEY,
    written_wall_ns INTEGER NOT NULL,
    text TEXT NOT NULL,               -- what was done, in words
    undoes INTEGER REFERENCES deed (id)
) STRICT;
INSERT INTO "deed" VALUES(1,1795612930507283686,'name w1.1 ''spare wheel and jack''',NULL);
INSERT INTO "deed" VALUES(2,1795612930733498350,'add part tow bar',NULL);
INSERT INTO "deed" VALUES(3,1795612930820590457,'undo: add part tow bar',2);
INSERT INTO "deed" VALUES(4,1795612930840379042,'name w1.1 ''spare wheel''',NULL);
CREATE TABLE fact (
    id INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    deed INTEGER NOT NULL REFERENCES deed (id),
    kind TEXT NOT NULL,               -- car, weigh-in, part, person, aboard, fluid, photo, note
    record TEXT NOT NULL,             -- the whole fact as JSON
    PRIMARY KEY (id, revision)
) STRICT;
INSERT INTO "fact" VALUES(1,0,2,'part','{"kind":"part","id":1,"withdrawn":false,"car":"Wagtail","name":"tow bar","mass":{"value":-9.0,"u":0.5,"unit":"kg"},"t_wall_ns":1795612930733491770,"x":null,"y":null,"z":null,"basis":"estimated","merged_into":null}');
INSERT INTO "fact" VALUES(1,1,3,'part','{"kind":"part","id":1,"withdrawn":true,"car":"Wagtail","name":"tow bar","mass":{"value":-9.0,"u":0.5,"unit":"kg"},"t_wall_ns":1795612930733491770,"x":null,"y":null,"z":null,"basis":"estimated","merged_into":null}');
CREATE TABLE weigh_in (
    id INTEGER PRIMARY KEY,
    car INTEGER NOT NULL REFERENCES car (id),
    bay TEXT NOT NULL,
    boot_id TEXT NOT NULL,
    config_id TEXT NOT NULL,
    begun_wall_ns INTEGER NOT NULL,
    ended_wall_ns INTEGER,
    conditions TEXT NOT NULL          -- JSON object: tyre pressures, fuel, notes
, source TEXT NOT NULL DEFAULT '') STRICT;
INSERT INTO "weigh_in" VALUES(1,1,'barn','bbbbbbbb','cccccccccccc',1780000000000000000,1780000400000000000,'{"fuel_L":22,"tyre_pressures_kPa":[200,200,190,190],"notes":"invented"}','');
CREATE VIEW capture_now AS
SELECT * FROM capture AS c
WHERE revision = (SELECT max(revision) FROM capture WHERE weigh_in = c.weigh_in AND number = c.number);
CREATE VIEW change_now AS
SELECT * FROM change AS c
WHERE revision = (SELECT max(revision) FROM change WHERE weigh_in = c.weigh_in AND number = c.number);
CREATE VIEW fact_now AS
SELECT * FROM fact AS f WHERE revision = (SELECT max(revision) FROM fact WHERE id = f.id);
COMMIT;
PRAGMA user_version = 2;

-- SPDX-License-Identifier: GPL-3.0-or-later
-- A database as the first version of the tables has it, with one run of two steps. Never edited:
-- later versions are tested against it.
PRAGMA application_id = 0x414D504C;
PRAGMA user_version = 1;
CREATE TABLE battery( id TEXT PRIMARY KEY, label TEXT NOT NULL UNIQUE, chemistry TEXT NOT NULL,
  cells INTEGER NOT NULL CHECK(cells >= 1), rated_Ah REAL, rated_hours REAL, rated_cutoff_V REAL,
  current_max_A REAL, temperature_max_C REAL, lot TEXT NOT NULL DEFAULT '', note TEXT NOT NULL
  DEFAULT '', created_utc_ns INTEGER NOT NULL, retired_utc_ns INTEGER) STRICT;
CREATE TABLE text(sha256 TEXT PRIMARY KEY, body TEXT NOT NULL) STRICT;
CREATE TABLE run( nr INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, battery_id TEXT NOT
  NULL REFERENCES battery(id), stand TEXT NOT NULL, profile TEXT NOT NULL, started_utc_ns INTEGER
  NOT NULL, ended_utc_ns INTEGER, outcome TEXT NOT NULL CHECK(outcome IN
  ('running','completed','stopped','tripped','aborted','interrupted')), lead_Ohm REAL,
  voltage_source TEXT NOT NULL, software_version TEXT NOT NULL, profile_sha256 TEXT REFERENCES
  text(sha256), bench_sha256 TEXT REFERENCES text(sha256), plan_json TEXT, result_json TEXT,
  trip_reason TEXT, trip_sentence TEXT, trip_at_utc_ns INTEGER, trip_at_s REAL, trip_value REAL,
  trip_limit REAL) STRICT;
CREATE INDEX run_by_battery ON run(battery_id);
CREATE INDEX run_at_work ON run(nr) WHERE outcome = 'running';
CREATE TABLE run_instrument( run_nr INTEGER NOT NULL REFERENCES run(nr), position INTEGER NOT NULL,
  role TEXT NOT NULL, driver TEXT NOT NULL, driver_sha256 TEXT REFERENCES text(sha256), identity
  TEXT NOT NULL, link TEXT NOT NULL, PRIMARY KEY(run_nr, position)) STRICT, WITHOUT ROWID;
CREATE TABLE step( run_nr INTEGER NOT NULL REFERENCES run(nr), step INTEGER NOT NULL, name TEXT NOT
  NULL, kind TEXT NOT NULL, start_s REAL, end_s REAL, end_reason TEXT, PRIMARY KEY(run_nr, step))
  STRICT, WITHOUT ROWID;
CREATE TABLE sample( run_nr INTEGER NOT NULL REFERENCES run(nr), seq INTEGER NOT NULL, t_s REAL,
  step INTEGER NOT NULL, voltage_V REAL, current_A REAL, temperature_C REAL, PRIMARY KEY(run_nr,
  seq)) STRICT, WITHOUT ROWID;
CREATE TABLE event( nr INTEGER PRIMARY KEY, run_nr INTEGER REFERENCES run(nr), utc_ns INTEGER NOT
  NULL, t_s REAL, kind TEXT NOT NULL, text TEXT NOT NULL) STRICT;
CREATE INDEX event_by_run ON event(run_nr);
CREATE TABLE latch( nr INTEGER PRIMARY KEY, stand TEXT NOT NULL, run_nr INTEGER REFERENCES run(nr),
  reason TEXT NOT NULL, sentence TEXT NOT NULL, at_utc_ns INTEGER NOT NULL, at_s REAL, value REAL,
  limit_value REAL, cleared_utc_ns INTEGER) STRICT;
CREATE UNIQUE INDEX latch_standing ON latch(stand) WHERE cleared_utc_ns IS NULL;
CREATE TRIGGER sample_is_final BEFORE UPDATE ON sample
  BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;
CREATE TRIGGER sample_stays BEFORE DELETE ON sample
  BEGIN SELECT RAISE(ABORT, 'samples are never deleted'); END;
CREATE TRIGGER event_is_final BEFORE UPDATE ON event
  BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER event_stays BEFORE DELETE ON event
  BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE VIEW sample_readable AS SELECT run.nr AS run_nr, battery.label AS battery, run.stand AS
  stand, strftime('%Y-%m-%dT%H:%M:%fZ', run.started_utc_ns / 1e9 + sample.t_s, 'unixepoch')  AS utc,
  sample.t_s AS t_s, sample.step AS step, step.name AS step_name, sample.voltage_V AS voltage_V,
  sample.current_A AS current_A, sample.temperature_C AS temperature_C FROM sample JOIN run ON
  run.nr = sample.run_nr JOIN battery ON battery.id = run.battery_id LEFT JOIN step ON step.run_nr =
  sample.run_nr AND step.step = sample.step;
CREATE VIEW run_readable AS SELECT run.nr AS run_nr, battery.label AS battery, run.stand AS stand,
  run.profile AS profile, strftime('%Y-%m-%dT%H:%M:%fZ', run.started_utc_ns / 1e9, 'unixepoch') AS
  started_utc, strftime('%Y-%m-%dT%H:%M:%fZ', run.ended_utc_ns / 1e9, 'unixepoch') AS ended_utc,
  run.outcome AS outcome, run.trip_sentence AS trip FROM run JOIN battery ON battery.id =
  run.battery_id;
;
INSERT INTO battery VALUES('019cab00-0000-7000-8000-000000000001', 'launch-a', 'lfp', 4, 90.0,
  10.0, 10.0, NULL, NULL, 'spring', '', 1772395445120000000, NULL);
INSERT INTO run(nr, id, battery_id, stand, profile, started_utc_ns, ended_utc_ns, outcome, lead_Ohm,
  voltage_source, software_version, plan_json) VALUES(1, '019cab00-0000-7000-8000-000000000002',
  '019cab00-0000-7000-8000-000000000001', 'jetty', 'capacity', 1772395445120000000,
  1772395455120000000, 'completed', 0.0, 'two-wire', '0.1.0', '{"steps":[]}');
INSERT INTO step VALUES(1, 0, 'settle', 'rest', 0.0, 5.0, 'time');
INSERT INTO step VALUES(1, 1, 'capacity', 'discharge', 5.0, 10.0, 'cut-off');
INSERT INTO sample VALUES(1, 0, 0.0, 0, 13.3, 0.0, NULL);
INSERT INTO sample VALUES(1, 1, 5.0, 1, 13.3, 0.0, NULL);
INSERT INTO sample VALUES(1, 2, 10.0, 1, 13.2, -9.0, 21.5);

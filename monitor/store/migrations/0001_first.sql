-- The store's first form. STRICT refuses text where a number belongs; a rowid-less key costs nothing and
-- makes a repeat recognisable by (node, boot, seq) alone.

CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Every offset ever put between the machine's steady clock and the time people read. House time is
-- steady * rate + offset_s, in seconds since 1970-01-01T00:00:00Z; it never steps while a run is open.
-- rate is 1 except where a demonstration runs faster than life. A row holds from from_mono_s (steady) on.
CREATE TABLE clocks (
    clock_id     INTEGER PRIMARY KEY,
    machine_boot TEXT NOT NULL,
    from_mono_s  REAL NOT NULL,
    rate         REAL NOT NULL,
    offset_s     REAL NOT NULL,
    set_utc      TEXT NOT NULL,
    why          TEXT NOT NULL
) STRICT;

CREATE TABLE nodes (
    node_id        INTEGER PRIMARY KEY,
    name           TEXT NOT NULL UNIQUE,
    first_seen_utc TEXT NOT NULL,
    source         TEXT NOT NULL,
    samples        INTEGER NOT NULL DEFAULT 0
) STRICT;

-- One row an instant of a node. at_s: house time the sample was taken; arrival_s: house time it came in;
-- uptime_s: what the node itself said. jars and lids: compact JSON objects keyed by number, or NULL.
CREATE TABLE samples (
    node         INTEGER NOT NULL REFERENCES nodes(node_id),
    boot         INTEGER NOT NULL,
    seq          INTEGER NOT NULL,
    at_s         REAL NOT NULL,
    arrival_s    REAL NOT NULL,
    uptime_s     REAL,
    late         INTEGER NOT NULL DEFAULT 0 CHECK (late IN (0, 1)),
    water_C      REAL,
    water_fault  TEXT,
    room_C       REAL,
    pressure_kPa REAL,
    heater_W     REAL,
    mains        INTEGER,
    chip_C       REAL,
    water_2_C    REAL,
    jars         TEXT,
    lids         TEXT,
    PRIMARY KEY (node, boot, seq)
) STRICT, WITHOUT ROWID;

CREATE INDEX samples_by_time ON samples (node, at_s);

-- The same key came with another value: both are kept, neither is believed.
CREATE TABLE conflicts (
    conflict_id INTEGER PRIMARY KEY,
    node        INTEGER NOT NULL REFERENCES nodes(node_id),
    boot        INTEGER NOT NULL,
    seq         INTEGER NOT NULL,
    at_utc      TEXT NOT NULL,
    at_s        REAL NOT NULL,
    stored      TEXT NOT NULL,
    came        TEXT NOT NULL,
    UNIQUE (node, boot, seq, came)
) STRICT;

-- Samples that were made and will not come: why is 'gone' (the node no longer holds them), 'restarted' (the
-- node started anew before they were sent) or 'refused' (they came, and were not acceptable).
CREATE TABLE lost (
    node     INTEGER NOT NULL REFERENCES nodes(node_id),
    boot     INTEGER NOT NULL,
    from_seq INTEGER NOT NULL,
    count    INTEGER NOT NULL,
    why      TEXT NOT NULL,
    at_utc   TEXT NOT NULL,
    PRIMARY KEY (node, boot, from_seq)
) STRICT, WITHOUT ROWID;

-- Up to where each start of a node is covered without a hole (stored, or known lost); -1: nothing yet.
CREATE TABLE receipts (
    node INTEGER NOT NULL REFERENCES nodes(node_id),
    boot INTEGER NOT NULL,
    upto INTEGER NOT NULL,
    PRIMARY KEY (node, boot)
) STRICT, WITHOUT ROWID;

-- Input that could not be accepted. Bounded (the writer drops the oldest); the counts are not.
CREATE TABLE refusals (
    refusal_id INTEGER PRIMARY KEY,
    at_utc     TEXT NOT NULL,
    source     TEXT NOT NULL,
    node_hint  TEXT,
    why        TEXT NOT NULL,
    size       INTEGER NOT NULL,
    payload    BLOB NOT NULL
) STRICT;

CREATE TABLE refusal_counts (
    source   TEXT NOT NULL,
    count    INTEGER NOT NULL,
    last_utc TEXT NOT NULL,
    PRIMARY KEY (source)
) STRICT, WITHOUT ROWID;

-- Whatever people (and the rooms above) say. mono_s and machine_boot: the steady clock when it was said.
CREATE TABLE entries (
    id           INTEGER PRIMARY KEY,
    run_id       TEXT,
    kind         TEXT NOT NULL,
    body         TEXT NOT NULL,
    at_utc       TEXT NOT NULL,
    happened_utc TEXT NOT NULL,
    by           TEXT,
    corrects     INTEGER REFERENCES entries(id),
    reason       TEXT,
    mono_s       REAL NOT NULL,
    machine_boot TEXT NOT NULL
) STRICT;

CREATE INDEX entries_by_run ON entries (run_id, kind);
CREATE INDEX entries_by_kind ON entries (kind);

CREATE TRIGGER entries_never_change BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never changed; append a correction'); END;
CREATE TRIGGER entries_never_go BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END;

-- A run record that came from elsewhere, byte for byte.
CREATE TABLE imported_runs (
    run_id      TEXT PRIMARY KEY,
    run_json    BLOB NOT NULL,
    samples_csv BLOB NOT NULL,
    sha256      TEXT NOT NULL,
    at_utc      TEXT NOT NULL
) STRICT;

CREATE TRIGGER imported_never_change BEFORE UPDATE ON imported_runs
BEGIN SELECT RAISE(ABORT, 'an imported record is never changed'); END;
CREATE TRIGGER imported_never_go BEFORE DELETE ON imported_runs
BEGIN SELECT RAISE(ABORT, 'an imported record is never deleted'); END;

-- What the engine says of each run that is on, and its last word on each that is over.
CREATE TABLE live (
    run_id      TEXT PRIMARY KEY,
    canner      TEXT,
    updated_utc TEXT NOT NULL,
    view        TEXT NOT NULL,
    verdict     TEXT
) STRICT;

CREATE TABLE verdicts (
    verdict_id INTEGER PRIMARY KEY,
    run_id     TEXT NOT NULL,
    at_utc     TEXT NOT NULL,
    verdict    TEXT NOT NULL
) STRICT;
CREATE INDEX verdicts_by_run ON verdicts (run_id);

-- Every event that was raised, in the order it was raised.
CREATE TABLE events (
    event_id INTEGER PRIMARY KEY,
    run_id   TEXT NOT NULL,
    at_utc   TEXT NOT NULL,
    kind     TEXT NOT NULL,
    body     TEXT NOT NULL
) STRICT;
CREATE INDEX events_by_run ON events (run_id);

-- Every change of state of every alarm; the last row of an alarm_id is its state.
CREATE TABLE alarms (
    id       INTEGER PRIMARY KEY,
    alarm_id TEXT NOT NULL,
    run_id   TEXT,
    at_utc   TEXT NOT NULL,
    kind     TEXT NOT NULL,
    state    TEXT NOT NULL,
    body     TEXT NOT NULL
) STRICT;
CREATE INDEX alarms_by_run ON alarms (run_id);
CREATE TRIGGER alarms_never_change BEFORE UPDATE ON alarms
BEGIN SELECT RAISE(ABORT, 'the alarm journal is never changed'); END;
CREATE TRIGGER alarms_never_go BEFORE DELETE ON alarms
BEGIN SELECT RAISE(ABORT, 'the alarm journal is never deleted'); END;

-- What happened to the collector itself: started, stopped, a source lost, the disk full, the clock stepped.
CREATE TABLE journal (
    id     INTEGER PRIMARY KEY,
    at_utc TEXT NOT NULL,
    kind   TEXT NOT NULL,
    text   TEXT NOT NULL,
    body   TEXT NOT NULL
) STRICT;
CREATE TRIGGER journal_never_changes BEFORE UPDATE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is never changed'); END;

-- Finished runs, sealed: digest of the canonical bytes, chained to the seal before.
CREATE TABLE seals (
    seal_id   INTEGER PRIMARY KEY,
    run_id    TEXT NOT NULL,
    sealed_utc TEXT NOT NULL,
    digest    TEXT NOT NULL,
    previous  TEXT NOT NULL,
    chain     TEXT NOT NULL
) STRICT;
CREATE TRIGGER seals_never_change BEFORE UPDATE ON seals
BEGIN SELECT RAISE(ABORT, 'a seal is never changed'); END;
CREATE TRIGGER seals_never_go BEFORE DELETE ON seals
BEGIN SELECT RAISE(ABORT, 'a seal is never deleted'); END;

-- What lay beside a record that came from elsewhere: its entries and alarms, byte for byte. They keep the numbers
-- they had, so that signatures and corrections in them still hold. upto: the highest of those numbers.
CREATE TABLE imported_files (
    run_id  TEXT NOT NULL REFERENCES imported_runs(run_id),
    name    TEXT NOT NULL,
    content BLOB NOT NULL,
    sha256  TEXT NOT NULL,
    upto    INTEGER NOT NULL,
    at_utc  TEXT NOT NULL,
    UNIQUE (run_id, name)
) STRICT;
CREATE TRIGGER imported_files_never_change BEFORE UPDATE ON imported_files
BEGIN SELECT RAISE(ABORT, 'what came with an imported record is never changed'); END;
CREATE TRIGGER imported_files_never_go BEFORE DELETE ON imported_files
BEGIN SELECT RAISE(ABORT, 'what came with an imported record is never deleted'); END;

-- Nothing that was measured or raised is ever deleted here, and no measurement is ever changed: only the place
-- in time of a sample may move, when its node's clock is understood better.

CREATE TRIGGER samples_never_go BEFORE DELETE ON samples
BEGIN SELECT RAISE(ABORT, 'samples are never deleted'); END;
CREATE TRIGGER samples_never_change BEFORE UPDATE OF
    node, boot, seq, arrival_s, uptime_s, water_C, water_fault, room_C, pressure_kPa, heater_W, mains, chip_C,
    water_2_C, jars, lids ON samples
BEGIN SELECT RAISE(ABORT, 'samples are never changed'); END;

CREATE TRIGGER conflicts_never_go BEFORE DELETE ON conflicts
BEGIN SELECT RAISE(ABORT, 'conflicts are never deleted'); END;
CREATE TRIGGER lost_never_goes BEFORE DELETE ON lost
BEGIN SELECT RAISE(ABORT, 'what is lost stays said'); END;

CREATE TRIGGER events_never_change BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER events_never_go BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;

CREATE TRIGGER verdicts_never_change BEFORE UPDATE ON verdicts
BEGIN SELECT RAISE(ABORT, 'a verdict is never changed; a later one is another row'); END;
CREATE TRIGGER verdicts_never_go BEFORE DELETE ON verdicts
BEGIN SELECT RAISE(ABORT, 'verdicts are never deleted'); END;

CREATE TRIGGER journal_never_goes BEFORE DELETE ON journal
BEGIN SELECT RAISE(ABORT, 'the journal is never deleted'); END;
CREATE TRIGGER clocks_never_change BEFORE UPDATE ON clocks
BEGIN SELECT RAISE(ABORT, 'a clock is never changed; a later one is another row'); END;
CREATE TRIGGER clocks_never_go BEFORE DELETE ON clocks
BEGIN SELECT RAISE(ABORT, 'clocks are never deleted'); END;

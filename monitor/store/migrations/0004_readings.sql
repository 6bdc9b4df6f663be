-- What a verdict was given on: whose samples, from when to when (house time), and what was added to the water's
-- readings. A correction that is changed afterwards gives another verdict; the readings of this one stay.
CREATE TABLE judged_with (
    verdict_id INTEGER NOT NULL REFERENCES verdicts(verdict_id),
    node       INTEGER NOT NULL REFERENCES nodes(node_id),
    low_s      REAL NOT NULL,
    high_s     REAL NOT NULL,
    offset_K   REAL NOT NULL,
    PRIMARY KEY (verdict_id, node, low_s)
) STRICT, WITHOUT ROWID;
CREATE TRIGGER judged_with_never_changes BEFORE UPDATE ON judged_with
BEGIN SELECT RAISE(ABORT, 'what a verdict was given on is never changed'); END;
CREATE TRIGGER judged_with_never_goes BEFORE DELETE ON judged_with
BEGIN SELECT RAISE(ABORT, 'what a verdict was given on is never deleted'); END;

-- Raw and corrected side by side, for each verdict.
CREATE VIEW readings AS
SELECT verdict_id, run_id, name AS node, boot, seq, samples.at_s AS at_s, water_C AS raw_C,
       water_C + offset_K AS corrected_C
FROM judged_with
JOIN verdicts USING (verdict_id)
JOIN samples ON samples.node = judged_with.node AND samples.at_s BETWEEN low_s AND high_s
JOIN nodes ON nodes.node_id = judged_with.node;

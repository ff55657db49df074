-- What people wrote down, beside the record and never in it. Rows are only ever added: a wrong one is corrected by a
-- later one that names it, and both stay.

-- Of a logger, or of one of its channels: from when until when, of what kind, in whose words.
CREATE TABLE remark_row (
    id INTEGER PRIMARY KEY,
    logger INTEGER NOT NULL,
    channel INTEGER,             -- null: the whole logger
    from_at INTEGER NOT NULL,
    to_at INTEGER,               -- null: open; the same as from_at: an instant
    kind TEXT NOT NULL,          -- visit, maintenance, sensor-changed, suspect, expected-quiet, other
    text TEXT NOT NULL,
    by_whom TEXT NOT NULL, written_at INTEGER NOT NULL,
    corrects INTEGER             -- remark_row.id
);

-- What somebody measured by hand.
CREATE TABLE manual_row (
    id INTEGER PRIMARY KEY,
    logger INTEGER NOT NULL, channel INTEGER NOT NULL,
    at INTEGER NOT NULL,
    value TEXT NOT NULL,         -- a decimal as it was written down, never rounded
    unit TEXT NOT NULL,          -- UCUM
    instrument TEXT NOT NULL,
    by_whom TEXT NOT NULL, written_at INTEGER NOT NULL,
    file TEXT, line INTEGER,     -- where it came from a file
    corrects INTEGER             -- manual_row.id
);
CREATE INDEX manual_row_by_time ON manual_row (logger, at);

-- Which sequences were missing within a write-off when it was written. What of them is held now has turned up since.
CREATE TABLE write_off_part (
    write_off INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (write_off, first)
) WITHOUT ROWID;

-- Public.
CREATE VIEW remark AS
SELECT id, logger, channel, from_at, to_at, kind, text, by_whom, written_at, corrects,
    (SELECT min(id) FROM remark_row c WHERE c.corrects = r.id) AS corrected_by
FROM remark_row r;

CREATE VIEW manual_reading AS
SELECT id, logger, channel, at, value, unit, instrument, by_whom, written_at, file, line, corrects,
    (SELECT min(id) FROM manual_row c WHERE c.corrects = m.id) AS corrected_by
FROM manual_row m;

-- What was declared unrecoverable. A record that is held all the same counts as held. last null: the rest of the
-- epoch. `records`: how many were missing in it when it was written; of a rest nobody can tell.
CREATE VIEW written_off AS
SELECT id, logger, epoch, first, last, by_whom, reason, written_at,
    (SELECT sum(p.last - p.first + 1) FROM write_off_part p WHERE p.write_off = w.id) AS records
FROM write_off w;

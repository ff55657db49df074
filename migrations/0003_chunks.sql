-- Digests, so that damage is noticed and copies can be compared without reading every row.
-- docs/ledger.md says what goes into each.

-- Settled records by blocks of 256 sequences of one epoch. `content` is over identities and plaintexts of
-- authentic records, so it is the same in every complete copy; `guard` is over every stored column.
CREATE TABLE chunk (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, block INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,          -- sequences that are in it
    records INTEGER NOT NULL,                               -- authentic ones
    time_min INTEGER NOT NULL, time_max INTEGER NOT NULL,   -- of its readings and rows, logger's clock
    content BLOB NOT NULL, guard BLOB NOT NULL,
    settled_row INTEGER NOT NULL,                           -- the last journal row that was settled into it
    settled_day INTEGER NOT NULL,                           -- and the gateway's day of it, counted from 1970
    retired_at INTEGER,                                     -- its rows were given up to a verified backup
    PRIMARY KEY (logger, epoch, block)
) WITHOUT ROWID;

-- Of every table but the readings': the sum of its rows' digests.
CREATE TABLE table_guard (
    name TEXT PRIMARY KEY,
    sum BLOB NOT NULL
) WITHOUT ROWID;

-- Copies that were made and verified.
CREATE TABLE backup_made (
    id INTEGER PRIMARY KEY,
    file TEXT NOT NULL, size_bytes INTEGER NOT NULL, sha256 TEXT NOT NULL,
    made_at INTEGER NOT NULL,
    settled_through INTEGER NOT NULL                        -- journal rows up to here were settled in it
);

-- The ledger's size day by day, for its growth.
CREATE TABLE size_day (
    day INTEGER PRIMARY KEY,
    bytes INTEGER NOT NULL
);

-- 0: digests of what is settled already are still to be worked out (by the program, at its next start).
INSERT INTO meta VALUES ('digests_made', 0);

-- Public: where to look for a time, and what a copy is compared by.
CREATE VIEW settled_chunk AS
SELECT logger, epoch, first, last, records, time_min, time_max, lower(hex(content)) AS content_digest, retired_at
FROM chunk;

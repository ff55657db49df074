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

-- The same view as before, with the order of its joins fixed: rows outside, channels inside.
DROP VIEW raw_value;
CREATE VIEW raw_value AS
SELECT settled.logger, settled.epoch, settled.sequence, settled.time, settled.time + settled.lag AS received_at,
    CASE WHEN settled.rank > 0 THEN 'csv' WHEN settled.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    ch.channel,
    CASE ch.channel WHEN 0 THEN settled.c0 WHEN 1 THEN settled.c1 WHEN 2 THEN settled.c2 WHEN 3 THEN
    settled.c3 WHEN 4 THEN settled.c4 WHEN 5 THEN settled.c5 WHEN 6 THEN settled.c6 WHEN 7 THEN settled.c7
    WHEN 8 THEN settled.c8 WHEN 9 THEN settled.c9 WHEN 10 THEN settled.c10 WHEN 11 THEN settled.c11 WHEN 12
    THEN settled.c12 WHEN 13 THEN settled.c13 WHEN 14 THEN settled.c14 WHEN 15 THEN settled.c15 WHEN 16
    THEN settled.c16 WHEN 17 THEN settled.c17 WHEN 18 THEN settled.c18 WHEN 19 THEN settled.c19 WHEN 20
    THEN settled.c20 WHEN 21 THEN settled.c21 WHEN 22 THEN settled.c22 WHEN 23 THEN settled.c23 WHEN 24
    THEN settled.c24 WHEN 25 THEN settled.c25 WHEN 26 THEN settled.c26 WHEN 27 THEN settled.c27 WHEN 28
    THEN settled.c28 WHEN 29 THEN settled.c29 WHEN 30 THEN settled.c30 WHEN 31 THEN settled.c31 WHEN 32
    THEN settled.c32 WHEN 33 THEN settled.c33 WHEN 34 THEN settled.c34 WHEN 35 THEN settled.c35 WHEN 36
    THEN settled.c36 WHEN 37 THEN settled.c37 WHEN 38 THEN settled.c38 WHEN 39 THEN settled.c39 END AS counts,
    (settled.faults >> ch.channel) & 1 AS fault
FROM settled CROSS JOIN channel_number ch ON ch.channel < settled.n
WHERE (settled.rank = 0 OR NOT (
        EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = settled.logger AND s.epoch = settled.epoch
                AND s.sequence = settled.sequence AND s.rank = settled.rank)
        OR EXISTS (SELECT 1 FROM import i WHERE i.id = settled.import AND i.withdrawn_at IS NOT NULL)))
UNION ALL
SELECT journal.logger, journal.epoch, journal.sequence, journal.time, journal.time + journal.lag AS received_at,
    CASE WHEN journal.rank > 0 THEN 'csv' WHEN journal.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    ch.channel,
    CASE ch.channel WHEN 0 THEN journal.c0 WHEN 1 THEN journal.c1 WHEN 2 THEN journal.c2 WHEN 3 THEN
    journal.c3 WHEN 4 THEN journal.c4 WHEN 5 THEN journal.c5 WHEN 6 THEN journal.c6 WHEN 7 THEN journal.c7
    WHEN 8 THEN journal.c8 WHEN 9 THEN journal.c9 WHEN 10 THEN journal.c10 WHEN 11 THEN journal.c11 WHEN 12
    THEN journal.c12 WHEN 13 THEN journal.c13 WHEN 14 THEN journal.c14 WHEN 15 THEN journal.c15 WHEN 16
    THEN journal.c16 WHEN 17 THEN journal.c17 WHEN 18 THEN journal.c18 WHEN 19 THEN journal.c19 WHEN 20
    THEN journal.c20 WHEN 21 THEN journal.c21 WHEN 22 THEN journal.c22 WHEN 23 THEN journal.c23 WHEN 24
    THEN journal.c24 WHEN 25 THEN journal.c25 WHEN 26 THEN journal.c26 WHEN 27 THEN journal.c27 WHEN 28
    THEN journal.c28 WHEN 29 THEN journal.c29 WHEN 30 THEN journal.c30 WHEN 31 THEN journal.c31 WHEN 32
    THEN journal.c32 WHEN 33 THEN journal.c33 WHEN 34 THEN journal.c34 WHEN 35 THEN journal.c35 WHEN 36
    THEN journal.c36 WHEN 37 THEN journal.c37 WHEN 38 THEN journal.c38 WHEN 39 THEN journal.c39 END AS counts,
    (journal.faults >> ch.channel) & 1 AS fault
FROM journal CROSS JOIN channel_number ch ON ch.channel < journal.n
WHERE kind = 1 AND (journal.rank = 0 OR NOT (
        EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = journal.logger AND s.epoch = journal.epoch
                AND s.sequence = journal.sequence AND s.rank = journal.rank)
        OR EXISTS (SELECT 1 FROM import i WHERE i.id = journal.import AND i.withdrawn_at IS NOT NULL)));

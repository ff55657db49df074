-- What stays of readings that retention gave up to a backup. docs/ledger.md, "Retention".

-- All of a reading but its values: what coverage, gaps, completeness, write-offs, imports and keys rest on.
CREATE TABLE retired_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL, lag INTEGER, slot INTEGER, synchronised INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;
CREATE INDEX retired_by_hand ON retired_row (logger, epoch, sequence) WHERE rank = 0 AND lag IS NULL;

-- What was given up at one time of one block, as its digest had it. A record of the block that comes later is no part
-- of it: that has its own row in `chunk`.
CREATE TABLE retired_block (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, block INTEGER NOT NULL,
    backup INTEGER NOT NULL,                                -- backup_made.id: the newest that was made before
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    readings INTEGER NOT NULL,                              -- rows that were given up
    records INTEGER NOT NULL,                               -- authentic ones among them
    time_min INTEGER NOT NULL, time_max INTEGER NOT NULL,
    content BLOB NOT NULL,
    settled_row INTEGER NOT NULL,                           -- backups that reach so far hold them
    retired_at INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, block, backup)
) WITHOUT ROWID;

-- When a copy was last seen whole, by its digest, and under which name; null: not since it was made.
ALTER TABLE backup_made ADD COLUMN seen_at INTEGER;
ALTER TABLE backup_made ADD COLUMN seen_as TEXT;

-- Private: settled readings and what stays of those given up, without values.
CREATE VIEW settled_or_retired AS
SELECT logger, epoch, sequence, rank, time, lag, slot, synchronised, import, stored_at FROM settled
UNION ALL
SELECT logger, epoch, sequence, rank, time, lag, slot, synchronised, import, stored_at FROM retired_row;

-- Public, as before; what was given up has rows of its own.
DROP VIEW settled_chunk;
CREATE VIEW settled_chunk AS
SELECT logger, epoch, first, last, records, time_min, time_max, lower(hex(content)) AS content_digest,
    NULL AS retired_at
FROM chunk
UNION ALL
SELECT logger, epoch, first, last, records, time_min, time_max, lower(hex(content)), retired_at
FROM retired_block;

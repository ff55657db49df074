-- The ledger's schema. Tables are private to stonechat; the views at the end are for everybody.
-- docs/ledger.md says what each table is for and why it has this shape.

-- Small facts about the ledger itself.
CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value
) WITHOUT ROWID;

INSERT INTO meta VALUES
    ('coverage_generation', 0),
    ('notices_dropped', 0),
    ('opaque_read_by', 0),
    ('restored_at', 0),
    ('settled_day', 0),
    ('settled_through', 0),
    ('unopened_generation', 0);

-- Everything that comes in, in the order in which it came: appended without any index, so that a commit
-- touches the last page and no other; settled once a day.
-- kind 1 reading, 2 profile, 3 event, 4 opaque, 5 memory statement (2 to 5 have their content in tables of their own);
-- kind 0 counts: logger 0 is a radio's window from `time` for `lag` seconds, with outcomes in c0 to c7 (noise,
-- skipped, foreign, unopened, duplicate, conflict, opaque, stored), c8 noise bytes, c9 bytes in; another
-- logger has its own outcomes in c0 to c7 (c2 > 0: an address off the roster; 65535 stands for further ones).
CREATE TABLE journal (
    row INTEGER PRIMARY KEY,
    kind INTEGER NOT NULL,
    logger INTEGER NOT NULL,
    epoch INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    rank INTEGER NOT NULL,       -- 0 authentic; CSV rows 1 and up, in the order in which they came
    time INTEGER NOT NULL,       -- seconds since 1970 on the logger's clock
    lag INTEGER,                 -- received_at - time, s; null: not by radio
    battery_mv INTEGER,
    board_centi_c INTEGER,       -- null: not measured
    n INTEGER,                   -- channels
    faults INTEGER,              -- bit i: c<i> is a fault code
    slot INTEGER,                -- key slot that sealed it
    radio INTEGER,               -- radio.id
    synchronised INTEGER,        -- whether the gateway's clock was, at reception
    rssi_dbm INTEGER,
    snr_quarter_db INTEGER,
    import INTEGER,              -- import.id
    matched INTEGER,             -- 1: a row without sequence number, matched by time
    resolution INTEGER,          -- resolution.id: rounded by the file it came from
    stored_at INTEGER,           -- Unix s; null: within a commit of its reception (or of its import)
    c0 INTEGER, c1 INTEGER, c2 INTEGER, c3 INTEGER, c4 INTEGER, c5 INTEGER, c6 INTEGER, c7 INTEGER, c8 INTEGER, c9 INTEGER,
    c10 INTEGER, c11 INTEGER, c12 INTEGER, c13 INTEGER, c14 INTEGER, c15 INTEGER, c16 INTEGER, c17 INTEGER, c18 INTEGER, c19 INTEGER,
    c20 INTEGER, c21 INTEGER, c22 INTEGER, c23 INTEGER, c24 INTEGER, c25 INTEGER, c26 INTEGER, c27 INTEGER, c28 INTEGER, c29 INTEGER,
    c30 INTEGER, c31 INTEGER, c32 INTEGER, c33 INTEGER, c34 INTEGER, c35 INTEGER, c36 INTEGER, c37 INTEGER, c38 INTEGER, c39 INTEGER
);

-- Readings at rest, clustered as they are read.
CREATE TABLE settled (
    logger INTEGER NOT NULL,
    epoch INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    rank INTEGER NOT NULL,
    time INTEGER NOT NULL,
    lag INTEGER,
    battery_mv INTEGER,
    board_centi_c INTEGER,
    n INTEGER NOT NULL,
    faults INTEGER NOT NULL,
    slot INTEGER,
    radio INTEGER,
    synchronised INTEGER,
    rssi_dbm INTEGER,
    snr_quarter_db INTEGER,
    import INTEGER,
    matched INTEGER,
    resolution INTEGER,
    stored_at INTEGER,
    c0 INTEGER, c1 INTEGER, c2 INTEGER, c3 INTEGER, c4 INTEGER, c5 INTEGER, c6 INTEGER, c7 INTEGER, c8 INTEGER, c9 INTEGER,
    c10 INTEGER, c11 INTEGER, c12 INTEGER, c13 INTEGER, c14 INTEGER, c15 INTEGER, c16 INTEGER, c17 INTEGER, c18 INTEGER, c19 INTEGER,
    c20 INTEGER, c21 INTEGER, c22 INTEGER, c23 INTEGER, c24 INTEGER, c25 INTEGER, c26 INTEGER, c27 INTEGER, c28 INTEGER, c29 INTEGER,
    c30 INTEGER, c31 INTEGER, c32 INTEGER, c33 INTEGER, c34 INTEGER, c35 INTEGER, c36 INTEGER, c37 INTEGER, c38 INTEGER, c39 INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;

-- Which authentic records came by hand, so that reports find them without reading the years.
CREATE INDEX settled_by_hand ON settled (logger, epoch, sequence) WHERE rank = 0 AND lag IS NULL;

-- The rare records, each in a form that encodes to the very plaintext.
CREATE TABLE profile_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL,
    unit TEXT NOT NULL,          -- decimal, 64 bits unsigned
    interval_s INTEGER NOT NULL, capacity INTEGER NOT NULL, oldest INTEGER NOT NULL,
    previous_epoch INTEGER NOT NULL, previous_last INTEGER NOT NULL,
    raw_units TEXT NOT NULL,     -- names, one a channel, separated by spaces
    firmware TEXT NOT NULL,
    received_at INTEGER, slot INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER,
    snr_quarter_db INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;

CREATE INDEX profile_by_hand ON profile_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;

CREATE TABLE event_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL, code INTEGER NOT NULL, value INTEGER NOT NULL,
    received_at INTEGER, slot INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER,
    snr_quarter_db INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;

CREATE INDEX event_by_hand ON event_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;

CREATE TABLE statement_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL,
    entries TEXT NOT NULL,       -- JSON: [epoch, first, last] for each epoch in memory, the newest first
    received_at INTEGER, slot INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER,
    snr_quarter_db INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;

CREATE INDEX statement_by_hand ON statement_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;

CREATE TABLE opaque_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    plaintext BLOB NOT NULL,
    received_at INTEGER, slot INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER,
    snr_quarter_db INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;

CREATE INDEX opaque_by_hand ON opaque_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;

-- Coverage: the held sequences of what is settled. basis 0: authentic; 1: CSV rows.
CREATE TABLE held_range (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, basis INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, basis, first)
) WITHOUT ROWID;

-- Ends of epochs that held profiles and memory statements give.
CREATE TABLE named_epoch (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, last INTEGER NOT NULL, by_epoch INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch)
) WITHOUT ROWID;

-- CSV rows that an authentic record of their identity has replaced in the views. The rows stay.
CREATE TABLE stepped_back (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;

-- Authentic records and CSV rows that disagree with what is held: each distinct one once, for good.
CREATE TABLE conflict (
    id INTEGER PRIMARY KEY,
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL,
    source TEXT NOT NULL,        -- radio, sealed-dump or csv
    content BLOB NOT NULL,       -- plaintext; of a CSV row its fields as JSON text
    seen INTEGER NOT NULL,       -- how often it came
    first_at INTEGER NOT NULL, last_at INTEGER NOT NULL,
    radio INTEGER, slot INTEGER, import INTEGER,
    UNIQUE (logger, epoch, sequence, content)
);

-- Frames that no key opens. store 0: no key yet; 1: the tag fails under a key that has proved itself. They have shares by
-- logger and by whether their slot has a key, and give way by stretches of time: src/record/waiting.rs.
CREATE TABLE unopened (
    id INTEGER PRIMARY KEY,
    store INTEGER NOT NULL,
    reason TEXT NOT NULL,
    logger INTEGER NOT NULL, slot INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL,
    frame BLOB NOT NULL,         -- the air frame
    received_at INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER, snr_quarter_db INTEGER,
    import INTEGER,
    class INTEGER NOT NULL DEFAULT 0, -- 0: its slot has a key; 1: it has none
    stretch INTEGER NOT NULL DEFAULT 0, -- the hour in which it came, or the import: by them frames give way
    digest INTEGER               -- the first 8 bytes of the frame's SHA-256: by it a frame is found again
);

CREATE INDEX unopened_share ON unopened (store, logger, class, stretch);

CREATE INDEX unopened_digest ON unopened (digest);

-- Key slots that have opened a logger's frames.
CREATE TABLE slot_use (
    logger INTEGER NOT NULL, slot INTEGER NOT NULL, first_at INTEGER NOT NULL,
    PRIMARY KEY (logger, slot)
) WITHOUT ROWID;

-- The gateway's epochs of sending. An epoch is stored before the first frame of it is sent.
CREATE TABLE sending_epoch (
    epoch INTEGER PRIMARY KEY,
    from_at INTEGER NOT NULL,
    ended_at INTEGER             -- when it ended in order: all that was sent in it is in `asked`
);

-- Requests to loggers to send again, by the gateway's epoch and sequence.
CREATE TABLE asked (
    epoch INTEGER NOT NULL, sequence INTEGER NOT NULL,
    at INTEGER NOT NULL,
    radio INTEGER NOT NULL, logger INTEGER NOT NULL, slot INTEGER NOT NULL,
    spans TEXT NOT NULL,         -- JSON: [epoch, first, count] of the logger's records
    records INTEGER NOT NULL,    -- how many were asked for
    airtime_ms INTEGER NOT NULL, -- how long the gateway was sending
    answer_ms INTEGER NOT NULL,  -- how long the whole answer takes at most
    closed_at INTEGER,           -- null: open
    came INTEGER,                -- how many of the records came by then
    PRIMARY KEY (epoch, sequence)
) WITHOUT ROWID;

CREATE INDEX asked_at ON asked (at);

-- Radios by number: each name is kept once.
CREATE TABLE radio (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);

-- Frames by outcome, settled: a radio and day, a logger and day (days of UTC since 1970). `quarters` counts the records
-- among them (stored and opaque) by quarter of an hour, so that a report can count from any site's midnight.
CREATE TABLE radio_day (
    radio INTEGER NOT NULL, day INTEGER NOT NULL,
    noise INTEGER NOT NULL, skipped INTEGER NOT NULL, "foreign" INTEGER NOT NULL, unopened INTEGER NOT NULL,
    duplicate INTEGER NOT NULL, conflict INTEGER NOT NULL, opaque INTEGER NOT NULL, stored INTEGER NOT NULL,
    noise_bytes INTEGER NOT NULL, bytes INTEGER NOT NULL,
    PRIMARY KEY (radio, day)
) WITHOUT ROWID;

CREATE TABLE logger_day (
    logger INTEGER NOT NULL, day INTEGER NOT NULL,
    unopened INTEGER NOT NULL, duplicate INTEGER NOT NULL, conflict INTEGER NOT NULL,
    opaque INTEGER NOT NULL, stored INTEGER NOT NULL,
    quarters BLOB NOT NULL DEFAULT x'',                     -- src/ledger/db/quarters.rs
    PRIMARY KEY (logger, day)
) WITHOUT ROWID;

-- Addresses off the roster, the first 1,024 of them; 65535 stands for all further ones.
CREATE TABLE foreign_address (
    address INTEGER PRIMARY KEY,
    frames INTEGER NOT NULL, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL
);

-- What was last stored by radio of each logger, settled.
CREATE TABLE last_heard (
    logger INTEGER PRIMARY KEY,
    received_at INTEGER NOT NULL, battery_mv INTEGER, rssi_dbm INTEGER, snr_quarter_db INTEGER
);

-- Hand downloads.
CREATE TABLE import (
    id INTEGER PRIMARY KEY,
    file TEXT NOT NULL, size_bytes INTEGER NOT NULL, sha256 TEXT NOT NULL,
    kind TEXT NOT NULL,          -- sealed-dump or csv
    imported_at INTEGER NOT NULL, by_whom TEXT NOT NULL,
    outcomes TEXT NOT NULL,      -- JSON: outcome -> count
    withdrawn_at INTEGER, withdrawn_by TEXT, withdrawn_reason TEXT
);

-- How far a file rounded what it shows.
CREATE TABLE resolution (
    id INTEGER PRIMARY KEY,
    steps TEXT NOT NULL          -- JSON: field or channel -> step
);

-- Gaps declared unrecoverable. last null: the rest of the epoch.
CREATE TABLE write_off (
    id INTEGER PRIMARY KEY,
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER,
    by_whom TEXT NOT NULL, reason TEXT NOT NULL, written_at INTEGER NOT NULL
);

-- What a person must know of, from when until when.
CREATE TABLE notice (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL, subject TEXT NOT NULL, text TEXT NOT NULL,
    raised_at INTEGER NOT NULL, cleared_at INTEGER,
    returned INTEGER NOT NULL DEFAULT 0 -- how often it came back within an hour of being cleared
);

-- Raising and clearing a notice look for its subject: twice a change, on a radio that comes and goes.
CREATE INDEX notice_by_subject ON notice (kind, subject);

-- 0 to 39, for the view of single values.
CREATE TABLE channel_number (channel INTEGER PRIMARY KEY);

INSERT INTO channel_number
    WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 39) SELECT i FROM n;

-- One row each time a text differs from the newest one of its file. Rows are only ever added.
CREATE TABLE configuration_version (
    id INTEGER PRIMARY KEY,
    digest TEXT NOT NULL,        -- SHA-256 of the content, in hex
    file TEXT NOT NULL,          -- site.toml or loggers.toml, whatever the files are called
    content TEXT NOT NULL,       -- the file as it was read, comments and all
    in_force_from INTEGER NOT NULL  -- Unix s on the gateway's clock: when the daemon took it in force
);

-- Settled records by blocks of 256 sequences of one epoch. `content` is over identities and plaintexts of
-- authentic records, so it is the same in every complete copy; `guard` is over every stored column.
CREATE TABLE block (
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
    settled_through INTEGER NOT NULL,                       -- journal rows up to here were settled in it
    seen_at INTEGER,                                        -- when it was last seen whole; null: not since it was made
    seen_as TEXT                                            -- under which name then
);

-- The ledger's size day by day, for its growth.
CREATE TABLE size_day (
    day INTEGER PRIMARY KEY,
    bytes INTEGER NOT NULL
);

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

-- Ledgers that were damaged and set aside, and what of the record is in them and not here. Written when a new ledger
-- takes over; docs/ledger.md, section 9.
CREATE TABLE aside_ledger (
    id INTEGER PRIMARY KEY,
    file TEXT NOT NULL,          -- the name beside the ledger under which it is kept
    set_aside_at INTEGER NOT NULL,
    reason TEXT NOT NULL,
    known_as_of INTEGER,         -- up to when it is known what it held; null: nothing was known of it
    salvaged_at INTEGER          -- when what could be read of it was brought over; what was not is missing since
);

-- Sequences that were held when a ledger was set aside. They count as held; a record of them that comes again is
-- stored, since its content is not here. basis as in held_range.
CREATE TABLE elsewhere (
    ledger INTEGER NOT NULL,     -- aside_ledger.id
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, basis INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (ledger, logger, epoch, basis, first)
) WITHOUT ROWID;

CREATE INDEX elsewhere_by_place ON elsewhere (logger, epoch, first);

-- Records that a ledger held of which nothing can be read any more: its file is gone, or no SQLite opens it. They
-- exist, so they are missing wherever no other record of their identity is held. Ranges
-- are only joined, never taken away.
CREATE TABLE once_held (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, first)
) WITHOUT ROWID;

-- All of a reading but its values: what coverage, gaps, completeness, write-offs, imports and keys rest on.
CREATE TABLE retired_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL, lag INTEGER, slot INTEGER, synchronised INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;

CREATE INDEX retired_by_hand ON retired_row (logger, epoch, sequence) WHERE rank = 0 AND lag IS NULL;

-- What was given up at one time of one block, as its digest had it. A record of the block that comes later is no part
-- of it: that has its own row in `block`.
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

-- Keys that have opened a frame, by their check values (docs/wire-format.md, section 6). A key counts as proven by what it
-- has opened itself, never by what another key of its slot has. Rows are only added.
CREATE TABLE proven_key (
    logger INTEGER NOT NULL, slot INTEGER NOT NULL,
    check_value TEXT NOT NULL,   -- 32 hexadecimal digits, small
    first_at INTEGER NOT NULL,   -- when it first opened a frame, gateway's clock
    PRIMARY KEY (logger, slot, check_value)
) WITHOUT ROWID;

-- When each radio was listening.
CREATE TABLE listening (
    radio INTEGER NOT NULL, synchronised INTEGER NOT NULL, since INTEGER NOT NULL, until INTEGER NOT NULL,
    PRIMARY KEY (radio, synchronised, since)
) WITHOUT ROWID;

-- Numbers (`ledger_id` of `meta`) of other ledgers that are of this site: those that this one took over from, and copies
-- whose keys or records showed it. Carried by backups, restores and take-overs; rows are only ever added.
CREATE TABLE same_site (
    ledger_id INTEGER PRIMARY KEY,
    noted_at INTEGER NOT NULL,
    how TEXT NOT NULL            -- set-aside, copy, salvage, restore
);

-- Frames that waited for a key, or would have, and found no room: by logger, from when to when (gateway's clock).
CREATE TABLE unopened_dropped (
    logger INTEGER PRIMARY KEY,
    frames INTEGER NOT NULL, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL
);

-- ---------------------------------------------------------------------------------------------------------
-- Views: the public schema, plain SQL for any client of SQLite 3.40 or newer. `settled_or_retired` alone is private.
-- Where several rows share an identity, the one with the lowest rank shows, withdrawn imports left out.

-- The rare records, one row each.
CREATE VIEW profile AS
SELECT profile_row.logger, profile_row.epoch, profile_row.sequence, time, unit, interval_s, capacity, oldest, previous_epoch, previous_last,
    raw_units, firmware, profile_row.received_at,
    CASE WHEN profile_row.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    profile_row.slot, (SELECT name FROM radio r WHERE r.id = profile_row.radio) AS radio,
    profile_row.synchronised AS clock_synchronised, profile_row.rssi_dbm, profile_row.snr_quarter_db / 4.0 AS snr_db,
    coalesce(profile_row.stored_at, profile_row.received_at, (SELECT imported_at FROM import i WHERE i.id = profile_row.import))
        AS stored_at,
    profile_row.import
FROM profile_row;

CREATE VIEW event AS
SELECT event_row.logger, event_row.epoch, event_row.sequence, time, code,
    CASE code WHEN 1 THEN 'powered up' WHEN 2 THEN 'clock set' WHEN 3 THEN 'memory cleared'
        WHEN 4 THEN 'enclosure opened' WHEN 5 THEN 'enclosure closed' END AS name, value, event_row.received_at,
    CASE WHEN event_row.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    event_row.slot, (SELECT name FROM radio r WHERE r.id = event_row.radio) AS radio,
    event_row.synchronised AS clock_synchronised, event_row.rssi_dbm, event_row.snr_quarter_db / 4.0 AS snr_db,
    coalesce(event_row.stored_at, event_row.received_at, (SELECT imported_at FROM import i WHERE i.id = event_row.import))
        AS stored_at,
    event_row.import
FROM event_row;

-- What loggers said that their memories hold: one row an epoch. first = last + 1: nothing of it is left.
CREATE VIEW memory_statement AS
SELECT statement_row.logger, statement_row.epoch, statement_row.sequence, time,
    CAST(json_extract(entries, e.fullkey || '[0]') AS INTEGER) AS of_epoch,
    CAST(json_extract(entries, e.fullkey || '[1]') AS INTEGER) AS first, CAST(json_extract(entries, e.fullkey || '[2]') AS INTEGER) AS last,
    statement_row.received_at,
    CASE WHEN statement_row.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    statement_row.slot, (SELECT name FROM radio r WHERE r.id = statement_row.radio) AS radio,
    statement_row.synchronised AS clock_synchronised, statement_row.rssi_dbm, statement_row.snr_quarter_db / 4.0 AS snr_db,
    coalesce(statement_row.stored_at, statement_row.received_at,
        (SELECT imported_at FROM import i WHERE i.id = statement_row.import)) AS stored_at,
    statement_row.import
FROM statement_row JOIN json_each(CASE WHEN json_valid(entries) THEN entries ELSE '[]' END) e;

-- Requests to loggers to send again, and what came of them.
CREATE VIEW ask AS
SELECT epoch AS gateway_epoch, sequence AS gateway_sequence, at, (SELECT name FROM radio r WHERE r.id = asked.radio) AS radio,
    logger, slot, spans, records, airtime_ms, closed_at, came
FROM asked;

-- Private: the ends of other epochs that held records give.
CREATE VIEW named_end AS
SELECT logger, previous_epoch AS epoch, previous_last AS last, epoch AS by_epoch, received_at, import, stored_at
FROM profile_row WHERE previous_epoch > 0 AND rank = 0
UNION ALL
SELECT logger, of_epoch, last, epoch, received_at, import, stored_at FROM memory_statement WHERE of_epoch <> epoch;

CREATE VIEW opaque_record AS
SELECT opaque_row.logger, opaque_row.epoch, opaque_row.sequence, hex(plaintext) AS plaintext_hex, opaque_row.received_at,
    CASE WHEN opaque_row.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    opaque_row.slot, (SELECT name FROM radio r WHERE r.id = opaque_row.radio) AS radio,
    opaque_row.synchronised AS clock_synchronised, opaque_row.rssi_dbm, opaque_row.snr_quarter_db / 4.0 AS snr_db,
    coalesce(opaque_row.stored_at, opaque_row.received_at, (SELECT imported_at FROM import i WHERE i.id = opaque_row.import))
        AS stored_at,
    opaque_row.import
FROM opaque_row
-- A record that a later version has learnt to read stands among its kind.
WHERE NOT EXISTS (SELECT 1 FROM profile_row p WHERE p.logger = opaque_row.logger
        AND p.epoch = opaque_row.epoch AND p.sequence = opaque_row.sequence AND p.rank = 0)
  AND NOT EXISTS (SELECT 1 FROM event_row e WHERE e.logger = opaque_row.logger
        AND e.epoch = opaque_row.epoch AND e.sequence = opaque_row.sequence AND e.rank = 0)
  AND NOT EXISTS (SELECT 1 FROM statement_row m WHERE m.logger = opaque_row.logger
        AND m.epoch = opaque_row.epoch AND m.sequence = opaque_row.sequence AND m.rank = 0)
  AND NOT EXISTS (SELECT 1 FROM settled s WHERE s.logger = opaque_row.logger
        AND s.epoch = opaque_row.epoch AND s.sequence = opaque_row.sequence AND s.rank = 0);

-- Files of hand downloads.
CREATE VIEW import_file AS
SELECT id, file, size_bytes, sha256, kind, imported_at, by_whom, outcomes, withdrawn_at, withdrawn_by,
    withdrawn_reason
FROM import;

-- The same for everybody, with the end of each version; null: in force until now.
CREATE VIEW configuration AS
SELECT id, file, digest, in_force_from,
    lead(in_force_from) OVER (PARTITION BY file ORDER BY id) AS in_force_until, content
FROM configuration_version;

-- One row a channel value of every reading.
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

-- Remarks, also those that were corrected.
CREATE VIEW remark AS
SELECT id, logger, channel, from_at, to_at, kind, text, by_whom, written_at, corrects,
    (SELECT min(id) FROM remark_row c WHERE c.corrects = r.id) AS corrected_by
FROM remark_row r;

-- Manual readings, also those that were corrected.
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

-- Ledgers that were set aside, and what of them is known.
CREATE VIEW ledger_set_aside AS
SELECT a.id, a.file, a.set_aside_at, a.reason, a.known_as_of, a.salvaged_at,
    (SELECT sum(e.last - e.first + 1) FROM elsewhere e WHERE e.ledger = a.id AND e.basis = 0) AS records
FROM aside_ledger a;

-- One row a reading.
CREATE VIEW reading AS
SELECT settled.logger, settled.epoch, settled.sequence, settled.time, settled.time + settled.lag AS received_at,
    CASE WHEN settled.rank > 0 THEN 'csv' WHEN settled.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    settled.battery_mv, settled.board_centi_c / 100.0 AS board_c, settled.n AS channels, settled.faults,
    settled.slot, (SELECT name FROM radio r WHERE r.id = settled.radio) AS radio,
    settled.synchronised AS clock_synchronised, settled.rssi_dbm, settled.snr_quarter_db / 4.0 AS snr_db,
    coalesce(settled.stored_at, settled.time + settled.lag, (SELECT imported_at FROM import i WHERE i.id = settled.import))
        AS stored_at,
    settled.import, coalesce(settled.matched = 1, 0) AS matched_by_time,
    coalesce(settled.matched = 2, 0) AS unproven,
    (SELECT steps FROM resolution q WHERE q.id = settled.resolution) AS resolution,
    settled.c0, settled.c1, settled.c2, settled.c3, settled.c4, settled.c5, settled.c6, settled.c7,
    settled.c8, settled.c9, settled.c10, settled.c11, settled.c12, settled.c13, settled.c14, settled.c15,
    settled.c16, settled.c17, settled.c18, settled.c19, settled.c20, settled.c21, settled.c22, settled.c23,
    settled.c24, settled.c25, settled.c26, settled.c27, settled.c28, settled.c29, settled.c30, settled.c31,
    settled.c32, settled.c33, settled.c34, settled.c35, settled.c36, settled.c37, settled.c38, settled.c39
FROM settled
WHERE (settled.rank = 0 OR NOT (
        EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = settled.logger AND s.epoch = settled.epoch
                AND s.sequence = settled.sequence AND s.rank = settled.rank)
        OR EXISTS (SELECT 1 FROM import i WHERE i.id = settled.import AND i.withdrawn_at IS NOT NULL)))
UNION ALL
SELECT journal.logger, journal.epoch, journal.sequence, journal.time, journal.time + journal.lag AS received_at,
    CASE WHEN journal.rank > 0 THEN 'csv' WHEN journal.import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    journal.battery_mv, journal.board_centi_c / 100.0 AS board_c, journal.n AS channels, journal.faults,
    journal.slot, (SELECT name FROM radio r WHERE r.id = journal.radio) AS radio,
    journal.synchronised AS clock_synchronised, journal.rssi_dbm, journal.snr_quarter_db / 4.0 AS snr_db,
    coalesce(journal.stored_at, journal.time + journal.lag, (SELECT imported_at FROM import i WHERE i.id = journal.import))
        AS stored_at,
    journal.import, coalesce(journal.matched = 1, 0) AS matched_by_time,
    coalesce(journal.matched = 2, 0) AS unproven,
    (SELECT steps FROM resolution q WHERE q.id = journal.resolution) AS resolution,
    journal.c0, journal.c1, journal.c2, journal.c3, journal.c4, journal.c5, journal.c6, journal.c7,
    journal.c8, journal.c9, journal.c10, journal.c11, journal.c12, journal.c13, journal.c14, journal.c15,
    journal.c16, journal.c17, journal.c18, journal.c19, journal.c20, journal.c21, journal.c22, journal.c23,
    journal.c24, journal.c25, journal.c26, journal.c27, journal.c28, journal.c29, journal.c30, journal.c31,
    journal.c32, journal.c33, journal.c34, journal.c35, journal.c36, journal.c37, journal.c38, journal.c39
FROM journal
WHERE kind = 1 AND (journal.rank = 0 OR NOT (
        EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = journal.logger AND s.epoch = journal.epoch
                AND s.sequence = journal.sequence AND s.rank = journal.rank)
        OR EXISTS (SELECT 1 FROM import i WHERE i.id = journal.import AND i.withdrawn_at IS NOT NULL)));

-- What was kept beside the record.
CREATE VIEW set_aside AS
SELECT 'unopened' AS what, id, logger, epoch, sequence, slot, reason,
    CASE WHEN import IS NOT NULL THEN 'sealed-dump' ELSE 'radio' END AS source,
    received_at AS first_at, received_at AS last_at, 1 AS seen, hex(frame) AS content_hex, NULL AS content_json,
    import, NULL AS withdrawn_at
FROM unopened
UNION ALL
SELECT 'conflict', id, logger, epoch, sequence, slot, 'disagrees with the record held', source, first_at,
    last_at, seen, CASE WHEN source = 'csv' THEN NULL ELSE hex(content) END,
    CASE WHEN source = 'csv' THEN CAST(content AS TEXT) END, import,
    (SELECT i.withdrawn_at FROM import i WHERE i.id = conflict.import)
FROM conflict;

-- Private: settled readings and what stays of those given up, without values.
CREATE VIEW settled_or_retired AS
SELECT logger, epoch, sequence, rank, time, lag, slot, synchronised, import, stored_at FROM settled
UNION ALL
SELECT logger, epoch, sequence, rank, time, lag, slot, synchronised, import, stored_at FROM retired_row;

-- Where to look for a time, and what a copy is compared by.
CREATE VIEW settled_block AS
SELECT logger, epoch, first, last, records, time_min, time_max, lower(hex(content)) AS content_digest,
    NULL AS retired_at
FROM block
UNION ALL
SELECT logger, epoch, first, last, records, time_min, time_max, lower(hex(content)), retired_at
FROM retired_block;

-- What is missing now, as far as SQL can say: sequences from 1 up to the largest authentic one held (or to the
-- end that a held record gives). The roster's service dates are not known here: the command `gaps` takes them.
CREATE VIEW gap_now AS
WITH authentic(logger, epoch, first, last) AS (
    SELECT logger, epoch, first, last FROM held_range WHERE basis = 0
    UNION ALL
    SELECT logger, epoch, sequence, sequence FROM journal WHERE kind BETWEEN 1 AND 5 AND rank = 0
), filled(logger, epoch, first, last) AS (
    SELECT * FROM authentic
    UNION ALL
    SELECT logger, epoch, first, last FROM held_range WHERE basis = 1
    UNION ALL
    SELECT j.logger, j.epoch, j.sequence, j.sequence FROM journal j WHERE j.kind = 1 AND j.rank > 0
        AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = j.import AND i.withdrawn_at IS NOT NULL)
), due(logger, epoch, must) AS (
    SELECT logger, epoch, max(must) FROM (
        SELECT logger, epoch, max(last) AS must FROM authentic GROUP BY logger, epoch
        UNION ALL
        SELECT logger, epoch, max(last) FROM once_held GROUP BY logger, epoch
        UNION ALL
        SELECT logger, epoch, last FROM named_epoch WHERE last > 0)
    GROUP BY logger, epoch
), edge(logger, epoch, first, before) AS (
    SELECT logger, epoch, first, max(last) OVER (PARTITION BY logger, epoch ORDER BY first, last
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)
    FROM (SELECT * FROM filled UNION ALL SELECT logger, epoch, must + 1, must + 1 FROM due)
)
SELECT e.logger, e.epoch, coalesce(e.before, 0) + 1 AS first, e.first - 1 AS last,
    e.first - 1 - coalesce(e.before, 0) AS records
FROM edge e JOIN due d ON d.logger = e.logger AND d.epoch = e.epoch
WHERE e.first > coalesce(e.before, 0) + 1 AND e.first <= d.must + 1;

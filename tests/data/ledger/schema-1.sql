-- A small ledger of schema 1: settled readings and journal, profiles, an event, an opaque record, conflicts, unopened
-- frames, hand downloads, a write-off, notices. Frames went through a daemon; rows of hand downloads, the write-off, a notice
-- and the listening span were added by SQL. All in it is invented. Never edited once
-- schema 1 is released: later releases must bring it up to date
-- (tests/migrations.rs).
PRAGMA page_size = 1024;
PRAGMA application_id = 1937007464;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE aside_ledger (
    id INTEGER PRIMARY KEY,
    file TEXT NOT NULL,          -- the name beside the ledger under which it is kept
    set_aside_at INTEGER NOT NULL,
    reason TEXT NOT NULL,
    known_as_of INTEGER,         -- up to when it is known what it held; null: nothing was known of it
    salvaged_at INTEGER          -- when what could be read of it was brought over; what was not is missing since
);
CREATE TABLE backup_made (
    id INTEGER PRIMARY KEY,
    file TEXT NOT NULL, size_bytes INTEGER NOT NULL, sha256 TEXT NOT NULL,
    made_at INTEGER NOT NULL,
    settled_through INTEGER NOT NULL,                       -- journal rows up to here were settled in it
    seen_at INTEGER,                                        -- when it was last seen whole; null: not since it was made
    seen_as TEXT                                            -- under which name then
);
CREATE TABLE channel_number (channel INTEGER PRIMARY KEY);
INSERT INTO "channel_number" VALUES(0);
INSERT INTO "channel_number" VALUES(1);
INSERT INTO "channel_number" VALUES(2);
INSERT INTO "channel_number" VALUES(3);
INSERT INTO "channel_number" VALUES(4);
INSERT INTO "channel_number" VALUES(5);
INSERT INTO "channel_number" VALUES(6);
INSERT INTO "channel_number" VALUES(7);
INSERT INTO "channel_number" VALUES(8);
INSERT INTO "channel_number" VALUES(9);
INSERT INTO "channel_number" VALUES(10);
INSERT INTO "channel_number" VALUES(11);
INSERT INTO "channel_number" VALUES(12);
INSERT INTO "channel_number" VALUES(13);
INSERT INTO "channel_number" VALUES(14);
INSERT INTO "channel_number" VALUES(15);
INSERT INTO "channel_number" VALUES(16);
INSERT INTO "channel_number" VALUES(17);
INSERT INTO "channel_number" VALUES(18);
INSERT INTO "channel_number" VALUES(19);
INSERT INTO "channel_number" VALUES(20);
INSERT INTO "channel_number" VALUES(21);
INSERT INTO "channel_number" VALUES(22);
INSERT INTO "channel_number" VALUES(23);
INSERT INTO "channel_number" VALUES(24);
INSERT INTO "channel_number" VALUES(25);
INSERT INTO "channel_number" VALUES(26);
INSERT INTO "channel_number" VALUES(27);
INSERT INTO "channel_number" VALUES(28);
INSERT INTO "channel_number" VALUES(29);
INSERT INTO "channel_number" VALUES(30);
INSERT INTO "channel_number" VALUES(31);
INSERT INTO "channel_number" VALUES(32);
INSERT INTO "channel_number" VALUES(33);
INSERT INTO "channel_number" VALUES(34);
INSERT INTO "channel_number" VALUES(35);
INSERT INTO "channel_number" VALUES(36);
INSERT INTO "channel_number" VALUES(37);
INSERT INTO "channel_number" VALUES(38);
INSERT INTO "channel_number" VALUES(39);
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
INSERT INTO "block" VALUES(17,3,0,1,10,8,1777863600,1777888800,X'53F6FF2C15033B63A98C38420758E39B',X'1E465D3E67E0F47849A600D8066136DD',13,9223372036854775807,NULL);
INSERT INTO "block" VALUES(18,1,0,1,3,3,1777860000,1777863600,X'2AD772A2E770201214D1B915CD3E0044',X'21424C19ACCCD0D91853310B1EC4A6CE',13,9223372036854775807,NULL);
CREATE TABLE configuration_version (
    id INTEGER PRIMARY KEY,
    digest TEXT NOT NULL,        -- SHA-256 of the content, in hex
    file TEXT NOT NULL,          -- site.toml or loggers.toml, whatever the files are called
    content TEXT NOT NULL,       -- the file as it was read, comments and all
    in_force_from INTEGER NOT NULL  -- Unix s on the gateway's clock: when the daemon took it in force
);
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
INSERT INTO "conflict" VALUES(1,17,3,10,'radio',X'0300000001040000000000000000',1,1777906804,1777906804,1,0,NULL);
INSERT INTO "conflict" VALUES(2,17,3,5,'csv',X'7B2274696D65223A313737373837303830302C22636F756E7473223A5B37372C3435353734382C2D323133343538315D2C226661756C7473223A302C22626174746572795F6D76223A333539302C22626F6172645F63656E74695F63223A6E756C6C7D',1,1777890000,1777890000,NULL,NULL,NULL);
CREATE TABLE elsewhere (
    ledger INTEGER NOT NULL,     -- aside_ledger.id
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, basis INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (ledger, logger, epoch, basis, first)
) WITHOUT ROWID;
CREATE TABLE event_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL, code INTEGER NOT NULL, value INTEGER NOT NULL,
    received_at INTEGER, slot INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER,
    snr_quarter_db INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;
INSERT INTO "event_row" VALUES(17,3,2,0,1777852809,1,0,1777888804,0,1,1,-97,-13,NULL,NULL);
INSERT INTO "event_row" VALUES(17,3,9,0,1777885200,2,-17,1777888804,0,1,1,NULL,NULL,NULL,NULL);
INSERT INTO "event_row" VALUES(18,1,22,0,1777932800,4,0,1777906804,0,1,1,NULL,NULL,NULL,NULL);
CREATE TABLE foreign_address (
    address INTEGER PRIMARY KEY,
    frames INTEGER NOT NULL, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL
);
INSERT INTO "foreign_address" VALUES(40001,1,1777888804,1777888804);
CREATE TABLE held_range (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, basis INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, basis, first)
) WITHOUT ROWID;
INSERT INTO "held_range" VALUES(17,3,0,1,4);
INSERT INTO "held_range" VALUES(17,3,0,7,10);
INSERT INTO "held_range" VALUES(17,3,1,5,6);
INSERT INTO "held_range" VALUES(18,1,0,1,3);
CREATE TABLE import (
    id INTEGER PRIMARY KEY,
    file TEXT NOT NULL, size_bytes INTEGER NOT NULL, sha256 TEXT NOT NULL,
    kind TEXT NOT NULL,          -- sealed-dump or csv
    imported_at INTEGER NOT NULL, by_whom TEXT NOT NULL,
    outcomes TEXT NOT NULL,      -- JSON: outcome -> count
    withdrawn_at INTEGER, withdrawn_by TEXT, withdrawn_reason TEXT
);
INSERT INTO "import" VALUES(1,'p17.csv',512,'c1d0','csv',1777890000,'a technician','{"stored":2}',NULL,NULL,NULL);
INSERT INTO "import" VALUES(2,'p18.csv',99,'beef','csv',1777890100,'a technician','{"stored":1}',1777890200,'a technician','wrong logger');
INSERT INTO "import" VALUES(3,'p17.dump',77,'d00d','sealed-dump',1777890300,'a technician','{"stored":1}',NULL,NULL,NULL);
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
INSERT INTO "journal" VALUES(14,1,17,3,11,0,1777892400,14404,3589,-40,3,0,1,1,1,-97,-13,NULL,NULL,NULL,NULL,-1019875,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(15,1,17,3,12,0,1777896000,10804,3588,-40,3,4,1,1,1,-97,-13,NULL,NULL,NULL,NULL,-1019874,455748,11,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(16,1,17,3,13,0,1777899600,7204,3587,-40,3,0,1,1,1,-97,-13,NULL,NULL,NULL,1777999999,-1019873,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(17,1,17,3,15,0,1777906800,4,3585,NULL,3,0,1,1,1,-97,-13,NULL,NULL,NULL,NULL,-1019871,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(18,1,17,3,5,0,1777870800,36004,3595,NULL,3,0,0,1,1,NULL,NULL,NULL,NULL,NULL,NULL,-1019881,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(19,3,18,1,22,0,1777932800,-25996,NULL,NULL,NULL,NULL,0,1,1,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(20,0,0,0,0,0,1777888804,18000,NULL,NULL,NULL,NULL,NULL,1,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,1,2,1,1,NULL,6,NULL,606,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(21,0,17,0,0,0,1777906804,0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,1,1,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(22,0,18,0,0,0,1777906804,0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,2,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(23,0,40002,0,0,0,1777906804,0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,1,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(24,0,0,0,0,0,1777906804,0,NULL,NULL,NULL,NULL,NULL,1,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(25,1,18,1,4,1,1777867200,NULL,NULL,NULL,3,0,NULL,NULL,NULL,NULL,NULL,2,NULL,NULL,NULL,5,6,7,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(26,1,17,3,14,0,1777903200,NULL,3586,-40,3,0,1,NULL,NULL,NULL,NULL,3,NULL,NULL,NULL,-1019872,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "journal" VALUES(27,-1,0,14,0,0,6289454214828657959,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE last_heard (
    logger INTEGER PRIMARY KEY,
    received_at INTEGER NOT NULL, battery_mv INTEGER, rssi_dbm INTEGER, snr_quarter_db INTEGER
);
INSERT INTO "last_heard" VALUES(17,1777888804,3590,-97,-13);
INSERT INTO "last_heard" VALUES(18,1777888804,3597,NULL,NULL);
CREATE TABLE listening (
    radio INTEGER NOT NULL, synchronised INTEGER NOT NULL, since INTEGER NOT NULL, until INTEGER NOT NULL,
    PRIMARY KEY (radio, synchronised, since)
) WITHOUT ROWID;
INSERT INTO "listening" VALUES(1,1,1777852800,1777888800);
CREATE TABLE logger_day (
    logger INTEGER NOT NULL, day INTEGER NOT NULL,
    unopened INTEGER NOT NULL, duplicate INTEGER NOT NULL, conflict INTEGER NOT NULL,
    opaque INTEGER NOT NULL, stored INTEGER NOT NULL,
    quarters BLOB NOT NULL DEFAULT x'',                     -- src/ledger/db/quarters.rs
    PRIMARY KEY (logger, day)
) WITHOUT ROWID;
INSERT INTO "logger_day" VALUES(17,20577,0,0,0,1,7,X'0000000000000000000000000000000000000000000000000000000000000000000000000000000008');
INSERT INTO "logger_day" VALUES(18,20577,0,0,0,0,3,X'0000000000000000000000000000000000000000000000000000000000000000000000000000000003');
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
CREATE TABLE meta (
    key TEXT PRIMARY KEY,
    value
) WITHOUT ROWID;
INSERT INTO "meta" VALUES('coverage_generation',0);
INSERT INTO "meta" VALUES('ledger_id',6816617579258837526);
INSERT INTO "meta" VALUES('notices_dropped',0);
INSERT INTO "meta" VALUES('opaque_read_by',1);
INSERT INTO "meta" VALUES('restored_at',0);
INSERT INTO "meta" VALUES('settled_day',20577);
INSERT INTO "meta" VALUES('settled_through',13);
INSERT INTO "meta" VALUES('unopened_generation',0);
CREATE TABLE named_epoch (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, last INTEGER NOT NULL, by_epoch INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch)
) WITHOUT ROWID;
INSERT INTO "named_epoch" VALUES(17,2,8,3);
CREATE TABLE notice (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL, subject TEXT NOT NULL, text TEXT NOT NULL,
    raised_at INTEGER NOT NULL, cleared_at INTEGER,
    returned INTEGER NOT NULL DEFAULT 0 -- how often it came back within an hour of being cleared
);
INSERT INTO "notice" VALUES(1,'conflict','logger 17','a record came in that differs from the one held under its identity; see `stonechat set-aside list`',1777906804,NULL,0);
INSERT INTO "notice" VALUES(2,'radio','mast','no such device',1777860000,1777860600,0);
CREATE TABLE once_held (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, first)
) WITHOUT ROWID;
CREATE TABLE opaque_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    plaintext BLOB NOT NULL,
    received_at INTEGER, slot INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER,
    snr_quarter_db INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;
INSERT INTO "opaque_row" VALUES(17,3,7,0,X'7E010203',1777888804,0,1,1,NULL,NULL,NULL,NULL);
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
INSERT INTO "profile_row" VALUES(17,3,1,0,1777852800,'18446744073709551598',3600,4000,1,2,8,'milli_hertz milli_ohm nano_amp','ht-4.2',1777888804,0,1,1,NULL,NULL,NULL,NULL);
INSERT INTO "profile_row" VALUES(18,1,1,0,1777852800,'0',3600,4000,1,0,0,'milli_hertz milli_ohm nano_amp','ht-4.2',1777888804,0,1,1,NULL,NULL,NULL,NULL);
CREATE TABLE proven_key (
    logger INTEGER NOT NULL, slot INTEGER NOT NULL,
    check_value TEXT NOT NULL,   -- 32 hexadecimal digits, small
    first_at INTEGER NOT NULL,   -- when it first opened a frame, gateway's clock
    PRIMARY KEY (logger, slot, check_value)
) WITHOUT ROWID;
CREATE TABLE radio (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);
INSERT INTO "radio" VALUES(1,'mast');
CREATE TABLE radio_day (
    radio INTEGER NOT NULL, day INTEGER NOT NULL,
    noise INTEGER NOT NULL, skipped INTEGER NOT NULL, "foreign" INTEGER NOT NULL, unopened INTEGER NOT NULL,
    duplicate INTEGER NOT NULL, conflict INTEGER NOT NULL, opaque INTEGER NOT NULL, stored INTEGER NOT NULL,
    noise_bytes INTEGER NOT NULL, bytes INTEGER NOT NULL,
    PRIMARY KEY (radio, day)
) WITHOUT ROWID;
INSERT INTO "radio_day" VALUES(1,20577,1,0,1,0,0,0,1,10,23,709);
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
CREATE TABLE resolution (
    id INTEGER PRIMARY KEY,
    steps TEXT NOT NULL          -- JSON: field or channel -> step
);
INSERT INTO "resolution" VALUES(1,'{"c0": 10}');
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
CREATE TABLE retired_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL, lag INTEGER, slot INTEGER, synchronised INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;
CREATE TABLE same_site (
    ledger_id INTEGER PRIMARY KEY,
    noted_at INTEGER NOT NULL,
    how TEXT NOT NULL            -- set-aside, copy, salvage, restore
);
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
INSERT INTO "settled" VALUES(17,3,3,0,1777863600,25204,3597,-40,3,0,0,1,1,NULL,NULL,NULL,NULL,NULL,NULL,-1019883,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "settled" VALUES(17,3,4,0,1777867200,21604,3596,-40,3,4,0,1,1,-97,-13,NULL,NULL,NULL,NULL,-1019882,455748,11,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "settled" VALUES(17,3,5,1,1777870800,NULL,3590,NULL,3,0,NULL,NULL,NULL,NULL,NULL,1,NULL,NULL,NULL,77,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "settled" VALUES(17,3,6,1,1777874400,NULL,3590,NULL,3,0,NULL,NULL,NULL,NULL,NULL,1,1,1,NULL,-1019880,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "settled" VALUES(17,3,8,0,1777881600,7204,3592,-40,3,4,0,1,1,-97,-13,NULL,NULL,NULL,NULL,-1019878,455748,11,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "settled" VALUES(17,3,10,0,1777888800,4,3590,NULL,3,0,0,1,1,-97,-13,NULL,NULL,NULL,NULL,-1019876,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "settled" VALUES(18,1,2,0,1777860000,28804,3598,-40,3,0,0,1,1,NULL,NULL,NULL,NULL,NULL,NULL,-1019884,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
INSERT INTO "settled" VALUES(18,1,3,0,1777863600,25204,3597,-40,3,0,0,1,1,NULL,NULL,NULL,NULL,NULL,NULL,-1019883,455748,-2134581,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE size_day (
    day INTEGER PRIMARY KEY,
    bytes INTEGER NOT NULL
);
CREATE TABLE slot_use (
    logger INTEGER NOT NULL, slot INTEGER NOT NULL, first_at INTEGER NOT NULL,
    PRIMARY KEY (logger, slot)
) WITHOUT ROWID;
INSERT INTO "slot_use" VALUES(17,0,1777888804);
INSERT INTO "slot_use" VALUES(17,1,1777906804);
INSERT INTO "slot_use" VALUES(18,0,1777888804);
CREATE TABLE statement_row (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    time INTEGER NOT NULL,
    entries TEXT NOT NULL,       -- JSON: [epoch, first, last] for each epoch in memory, the newest first
    received_at INTEGER, slot INTEGER, radio INTEGER, synchronised INTEGER, rssi_dbm INTEGER,
    snr_quarter_db INTEGER, import INTEGER, stored_at INTEGER,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;
CREATE TABLE sending_epoch (
    epoch INTEGER PRIMARY KEY,
    from_at INTEGER NOT NULL,
    ended_at INTEGER             -- when it ended in order: all that was sent in it is in `asked`
);
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
CREATE TABLE stepped_back (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, rank INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, sequence, rank)
) WITHOUT ROWID;
INSERT INTO "stepped_back" VALUES(17,3,5,1);
CREATE TABLE table_guard (
    name TEXT PRIMARY KEY,
    sum BLOB NOT NULL
) WITHOUT ROWID;
INSERT INTO "table_guard" VALUES('aside_ledger',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('backup_made',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('channel_number',X'A7DCAFF5FEFE79C77B26FCDFAB58A91C');
INSERT INTO "table_guard" VALUES('block',X'D2CF2E5DE8E34F9870CFE30EFF38F7E0');
INSERT INTO "table_guard" VALUES('configuration_version',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('conflict',X'32FF589D0C3471A61F0D225C6B32DA1A');
INSERT INTO "table_guard" VALUES('elsewhere',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('event_row',X'2B89D86560C2BD7563A33EDAF3DA3D0B');
INSERT INTO "table_guard" VALUES('foreign_address',X'91DFD5D883831673A52E5A155D5FC792');
INSERT INTO "table_guard" VALUES('held_range',X'4ACC9B36E0AE8357E3D4A6B07BA64EEF');
INSERT INTO "table_guard" VALUES('import',X'0C908665F72CAAC23D23C725DD3B1C86');
INSERT INTO "table_guard" VALUES('last_heard',X'B390C6E87D5C32952AF8CD7015B3384B');
INSERT INTO "table_guard" VALUES('listening',X'68B0061FEDD3EF8A8E2A3A9F3D4B38BF');
INSERT INTO "table_guard" VALUES('logger_day',X'F164DF9FC5600BD0BEA2AE450F21700D');
INSERT INTO "table_guard" VALUES('manual_row',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('meta',X'95C8A439C103501DE971CE5F1D14F535');
INSERT INTO "table_guard" VALUES('named_epoch',X'F78AC2D1BE6CC07663C317C5C3E74B9C');
INSERT INTO "table_guard" VALUES('notice',X'BD748D84EF528CF9EE3FF5C0EEE7A75C');
INSERT INTO "table_guard" VALUES('once_held',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('opaque_row',X'E3889D15D5C5C5A6B3E00D56126B60A0');
INSERT INTO "table_guard" VALUES('profile_row',X'8EF74D1B6FD0694A0394D371CD51B8AB');
INSERT INTO "table_guard" VALUES('proven_key',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('radio',X'009252312CAB2AEDD50E6DA38DE937A7');
INSERT INTO "table_guard" VALUES('radio_day',X'4A0A23793979FF8D398777612E7ACE0A');
INSERT INTO "table_guard" VALUES('remark_row',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('resolution',X'E4108A363330439A0CBF079DBDB6D095');
INSERT INTO "table_guard" VALUES('retired_block',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('retired_row',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('same_site',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('size_day',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('slot_use',X'C49C74BCC3BD446D36FAD0AFB488117F');
INSERT INTO "table_guard" VALUES('statement_row',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('sending_epoch',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('asked',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('stepped_back',X'D84EA57C52D8DD502E45C3D1B2B97D0F');
INSERT INTO "table_guard" VALUES('unopened',X'A199EA08E17A0C93C2EE317F71E5AE52');
INSERT INTO "table_guard" VALUES('unopened_dropped',X'00000000000000000000000000000000');
INSERT INTO "table_guard" VALUES('write_off',X'09EEECE4E80CBC62E7E4FFA16F3546BB');
INSERT INTO "table_guard" VALUES('write_off_part',X'00000000000000000000000000000000');
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
INSERT INTO "unopened" VALUES(1,0,'no key for its slot',18,9,1,20,X'01090012000000010000001474A9D58372EB190606A33BBBF07EB5247633062276ACF95E13555046F007E48B4BCEA5AF85A8EA',1777906804,1,1,NULL,NULL,NULL,1,493863,-4137789196539182707);
INSERT INTO "unopened" VALUES(2,1,'the tag fails',18,0,1,21,X'010000120000000100000015ED587D8EBEA4CB44D2A5F7AA05BD50FF8FD7E6A496670D94EBC1720DA9D9F140AB21D727B8E961',1777906804,1,1,NULL,NULL,NULL,0,493863,5784470413416257858);
CREATE TABLE unopened_dropped (
    logger INTEGER PRIMARY KEY,
    frames INTEGER NOT NULL, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL
);
CREATE TABLE write_off (
    id INTEGER PRIMARY KEY,
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER,
    by_whom TEXT NOT NULL, reason TEXT NOT NULL, written_at INTEGER NOT NULL
);
INSERT INTO "write_off" VALUES(1,17,2,3,8,'a technician','memory was cleared',1777900000);
CREATE TABLE write_off_part (
    write_off INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (write_off, first)
) WITHOUT ROWID;
CREATE INDEX settled_by_hand ON settled (logger, epoch, sequence) WHERE rank = 0 AND lag IS NULL;
CREATE INDEX profile_by_hand ON profile_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;
CREATE INDEX event_by_hand ON event_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;
CREATE INDEX statement_by_hand ON statement_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;
CREATE INDEX asked_at ON asked (at);
CREATE INDEX opaque_by_hand ON opaque_row (logger, epoch, sequence) WHERE rank = 0 AND received_at IS NULL;
CREATE INDEX unopened_share ON unopened (store, logger, class, stretch);
CREATE INDEX unopened_digest ON unopened (digest);
CREATE INDEX notice_by_subject ON notice (kind, subject);
CREATE INDEX manual_row_by_time ON manual_row (logger, at);
CREATE INDEX elsewhere_by_place ON elsewhere (logger, epoch, first);
CREATE INDEX retired_by_hand ON retired_row (logger, epoch, sequence) WHERE rank = 0 AND lag IS NULL;
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
CREATE VIEW named_end AS
SELECT logger, previous_epoch AS epoch, previous_last AS last, epoch AS by_epoch, received_at, import, stored_at
FROM profile_row WHERE previous_epoch > 0 AND rank = 0
UNION ALL
SELECT logger, of_epoch, last, epoch, received_at, import, stored_at FROM memory_statement WHERE of_epoch <> epoch;
CREATE VIEW ask AS
SELECT epoch AS gateway_epoch, sequence AS gateway_sequence, at, (SELECT name FROM radio r WHERE r.id = asked.radio) AS radio,
    logger, slot, spans, records, airtime_ms, closed_at, came
FROM asked;
CREATE VIEW import_file AS
SELECT id, file, size_bytes, sha256, kind, imported_at, by_whom, outcomes, withdrawn_at, withdrawn_by,
    withdrawn_reason
FROM import;
CREATE VIEW configuration AS
SELECT id, file, digest, in_force_from,
    lead(in_force_from) OVER (PARTITION BY file ORDER BY id) AS in_force_until, content
FROM configuration_version;
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
CREATE VIEW remark AS
SELECT id, logger, channel, from_at, to_at, kind, text, by_whom, written_at, corrects,
    (SELECT min(id) FROM remark_row c WHERE c.corrects = r.id) AS corrected_by
FROM remark_row r;
CREATE VIEW manual_reading AS
SELECT id, logger, channel, at, value, unit, instrument, by_whom, written_at, file, line, corrects,
    (SELECT min(id) FROM manual_row c WHERE c.corrects = m.id) AS corrected_by
FROM manual_row m;
CREATE VIEW written_off AS
SELECT id, logger, epoch, first, last, by_whom, reason, written_at,
    (SELECT sum(p.last - p.first + 1) FROM write_off_part p WHERE p.write_off = w.id) AS records
FROM write_off w;
CREATE VIEW ledger_set_aside AS
SELECT a.id, a.file, a.set_aside_at, a.reason, a.known_as_of, a.salvaged_at,
    (SELECT sum(e.last - e.first + 1) FROM elsewhere e WHERE e.ledger = a.id AND e.basis = 0) AS records
FROM aside_ledger a;
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
CREATE VIEW settled_or_retired AS
SELECT logger, epoch, sequence, rank, time, lag, slot, synchronised, import, stored_at FROM settled
UNION ALL
SELECT logger, epoch, sequence, rank, time, lag, slot, synchronised, import, stored_at FROM retired_row;
CREATE VIEW settled_block AS
SELECT logger, epoch, first, last, records, time_min, time_max, lower(hex(content)) AS content_digest,
    NULL AS retired_at
FROM block
UNION ALL
SELECT logger, epoch, first, last, records, time_min, time_max, lower(hex(content)), retired_at
FROM retired_block;
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
COMMIT;

-- Keys that have opened a frame, by their check values (docs/wire-format.md, section 6). A key counts as proven by what it
-- has opened itself, never by what another key of its slot has. Rows are only added.
CREATE TABLE proven_key (
    logger INTEGER NOT NULL, slot INTEGER NOT NULL,
    check_value TEXT NOT NULL,   -- 32 hexadecimal digits, small
    first_at INTEGER NOT NULL,   -- when it first opened a frame, gateway's clock
    PRIMARY KEY (logger, slot, check_value)
) WITHOUT ROWID;

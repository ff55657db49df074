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

-- Public.
CREATE VIEW ledger_set_aside AS
SELECT a.id, a.file, a.set_aside_at, a.reason, a.known_as_of, a.salvaged_at,
    (SELECT sum(e.last - e.first + 1) FROM elsewhere e WHERE e.ledger = a.id AND e.basis = 0) AS records
FROM aside_ledger a;

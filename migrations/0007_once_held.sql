-- Records that a ledger held of which nothing can be read any more: its file is gone, or no SQLite opens it. They
-- exist, so they are missing wherever no other record of their identity is held. Ranges
-- are only joined, never taken away.
CREATE TABLE once_held (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL,
    first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, first)
) WITHOUT ROWID;

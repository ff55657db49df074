-- Whether the gateway's clock was synchronised while a radio listened: by a clock that is not, both times may be off by
-- years. What is there does not say so, and mostly it was.
CREATE TABLE listening_of_clock (
    radio INTEGER NOT NULL, synchronised INTEGER NOT NULL, since INTEGER NOT NULL, until INTEGER NOT NULL,
    PRIMARY KEY (radio, synchronised, since)
) WITHOUT ROWID;
INSERT INTO listening_of_clock (radio, synchronised, since, until) SELECT radio, 1, since, until FROM listening;
DROP TABLE listening;
ALTER TABLE listening_of_clock RENAME TO listening;

-- Frames that no key opens have shares by logger and by whether their slot has a key, and give way by stretches of time:
-- src/record/waiting.rs.
ALTER TABLE unopened ADD COLUMN class INTEGER NOT NULL DEFAULT 0;   -- 0: its slot has a key; 1: it has none
ALTER TABLE unopened ADD COLUMN stretch INTEGER NOT NULL DEFAULT 0; -- hour of reception; below 0: a hand download, or refuted
ALTER TABLE unopened ADD COLUMN digest INTEGER;                     -- of the frame: the first 8 bytes of its SHA-256
UPDATE unopened SET class = reason = 'no key for its slot',
    stretch = CASE WHEN received_at IS NULL THEN -1 - coalesce(import, 0) ELSE max(received_at / 3600, 0) END;
CREATE INDEX unopened_share ON unopened (store, logger, class, stretch);
CREATE INDEX unopened_digest ON unopened (digest);

-- Frames that waited for a key, or would have, and found no room: by logger, from when to when (gateway's clock).
CREATE TABLE unopened_dropped (
    logger INTEGER PRIMARY KEY,
    frames INTEGER NOT NULL, first_at INTEGER NOT NULL, last_at INTEGER NOT NULL
);

-- Rises whenever frames are set aside or taken out: other processes count them anew then.
INSERT INTO meta VALUES ('unopened_generation', 0);

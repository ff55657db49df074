-- Raising and clearing a notice look for its subject: twice a change, on a radio that comes and goes.
CREATE INDEX notice_by_subject ON notice (kind, subject);

-- How often it came back within an hour of being cleared: that is the same row again.
ALTER TABLE notice ADD COLUMN returned INTEGER NOT NULL DEFAULT 0;

-- Notices that the limit has dropped; docs/ledger.md, "Notices".
INSERT INTO meta VALUES ('notices_dropped', 0);

-- Asking loggers again: what is kept of old requests, and requests to set clocks.

-- What was asked for by requests whose rows are no longer kept. With `asked` it tells which records were asked for.
CREATE TABLE asked_range (
    logger INTEGER NOT NULL, epoch INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    PRIMARY KEY (logger, epoch, first)
) WITHOUT ROWID;

-- Requests to loggers to set their clocks, by the gateway's epoch and sequence.
CREATE TABLE clock_asked (
    epoch INTEGER NOT NULL, sequence INTEGER NOT NULL,
    at INTEGER NOT NULL,
    radio INTEGER NOT NULL, logger INTEGER NOT NULL, slot INTEGER NOT NULL,
    answers_epoch INTEGER NOT NULL, answers_sequence INTEGER NOT NULL, -- the logger's frame that it answered
    behind_s INTEGER NOT NULL,   -- how far the logger's clock was estimated to be behind; negative: ahead
    airtime_ms INTEGER NOT NULL,
    set_at INTEGER,              -- when the logger's event that its clock was set came; null: not yet
    added_s INTEGER,             -- the seconds that it added, by that event
    PRIMARY KEY (epoch, sequence)
) WITHOUT ROWID;

CREATE INDEX clock_asked_of ON clock_asked (logger, epoch, sequence);

-- Requests to loggers to set their clocks, and what came of them.
CREATE VIEW clock_request AS
SELECT epoch AS gateway_epoch, sequence AS gateway_sequence, at,
    (SELECT name FROM radio r WHERE r.id = clock_asked.radio) AS radio,
    logger, slot, answers_epoch, answers_sequence, behind_s, airtime_ms, set_at, added_s
FROM clock_asked;

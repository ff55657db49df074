-- The logbook: who did what, and everything that was done.

-- Who did what. What is written with a name (--by) has that name in its own table; here is who was logged in, on which
-- computer, and what has no table of its own. Rows are only ever added.
CREATE TABLE act (
    id INTEGER PRIMARY KEY,
    at INTEGER NOT NULL,
    kind TEXT NOT NULL,          -- import, withdrawal, write-off, remark, manual-reading, configuration, keys, restore, salvage, adoption
    number INTEGER,              -- in the table of its kind; null: it has none
    by_whom TEXT,                -- the name that a person gave; null: the program itself
    login TEXT, uid INTEGER,     -- who was logged in, also behind sudo
    ran_as TEXT,                 -- as which other user the program ran; null: as that one
    host TEXT,
    file TEXT, text TEXT,
    details TEXT                 -- of keys: check values by logger and slot, as JSON
);

CREATE INDEX act_by_number ON act (kind, number);

-- All acts, those included of which nobody noted who was logged in.
CREATE VIEW logbook AS
SELECT i.imported_at AS at, 'import' AS kind, i.id AS number, i.by_whom, a.login, a.uid, a.ran_as, a.host, NULL AS logger,
    i.file, i.kind || ': ' || i.outcomes AS text
FROM import i LEFT JOIN act a ON a.kind = 'import' AND a.number = i.id
UNION ALL
SELECT i.withdrawn_at, 'withdrawal', i.id, i.withdrawn_by, a.login, a.uid, a.ran_as, a.host, NULL, i.file, i.withdrawn_reason
FROM import i LEFT JOIN act a ON a.kind = 'withdrawal' AND a.number = i.id
WHERE i.withdrawn_at IS NOT NULL
UNION ALL
SELECT w.written_at, 'write-off', w.id, w.by_whom, a.login, a.uid, a.ran_as, a.host, w.logger, NULL,
    'epoch ' || w.epoch || ', ' || w.first || coalesce(' to ' || w.last, ' and all later') || ': ' || w.reason
FROM write_off w LEFT JOIN act a ON a.kind = 'write-off' AND a.number = w.id
UNION ALL
SELECT r.written_at, 'remark', r.id, r.by_whom, a.login, a.uid, a.ran_as, a.host, r.logger, NULL,
    r.kind || coalesce(', channel ' || r.channel, '') || coalesce(', corrects ' || r.corrects, '') || ': ' || r.text
FROM remark_row r LEFT JOIN act a ON a.kind = 'remark' AND a.number = r.id
UNION ALL
-- Those of one command together: its first has the number.
SELECT m.written_at, 'manual-reading', m.id, m.by_whom, a.login, a.uid, a.ran_as, a.host, m.logger, m.file, m.text
FROM (SELECT written_at, min(id) AS id, by_whom, file, count(*) || iif(count(*) = 1, ' reading', ' readings') AS text,
        iif(min(logger) = max(logger), min(logger), NULL) AS logger
    FROM manual_row GROUP BY written_at, by_whom, file) m
LEFT JOIN act a ON a.kind = 'manual-reading' AND a.number = m.id
UNION ALL
SELECT c.in_force_from, 'configuration', NULL, NULL, NULL, NULL, NULL, NULL, NULL, c.file, 'in force from then on'
FROM configuration_version c
WHERE NOT EXISTS (SELECT 1 FROM act a WHERE a.kind = 'configuration' AND a.at = c.in_force_from AND a.file = c.file)
UNION ALL
SELECT r.retired_at, 'retirement', NULL, NULL, NULL, NULL, NULL, NULL, iif(min(r.logger) = max(r.logger), min(r.logger), NULL),
    NULL, sum(r.readings) || ' readings given up to backups'
FROM retired_block r GROUP BY r.retired_at
UNION ALL
SELECT at, kind, NULL, by_whom, login, uid, ran_as, host, NULL, file, text FROM act WHERE number IS NULL;

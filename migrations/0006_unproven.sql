-- Rows of CSV files by what they have their place. The column `matched` of journal and settled is, from now on:
-- null or 0: by the row's own number, and its neighbours agree with what is held; 1: it had no number, and was matched
-- by time; 2: by its own number, and too few neighbours can be compared with what is held (unproven).

DROP VIEW reading;
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

-- With when the import was withdrawn that a conflicting CSV row came with: such a conflict is settled.
DROP VIEW set_aside;
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

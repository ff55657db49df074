-- What was held in a ledger of which nothing can be read any more must exist too: the view lists it as the command `gaps`
-- does.
DROP VIEW gap_now;
CREATE VIEW gap_now AS
WITH authentic(logger, epoch, first, last) AS (
    SELECT logger, epoch, first, last FROM held_range WHERE basis = 0
    UNION ALL
    SELECT logger, epoch, sequence, sequence FROM journal WHERE kind BETWEEN 1 AND 4 AND rank = 0
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

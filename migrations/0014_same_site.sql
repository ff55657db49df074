-- Numbers (`ledger_id` of `meta`) of other ledgers that are of this site: those that this one took over from, and copies
-- whose keys or records showed it. Carried by backups, restores and take-overs; rows are only ever added.
CREATE TABLE same_site (
    ledger_id INTEGER PRIMARY KEY,
    noted_at INTEGER NOT NULL,
    how TEXT NOT NULL            -- set-aside, copy, salvage, restore
);

-- When this ledger was last put in place from a backup; 0: never. What it knows of other backups is older than that.
INSERT INTO meta VALUES ('restored_at', 0);

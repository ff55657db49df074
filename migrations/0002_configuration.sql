-- Which configuration was in force from when on. The keyring is never in here, nor anything made of it.

-- One row each time a text differs from the newest one of its file. Rows are only ever added.
CREATE TABLE configuration_version (
    id INTEGER PRIMARY KEY,
    digest TEXT NOT NULL,        -- SHA-256 of the content, in hex
    file TEXT NOT NULL,          -- site.toml or loggers.toml, whatever the files are called
    content TEXT NOT NULL,       -- the file as it was read, comments and all
    in_force_from INTEGER NOT NULL  -- Unix s on the gateway's clock: when the daemon took it in force
);

-- The same for everybody, with the end of each version; null: in force until now.
CREATE VIEW configuration AS
SELECT id, file, digest, in_force_from,
    lead(in_force_from) OVER (PARTITION BY file ORDER BY id) AS in_force_until, content
FROM configuration_version;

-- What belongs to the service alone. Every key is random or a digest, so that rows of several processes never meet.
CREATE TABLE members (
    device           BLOB    PRIMARY KEY CHECK (length(device) = 32),
    name             TEXT    NOT NULL,
    role             TEXT    NOT NULL CHECK (role IN ('field_worker', 'checker', 'coordinator')),
    barred           INTEGER NOT NULL DEFAULT 0 CHECK (barred IN (0, 1)),
    joined_ms        INTEGER NOT NULL,
    last_exchange_ms INTEGER
) STRICT, WITHOUT ROWID;

-- The code itself is nowhere: only who was given it has it.
CREATE TABLE invitations (
    code_sha256 BLOB    PRIMARY KEY CHECK (length(code_sha256) = 32),
    name        TEXT    NOT NULL,
    role        TEXT    NOT NULL CHECK (role IN ('field_worker', 'checker', 'coordinator')),
    expires_ms  INTEGER NOT NULL,
    used_by     BLOB    REFERENCES members (device)
) STRICT, WITHOUT ROWID;

-- How far an upload has come is the length of its file.
CREATE TABLE uploads (
    id       BLOB    PRIMARY KEY CHECK (length(id) = 16),
    sha256   BLOB    NOT NULL CHECK (length(sha256) = 32),
    bytes    INTEGER NOT NULL CHECK (bytes > 0),
    device   BLOB    NOT NULL REFERENCES members (device),
    begun_ms INTEGER NOT NULL,
    done     INTEGER NOT NULL DEFAULT 0 CHECK (done IN (0, 1)),
    UNIQUE (device, sha256)
) STRICT, WITHOUT ROWID;

CREATE TABLE settings (
    name  TEXT PRIMARY KEY,
    value BLOB NOT NULL
) STRICT, WITHOUT ROWID;

-- One row an entry, as store/encoding.md has it. `id` is the order of arrival in this store and means nothing elsewhere.
CREATE TABLE entries (
    id             INTEGER PRIMARY KEY,
    device         BLOB    NOT NULL CHECK (length(device) = 32),
    number         INTEGER NOT NULL CHECK (number >= 1),
    wall_ms        INTEGER NOT NULL CHECK (wall_ms >= 0),
    counter        INTEGER NOT NULL CHECK (counter BETWEEN 0 AND 4294967295),
    kind           TEXT    NOT NULL,
    visit          TEXT    NOT NULL,
    subject        TEXT    NOT NULL,
    author_digest  BLOB    NOT NULL CHECK (length(author_digest) = 32),
    payload_digest BLOB    NOT NULL CHECK (length(payload_digest) = 32),
    previous       BLOB    NOT NULL CHECK (length(previous) = 32),
    digest         BLOB    NOT NULL CHECK (length(digest) = 32),
    signature      BLOB    CHECK (length(signature) = 64),
    salt           BLOB    CHECK (length(salt) = 16),
    author         TEXT,
    payload        TEXT,
    UNIQUE (device, number),
    CHECK ((salt IS NULL) = (payload IS NULL) AND (salt IS NULL) = (author IS NULL))
) STRICT;

CREATE INDEX entries_by_subject ON entries (visit, kind, subject, wall_ms, counter);
CREATE INDEX signed_heads ON entries (device, number) WHERE signature IS NOT NULL;

-- What a reader may take: each log up to its last signed head.
CREATE VIEW signed_entries AS
SELECT * FROM entries AS e
WHERE number <= (SELECT max(number) FROM entries AS head WHERE head.device = e.device AND head.signature IS NOT NULL);

-- Each device that has a log here; steps from one to the next along the index instead of reading every entry.
CREATE VIEW devices AS
WITH RECURSIVE step (device) AS (
    SELECT min(device) FROM entries
    UNION ALL
    SELECT (SELECT min(device) FROM entries WHERE device > step.device) FROM step WHERE step.device IS NOT NULL
)
SELECT device FROM step WHERE device IS NOT NULL;

-- Only the bytes behind the salted digests may go, and only together.
CREATE TRIGGER entries_are_not_deleted BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END;
CREATE TRIGGER headers_are_not_changed
BEFORE UPDATE OF id, device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous, digest, signature ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
CREATE TRIGGER payloads_are_only_erased BEFORE UPDATE OF salt, author, payload ON entries
WHEN coalesce(NEW.salt, NEW.author, NEW.payload) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a payload can be erased, not changed'); END;

CREATE TABLE photographs (
    sha256 BLOB    PRIMARY KEY CHECK (length(sha256) = 32),
    bytes  INTEGER NOT NULL CHECK (bytes >= 0),
    ending TEXT    NOT NULL
) STRICT, WITHOUT ROWID;

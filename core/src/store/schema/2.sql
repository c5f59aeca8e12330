-- Logs of other devices come in. A log that was written on in two places has forked: its entries are told apart by their digests.
DROP VIEW signed_entries;
DROP VIEW devices;
CREATE TABLE entries_2 (
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
    UNIQUE (device, number, digest),
    CHECK ((salt IS NULL) = (payload IS NULL) AND (salt IS NULL) = (author IS NULL))
) STRICT;
INSERT INTO entries_2 SELECT * FROM entries;
DROP TABLE entries;
ALTER TABLE entries_2 RENAME TO entries;
CREATE INDEX entries_by_visit ON entries (visit);

CREATE TRIGGER entries_are_not_deleted BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never deleted'); END;
CREATE TRIGGER headers_are_not_changed
BEFORE UPDATE OF id, device, number, wall_ms, counter, kind, visit, subject, author_digest, payload_digest, previous, digest, signature ON entries
BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
-- What stands behind the salted digests may go, and may come back where a store got the entry without it.
CREATE TRIGGER payloads_are_not_changed BEFORE UPDATE OF salt, author, payload ON entries
WHEN coalesce(NEW.salt, NEW.author, NEW.payload) IS NOT NULL AND coalesce(OLD.salt, OLD.author, OLD.payload) IS NOT NULL
BEGIN SELECT RAISE(ABORT, 'a payload can be erased, not changed'); END;

-- Entries that came before what they follow from, or before the signature that covers them, as they travel.
CREATE TABLE waiting (
    device BLOB    NOT NULL,
    number INTEGER NOT NULL,
    digest BLOB    NOT NULL,
    packet BLOB    NOT NULL,
    PRIMARY KEY (device, number, digest)
) STRICT, WITHOUT ROWID;

-- Whose withdrawals of others' entries hold: the base and the coordinators. A device's own always do.
CREATE TABLE trusted (device BLOB PRIMARY KEY) STRICT, WITHOUT ROWID;

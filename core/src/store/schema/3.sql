-- What was begun on this device and isn't finished: no entry, in no digest, never exchanged.
CREATE TABLE drafts (
    name TEXT PRIMARY KEY,
    text TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- People who use the pages. A name is what the log knows them by.
CREATE TABLE people (
    id       BLOB    PRIMARY KEY CHECK (length(id) = 16),
    name     TEXT    NOT NULL UNIQUE,
    role     TEXT    NOT NULL CHECK (role IN ('field_worker', 'checker', 'coordinator')),
    password TEXT,
    -- Sessions of an earlier era are over.
    era      INTEGER NOT NULL DEFAULT 0,
    barred   INTEGER NOT NULL DEFAULT 0 CHECK (barred IN (0, 1)),
    seen_ms  INTEGER
) STRICT, WITHOUT ROWID;

-- Links that log in once. The link itself is nowhere: only who was given it has it.
CREATE TABLE log_in_links (
    token_sha256 BLOB    PRIMARY KEY CHECK (length(token_sha256) = 32),
    person       BLOB    NOT NULL REFERENCES people (id),
    expires_ms   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Links to one summary each, for the landowner.
CREATE TABLE summary_links (
    token_sha256 BLOB    PRIMARY KEY CHECK (length(token_sha256) = 32),
    visit        TEXT    NOT NULL,
    lang         TEXT    NOT NULL,
    -- The coordinator lets it show exact places, where the landowner agreed to that.
    exact        INTEGER NOT NULL CHECK (exact IN (0, 1)),
    given_by     TEXT    NOT NULL,
    given_ms     INTEGER NOT NULL,
    expires_ms   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX summary_links_by_visit ON summary_links (visit);

-- Who has seen what was made of a visit's signs: their checks of it aren't blind any more.
CREATE TABLE shown_findings (
    person BLOB NOT NULL REFERENCES people (id),
    visit  TEXT NOT NULL,
    PRIMARY KEY (person, visit)
) STRICT, WITHOUT ROWID;

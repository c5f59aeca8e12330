-- The team's entries and what belongs to the service, for several processes at once. Every key is random or a digest, so that rows spread and
-- those of several processes never meet; nothing counts up. All texts of entries are bytes (UTF-8): they may hold a NUL, which PostgreSQL's own can't.

-- As core/src/store/encoding.md has it.
CREATE TABLE entries (
    device         bytea  NOT NULL CHECK (octet_length(device) = 32),
    number         bigint NOT NULL CHECK (number >= 1),
    digest         bytea  NOT NULL CHECK (octet_length(digest) = 32),
    wall_ms        bigint NOT NULL CHECK (wall_ms >= 0),
    counter        bigint NOT NULL CHECK (counter BETWEEN 0 AND 4294967295),
    kind           bytea  NOT NULL,
    visit          bytea  NOT NULL,
    subject        bytea  NOT NULL,
    author_digest  bytea  NOT NULL CHECK (octet_length(author_digest) = 32),
    payload_digest bytea  NOT NULL CHECK (octet_length(payload_digest) = 32),
    previous       bytea  NOT NULL CHECK (octet_length(previous) = 32),
    signature      bytea  CHECK (octet_length(signature) = 64),
    salt           bytea  CHECK (octet_length(salt) = 16),
    author         bytea,
    payload        bytea,
    -- The photograph that it speaks of.
    photograph     bytea  CHECK (octet_length(photograph) = 32),
    PRIMARY KEY (device, number, digest),
    CHECK ((salt IS NULL) = (payload IS NULL) AND (salt IS NULL) = (author IS NULL))
);
CREATE INDEX entries_by_photograph ON entries (photograph) WHERE photograph IS NOT NULL;

-- The last entry of each log; of each branch where the log has forked.
CREATE TABLE heads (
    device bytea  NOT NULL,
    number bigint NOT NULL,
    digest bytea  NOT NULL,
    PRIMARY KEY (device, number, digest)
);

-- What counts: the newest entry of each visit, kind and subject, and by what it is newer.
CREATE TABLE newest (
    visit   bytea  NOT NULL,
    kind    bytea  NOT NULL,
    subject bytea  NOT NULL,
    wall_ms bigint NOT NULL,
    counter bigint NOT NULL,
    device  bytea  NOT NULL,
    number  bigint NOT NULL,
    digest  bytea  NOT NULL,
    PRIMARY KEY (visit, kind, subject)
);

-- Each visit, when it was last written to, and how much is known of it.
CREATE TABLE visits (
    visit   bytea  PRIMARY KEY,
    wall_ms bigint NOT NULL,
    entries bigint NOT NULL
);

-- Which entries somebody asked to erase, and whose log says so.
CREATE TABLE withdrawn (
    device bytea  NOT NULL,
    number bigint NOT NULL,
    by     bytea  NOT NULL,
    PRIMARY KEY (device, number, by)
);

-- Whose withdrawals of others' entries hold: the base and the coordinators. A device's own always do.
CREATE TABLE trusted (device bytea PRIMARY KEY);

-- Entries that came without what stands behind their digests though nobody withdrew it: another store may still have it.
CREATE TABLE hollow (
    device bytea  NOT NULL,
    number bigint NOT NULL,
    digest bytea  NOT NULL,
    PRIMARY KEY (device, number, digest)
);

-- Entries that came before what they follow from, or before the signature that covers them, as they travel.
CREATE TABLE waiting (
    device bytea  NOT NULL,
    number bigint NOT NULL,
    digest bytea  NOT NULL,
    packet bytea  NOT NULL,
    PRIMARY KEY (device, number, digest)
);

-- Photographs that are here, and those that entries speak of and that aren't.
CREATE TABLE photographs (
    sha256 bytea  PRIMARY KEY CHECK (octet_length(sha256) = 32),
    bytes  bigint NOT NULL CHECK (bytes > 0),
    ending text   NOT NULL
);
-- Those whose object is to be deleted: nobody speaks of them any more.
CREATE TABLE erased_photographs (sha256 bytea PRIMARY KEY, ending text NOT NULL);
CREATE TABLE wanted_photographs (sha256 bytea PRIMARY KEY);

CREATE TABLE members (
    device           bytea   PRIMARY KEY CHECK (octet_length(device) = 32),
    name             text    NOT NULL,
    role             text    NOT NULL CHECK (role IN ('field_worker', 'checker', 'coordinator')),
    barred           boolean NOT NULL DEFAULT false,
    joined_ms        bigint  NOT NULL,
    last_exchange_ms bigint
);

-- The code itself is nowhere: only who was given it has it.
CREATE TABLE invitations (
    code_sha256 bytea  PRIMARY KEY CHECK (octet_length(code_sha256) = 32),
    name        text   NOT NULL,
    role        text   NOT NULL CHECK (role IN ('field_worker', 'checker', 'coordinator')),
    expires_ms  bigint NOT NULL,
    used_by     bytea
);

-- What has arrived is a row of pieces, each an object of its own; `arrived` is their length together.
CREATE TABLE uploads (
    id       bytea   PRIMARY KEY CHECK (octet_length(id) = 16),
    sha256   bytea   NOT NULL CHECK (octet_length(sha256) = 32),
    bytes    bigint  NOT NULL CHECK (bytes > 0),
    device   bytea   NOT NULL,
    begun_ms bigint  NOT NULL,
    done     boolean NOT NULL DEFAULT false,
    arrived  bigint  NOT NULL DEFAULT 0 CHECK (arrived BETWEEN 0 AND bytes),
    pieces   bytea[] NOT NULL DEFAULT '{}',
    UNIQUE (device, sha256)
);

-- Also what makes all processes one base: its key, its certificate, the key of the sessions.
CREATE TABLE settings (
    name  text  PRIMARY KEY,
    value bytea NOT NULL
);

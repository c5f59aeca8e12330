-- Tables for reading: all of it follows from entries and photographs, and can be thrown away and built again. Beside each table stands
-- the view that says what belongs into it.
DROP TABLE IF EXISTS heads;
DROP TABLE IF EXISTS newest;
DROP TABLE IF EXISTS visits;
DROP TABLE IF EXISTS withdrawn;
DROP TABLE IF EXISTS hollow;
DROP TABLE IF EXISTS wanted_photographs;
DROP VIEW IF EXISTS heads_of_entries;
DROP VIEW IF EXISTS newest_of_entries;
DROP VIEW IF EXISTS visits_of_entries;
DROP VIEW IF EXISTS withdrawals_of_entries;
DROP VIEW IF EXISTS withdrawn_of_entries;
DROP VIEW IF EXISTS hollow_of_entries;
DROP VIEW IF EXISTS photographs_of_entries;
DROP VIEW IF EXISTS wanted_photographs_of_entries;

-- The last entry of each log; of each branch where the log has forked.
CREATE TABLE heads (
    device BLOB    NOT NULL,
    number INTEGER NOT NULL,
    digest BLOB    NOT NULL,
    PRIMARY KEY (device, number, digest)
) STRICT, WITHOUT ROWID;
CREATE VIEW heads_of_entries AS
SELECT device, number, digest FROM entries AS e
WHERE NOT EXISTS (SELECT 1 FROM entries AS n WHERE n.device = e.device AND n.number = e.number + 1 AND n.previous = e.digest);

-- What counts: the newest entry of each visit, kind and subject.
CREATE TABLE newest (
    visit   TEXT    NOT NULL,
    kind    TEXT    NOT NULL,
    subject TEXT    NOT NULL,
    entry   INTEGER NOT NULL,
    PRIMARY KEY (visit, kind, subject)
) STRICT, WITHOUT ROWID;
CREATE VIEW newest_of_entries AS
SELECT visit, kind, subject, id AS entry FROM (
    SELECT visit, kind, subject, id, row_number() OVER (
        PARTITION BY visit, kind, subject ORDER BY wall_ms DESC, counter DESC, device DESC, number DESC, digest DESC) AS place
    FROM entries) WHERE place = 1;

-- Each visit, when it was last written to, and how much is known of it.
CREATE TABLE visits (
    visit   TEXT    PRIMARY KEY,
    wall_ms INTEGER NOT NULL,
    entries INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX visits_by_time ON visits (wall_ms, visit);
CREATE VIEW visits_of_entries AS
SELECT visit, max(wall_ms) AS wall_ms, count(*) AS entries FROM entries GROUP BY visit;

-- Which entries somebody asked to erase, and whose log says so.
CREATE TABLE withdrawn (
    device  BLOB    NOT NULL,
    number  INTEGER NOT NULL,
    by      BLOB    NOT NULL,
    PRIMARY KEY (device, number, by)
) STRICT, WITHOUT ROWID;
CREATE VIEW withdrawals_of_entries AS
SELECT e.id AS entry, unhex(json_extract(pair.value, '$[0]')) AS device, json_extract(pair.value, '$[1]') AS number, e.device AS by
FROM entries AS e, json_each(CASE WHEN json_valid(e.payload) THEN e.payload ELSE '{}' END, '$.erased') AS pair
WHERE e.kind = 'withdrawal' AND pair.type = 'array'
  AND length(unhex(json_extract(pair.value, '$[0]'))) = 32 AND json_type(pair.value, '$[1]') = 'integer'
  AND typeof(json_extract(pair.value, '$[1]')) = 'integer';
CREATE VIEW withdrawn_of_entries AS SELECT DISTINCT device, number, by FROM withdrawals_of_entries;

-- Entries that came without what stands behind their digests though nobody withdrew it: another store may still have it.
CREATE TABLE hollow (entry INTEGER PRIMARY KEY REFERENCES entries (id)) STRICT;
CREATE VIEW hollow_of_entries AS
SELECT id AS entry FROM entries AS e WHERE salt IS NULL
AND NOT EXISTS (SELECT 1 FROM withdrawn AS w WHERE w.device = e.device AND w.number = e.number
                AND (w.by = w.device OR w.by IN (SELECT device FROM trusted)));

-- Photographs that entries speak of and that aren't here.
CREATE TABLE wanted_photographs (sha256 BLOB PRIMARY KEY) STRICT, WITHOUT ROWID;
CREATE VIEW photographs_of_entries AS
SELECT id AS entry, unhex(subject) AS sha256 FROM entries
WHERE kind = 'photograph_attached' AND payload IS NOT NULL AND length(unhex(subject)) = 32;
CREATE VIEW wanted_photographs_of_entries AS
SELECT DISTINCT sha256 FROM photographs_of_entries AS e WHERE NOT EXISTS (SELECT 1 FROM photographs AS p WHERE p.sha256 = e.sha256);

INSERT INTO heads SELECT * FROM heads_of_entries;
INSERT INTO newest SELECT * FROM newest_of_entries;
INSERT INTO visits SELECT * FROM visits_of_entries;
INSERT INTO withdrawn SELECT * FROM withdrawn_of_entries;
INSERT INTO hollow SELECT * FROM hollow_of_entries;
INSERT INTO wanted_photographs SELECT * FROM wanted_photographs_of_entries;

-- Passkeys by which people log in. What is kept of one logs nobody in.
CREATE TABLE passkeys (
    credential BLOB    PRIMARY KEY,
    person     BLOB    NOT NULL REFERENCES people (id),
    -- The name under which the base was reached: it is good for that alone.
    host       TEXT    NOT NULL,
    label      TEXT    NOT NULL,
    -- How a browser may reach it, as the library writes that.
    transports INTEGER NOT NULL,
    -- Its public key and what never changes; then what each log-in may change, such as how often it was used.
    lasting    BLOB    NOT NULL,
    changing   BLOB    NOT NULL,
    made_ms    INTEGER NOT NULL,
    used_ms    INTEGER
) STRICT, WITHOUT ROWID;
CREATE INDEX passkeys_by_person ON passkeys (person);

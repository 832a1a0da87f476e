-- What was pulled from boards. `page` is the record; crossing, event and decoding are
-- made from it and can be made again.

CREATE TABLE board (
    board INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE CHECK (length(uid) = 16),
    dial_hash TEXT NOT NULL,
    channels INTEGER NOT NULL,
    firmware TEXT NOT NULL,
    runtime TEXT NOT NULL,
    heap_bytes INTEGER NOT NULL
) STRICT;

-- The text of each dial a board has carried, by the hash the board names it with.
CREATE TABLE dial (
    dial_hash TEXT PRIMARY KEY,
    toml TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- A page is named by board, number and boot: a board whose storage was wiped numbers its
-- pages from 0 again, in a later boot.
CREATE TABLE page (
    page INTEGER PRIMARY KEY,
    board INTEGER NOT NULL REFERENCES board,
    boot INTEGER NOT NULL,
    number INTEGER NOT NULL,
    raw BLOB NOT NULL,
    UNIQUE (board, boot, number)
) STRICT;

CREATE TRIGGER page_is_never_altered BEFORE UPDATE ON page
BEGIN
    SELECT RAISE(ABORT, 'pages are never altered');
END;

CREATE TRIGGER page_is_never_dropped BEFORE DELETE ON page
BEGIN
    SELECT RAISE(ABORT, 'pages are never dropped');
END;

-- How a page was read: by which version of the decoder, up to which time its records
-- reach, and what was wrong with them ('' for nothing).
CREATE TABLE decoding (
    page INTEGER PRIMARY KEY REFERENCES page,
    version INTEGER NOT NULL,
    last_ms INTEGER,
    problem TEXT NOT NULL
) STRICT;

CREATE TABLE crossing (
    page INTEGER NOT NULL REFERENCES page,
    place INTEGER NOT NULL,
    device_ms INTEGER NOT NULL,
    channel INTEGER NOT NULL,
    threshold INTEGER NOT NULL,
    rise INTEGER NOT NULL,
    PRIMARY KEY (page, place)
) STRICT, WITHOUT ROWID;

-- Every record that is no crossing, known to the decoder or not.
CREATE TABLE event (
    page INTEGER NOT NULL REFERENCES page,
    place INTEGER NOT NULL,
    device_ms INTEGER NOT NULL,
    tag INTEGER NOT NULL,
    payload BLOB NOT NULL,
    PRIMARY KEY (page, place)
) STRICT, WITHOUT ROWID;

-- Clock marks made over the link; those in the log are events.
CREATE TABLE mark (
    board INTEGER NOT NULL REFERENCES board,
    boot INTEGER NOT NULL,
    device_ms INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    sigma_us INTEGER NOT NULL,
    PRIMARY KEY (board, boot, device_ms, utc_us)
) STRICT, WITHOUT ROWID;

-- The last STATUS heard in each boot.
CREATE TABLE status (
    board INTEGER NOT NULL REFERENCES board,
    boot INTEGER NOT NULL,
    device_ms INTEGER NOT NULL,
    first_page INTEGER NOT NULL,
    next_page INTEGER NOT NULL,
    torn_pages INTEGER NOT NULL,
    PRIMARY KEY (board, boot)
) STRICT, WITHOUT ROWID;

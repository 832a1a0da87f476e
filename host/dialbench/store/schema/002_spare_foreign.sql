-- Pages whose kept bytes no longer hold their CRC, as a check has found. The page stays as
-- it is; raw is the same page as the board sent it again, NULL until it has.
CREATE TABLE spare (
    page INTEGER PRIMARY KEY REFERENCES page,
    raw BLOB
) STRICT;

-- Logs of other makes, as they were imported; named by a hash of all that is in them.
CREATE TABLE foreign_log (
    log INTEGER PRIMARY KEY,
    hash TEXT NOT NULL UNIQUE CHECK (length(hash) = 16),
    name TEXT NOT NULL,
    dial_hash TEXT NOT NULL,
    channels INTEGER NOT NULL
) STRICT;

-- sigma_us is NULL where the log does not say how good its clock is.
CREATE TABLE foreign_crossing (
    log INTEGER NOT NULL REFERENCES foreign_log,
    utc_us INTEGER NOT NULL,
    channel INTEGER NOT NULL,
    threshold INTEGER NOT NULL,
    rise INTEGER NOT NULL,
    sigma_us INTEGER,
    PRIMARY KEY (log, utc_us, channel, threshold, rise)
) STRICT, WITHOUT ROWID;

CREATE TABLE foreign_observed (
    log INTEGER NOT NULL REFERENCES foreign_log,
    start_us INTEGER NOT NULL,
    end_us INTEGER NOT NULL,
    PRIMARY KEY (log, start_us)
) STRICT, WITHOUT ROWID;

-- Tests of a board by itself; facts is the object that dialbench selftest gives as JSON.
CREATE TABLE selftest (
    board INTEGER NOT NULL REFERENCES board,
    utc_us INTEGER NOT NULL,
    facts TEXT NOT NULL,
    PRIMARY KEY (board, utc_us)
) STRICT;

-- What is still to be published, and what others have published here.

-- Who this catalogue is to those that it publishes to, and the last number that it gave to a queued entry. One row.
CREATE TABLE source (
    one BIGINT NOT NULL PRIMARY KEY,
    id TEXT NOT NULL,
    last_seq BIGINT NOT NULL
);

-- Entries that are still to be sent, in order of seq, which is never given twice.
CREATE TABLE outbox (
    seq BIGINT NOT NULL PRIMARY KEY,
    place TEXT NOT NULL,
    key TEXT NOT NULL,
    mark TEXT NOT NULL,
    entry TEXT NOT NULL
);
CREATE INDEX outbox_place ON outbox (place, seq);

-- How far each place has got, as far as this catalogue was told; behind is 1 once a place knew less than that.
CREATE TABLE sent (
    place TEXT NOT NULL PRIMARY KEY,
    seq BIGINT NOT NULL,
    behind BIGINT NOT NULL
);

-- How far each source has got here: the highest seq that was applied, and the mark of that entry.
CREATE TABLE published (
    source TEXT NOT NULL PRIMARY KEY,
    seq BIGINT NOT NULL,
    mark TEXT NOT NULL
);

-- A run, and what its ratings, findings, instruments and files say. Text is compared byte by byte: on PostgreSQL every
-- TEXT below is TEXT COLLATE "C". Absent numbers are NULL; so are numbers that are not finite.
CREATE TABLE run (
    key TEXT NOT NULL PRIMARY KEY,
    lines BIGINT NOT NULL,
    chain TEXT NOT NULL,
    digest TEXT NOT NULL,
    revision BIGINT NOT NULL,
    run TEXT NOT NULL,
    folder TEXT NOT NULL,
    bench TEXT NOT NULL,
    maker TEXT NOT NULL,
    maker_lower TEXT NOT NULL,
    model TEXT NOT NULL,
    model_lower TEXT NOT NULL,
    serial TEXT,
    invented BIGINT NOT NULL,
    golden BIGINT NOT NULL,
    price DOUBLE PRECISION,
    currency TEXT,
    script TEXT NOT NULL,
    script_sha256 TEXT NOT NULL,
    operator TEXT,
    started_utc TEXT NOT NULL,
    ended_utc TEXT,
    outcome TEXT,
    error TEXT,
    verdict TEXT,
    steps BIGINT NOT NULL,
    gaps BIGINT NOT NULL,
    gap_s DOUBLE PRECISION,
    calibration TEXT,
    selfcheck TEXT,
    wattproof_version TEXT NOT NULL,
    ratings BIGINT NOT NULL,
    ratings_short BIGINT NOT NULL,
    ratings_undecided BIGINT NOT NULL,
    findings BIGINT NOT NULL,
    findings_short BIGINT NOT NULL,
    findings_undecided BIGINT NOT NULL,
    ratio_db_min DOUBLE PRECISION
);
CREATE INDEX run_serial ON run (serial, started_utc);
CREATE INDEX run_model ON run (maker, model, started_utc);
CREATE INDEX run_started ON run (started_utc);
CREATE INDEX run_verdict ON run (verdict, started_utc);
CREATE INDEX run_script ON run (script, started_utc);

CREATE TABLE rating (
    run_key TEXT NOT NULL REFERENCES run (key) ON DELETE CASCADE,
    nth BIGINT NOT NULL,
    rating BIGINT NOT NULL,
    rated DOUBLE PRECISION,
    measured DOUBLE PRECISION,
    expanded_u DOUBLE PRECISION,
    unit TEXT NOT NULL,
    ratio_db DOUBLE PRECISION,
    load_ohm DOUBLE PRECISION,
    supply_v DOUBLE PRECISION,
    hz DOUBLE PRECISION,
    driven TEXT NOT NULL,
    limit_by TEXT NOT NULL,
    limit_pct DOUBLE PRECISION,
    verdict TEXT,
    cause TEXT,
    out_vrms DOUBLE PRECISION,
    efficiency_pct DOUBLE PRECISION,
    heatsink_c DOUBLE PRECISION,
    not_measured TEXT,
    PRIMARY KEY (run_key, nth)
);
CREATE INDEX rating_cause ON rating (cause, run_key);

CREATE TABLE clean (
    run_key TEXT NOT NULL,
    rating_nth BIGINT NOT NULL,
    nth BIGINT NOT NULL,
    limit_pct DOUBLE PRECISION,
    delivered DOUBLE PRECISION,
    PRIMARY KEY (run_key, rating_nth, nth),
    FOREIGN KEY (run_key, rating_nth) REFERENCES rating (run_key, nth) ON DELETE CASCADE
);

CREATE TABLE finding (
    run_key TEXT NOT NULL REFERENCES run (key) ON DELETE CASCADE,
    nth BIGINT NOT NULL,
    finding BIGINT NOT NULL,
    name TEXT NOT NULL,
    channel BIGINT,
    value DOUBLE PRECISION,
    unit TEXT NOT NULL,
    expanded_u DOUBLE PRECISION,
    at TEXT NOT NULL,
    low DOUBLE PRECISION,
    high DOUBLE PRECISION,
    verdict TEXT,
    note TEXT NOT NULL,
    PRIMARY KEY (run_key, nth)
);

CREATE TABLE instrument (
    run_key TEXT NOT NULL REFERENCES run (key) ON DELETE CASCADE,
    nth BIGINT NOT NULL,
    role TEXT NOT NULL,
    idn TEXT NOT NULL,
    dialect TEXT NOT NULL,
    PRIMARY KEY (run_key, nth)
);

CREATE TABLE file (
    run_key TEXT NOT NULL REFERENCES run (key) ON DELETE CASCADE,
    nth BIGINT NOT NULL,
    name TEXT NOT NULL,
    bytes BIGINT NOT NULL,
    sha256 TEXT,
    PRIMARY KEY (run_key, nth)
);

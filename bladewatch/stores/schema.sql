-- The signals of a shop: samples, strokes and what is kept of them for speed. Schema version 4.
-- Every instant is microseconds of UTC since 1970; hours are instants divided by 3 600 000 000.
-- `known_us` is when a fact became known here: an answer at T uses the facts with ts_us <= T and known_us <= T.
--
-- Version history
--   1  first version
--   2  the ledger has the columns work, due and findings; an answer keeps the question it was given to
--   3  kept_book: what the ledger's rows meant a month ago, kept for speed; outbox: what waits for a shared store
--   4  due_hour: hours whose sheet is to be forwarded; meta names the file among those that forward; outbox.sums

-- A spindle of a saw; other tables name it by this number.
CREATE TABLE spot (
    id      INTEGER PRIMARY KEY,
    saw     TEXT NOT NULL,
    spindle TEXT NOT NULL,
    UNIQUE (saw, spindle)
);

-- A signal at a place: `point` is the sensor's place for vibration, else ''.
CREATE TABLE series (
    id     INTEGER PRIMARY KEY,
    spot   INTEGER NOT NULL REFERENCES spot (id),
    signal TEXT NOT NULL,
    point  TEXT NOT NULL,
    UNIQUE (spot, signal, point)
);

-- Readings not packed yet. Identity: series and instant.
CREATE TABLE sample (
    series   INTEGER NOT NULL REFERENCES series (id),
    ts_us    INTEGER NOT NULL,
    value    REAL    NOT NULL,
    known_us INTEGER NOT NULL,
    PRIMARY KEY (series, ts_us)
) WITHOUT ROWID;

-- An hour of readings, packed without loss (see blocks.py) once it is two days old.
CREATE TABLE block (
    series    INTEGER NOT NULL REFERENCES series (id),
    hour      INTEGER NOT NULL,
    n         INTEGER NOT NULL,
    known_us  INTEGER NOT NULL, -- the newest inside; -1: only readings that stay for good are left
    packed_us INTEGER NOT NULL, -- when it was packed
    packed    BLOB    NOT NULL,
    PRIMARY KEY (series, hour)
) WITHOUT ROWID;

-- What stays of fast readings after `keep_raw_days`: one row a minute, inside and outside strokes apart.
CREATE TABLE minute (
    series   INTEGER NOT NULL REFERENCES series (id),
    minute   INTEGER NOT NULL, -- instant divided by 60 000 000
    inside   INTEGER NOT NULL, -- 1: the blade was in metal
    n        INTEGER NOT NULL,
    total    INTEGER NOT NULL, -- in millionths of the signal's unit
    low      REAL    NOT NULL,
    high     REAL    NOT NULL,
    known_us INTEGER NOT NULL, -- the newest inside
    PRIMARY KEY (series, minute, inside)
) WITHOUT ROWID;

-- One stroke of a saw, as its message told it. Identity: spot, instant, counter value.
CREATE TABLE stroke (
    spot               INTEGER NOT NULL REFERENCES spot (id),
    ts_us              INTEGER NOT NULL, -- end of the cut
    stroke             INTEGER NOT NULL, -- counter after this stroke
    known_us           INTEGER NOT NULL,
    seq                INTEGER,          -- the publisher's running number, no part of the content
    part               TEXT,
    alloy              TEXT,
    area_cmm2          INTEGER,          -- hundredths of a square millimetre, all bars, holes excluded
    height_mm          REAL,
    bars               INTEGER,
    pieces             INTEGER,
    length_mm          REAL,
    measured_mm        REAL,
    mitre_deg          REAL,
    feed_mm_s          REAL,
    feed_override_pct  REAL,
    feed_load_pct      REAL,
    spindle_rpm        REAL,
    duration_s         REAL,             -- time in metal
    energy_kj          REAL,             -- gross, over duration_s
    mean_power_kw      REAL,             -- gross, over duration_s
    peak_power_kw      REAL,
    order_no           TEXT,
    lot                TEXT,
    kind               TEXT,             -- piece, trim, remnant, air, aborted, test
    clock_from_receipt INTEGER,          -- 1: replayed with its time of receipt
    PRIMARY KEY (spot, ts_us, stroke)
) WITHOUT ROWID;

-- Kept for speed: strokes of an hour by what they say of themselves.
CREATE TABLE work_hour (
    spot        INTEGER NOT NULL REFERENCES spot (id),
    hour        INTEGER NOT NULL,
    work        TEXT    NOT NULL, -- JSON: [part, alloy, kind, has area, bars, mitre], as sent
    strokes     INTEGER NOT NULL, -- with a message
    filled      INTEGER NOT NULL, -- known only from the counter, between two strokes of one part
    area_cmm2   INTEGER NOT NULL, -- of strokes that carry their area, and of those filled after them
    energy_j    INTEGER NOT NULL, -- gross, of strokes that carry it
    pieces      INTEGER NOT NULL,
    power_min_w INTEGER,          -- the lowest mean power, for the judgement of air strokes
    PRIMARY KEY (spot, hour, work)
) WITHOUT ROWID;

-- Kept for speed: the counter over an hour. `plain` 0: the hour's rows have to be read.
CREATE TABLE counter_hour (
    spot         INTEGER NOT NULL REFERENCES spot (id),
    hour         INTEGER NOT NULL,
    first_us     INTEGER NOT NULL,
    first_stroke INTEGER NOT NULL,
    last_us      INTEGER NOT NULL,
    last_stroke  INTEGER NOT NULL,
    plain        INTEGER NOT NULL,
    known_us     INTEGER NOT NULL, -- the newest inside
    PRIMARY KEY (spot, hour)
) WITHOUT ROWID;

-- Kept for speed: power readings outside strokes over an hour. `n` -1: not worked out since the hour was touched.
CREATE TABLE idle_hour (
    series   INTEGER NOT NULL REFERENCES series (id),
    hour     INTEGER NOT NULL,
    n        INTEGER NOT NULL,
    total    INTEGER NOT NULL, -- in millionths of the signal's unit
    known_us INTEGER NOT NULL, -- the newest inside, strokes included
    PRIMARY KEY (series, hour)
) WITHOUT ROWID;

-- Short records of fast vibration, kept by quota; `samples` NULL: dropped for room, the row stays as its count.
CREATE TABLE waveform (
    series   INTEGER NOT NULL REFERENCES series (id),
    ts_us    INTEGER NOT NULL,
    known_us INTEGER NOT NULL,
    fs_hz    REAL    NOT NULL,
    unit     TEXT    NOT NULL,
    n        INTEGER NOT NULL,
    digest   TEXT    NOT NULL,
    samples  BLOB,             -- float64, zlib
    PRIMARY KEY (series, ts_us)
) WITHOUT ROWID;

-- What waits to be forwarded to a shared store: lines, packed, in the order in which they were stored.
CREATE TABLE outbox (
    id          INTEGER PRIMARY KEY,
    measurement TEXT    NOT NULL,
    count       INTEGER NOT NULL,
    size        INTEGER NOT NULL,
    first_ns    INTEGER NOT NULL,
    last_ns     INTEGER NOT NULL,
    lines       BLOB    NOT NULL, -- line protocol, zlib
    sent_us     INTEGER,          -- when the server took it; it goes when it was seen there
    sums        TEXT              -- JSON by series: its tags, how many points, the sum of their known_us
);
CREATE INDEX outbox_size ON outbox (size); -- how much room is taken is asked at every commit

-- Hours that changed since their sheet was put into the outbox; used where a shared store is configured.
CREATE TABLE due_hour (
    spot INTEGER NOT NULL REFERENCES spot (id),
    hour INTEGER NOT NULL,
    PRIMARY KEY (spot, hour)
) WITHOUT ROWID;

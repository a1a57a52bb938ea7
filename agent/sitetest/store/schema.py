"""The tables of results/site.sqlite, column by column: the one place where they are written down. What a version added
to or changed in the one before it stands in a script of its own.

Times are text, ISO 8601 in UTC with microseconds and offset, so that they sort as text. NULL is "not measured".
Units stand in the names. What has been kept is a fact: triggers refuse to change or delete it, whoever asks.

A change here is a new step in `migrations.py`, a new SCHEMA_VERSION in `fields.py` and a new stored file in the tests.
May import nothing.
"""

APPLICATION_ID = 0x53495445
"""SQLite's `application_id` of our files: the letters SITE. Tells them from other programs' databases."""

SCHEMA_1 = """
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,               -- created_at, created_by, written_by
    value TEXT NOT NULL                   -- versions are versions of sitetest; written_by is the last one that wrote
);

CREATE TABLE visit (
    sequence         INTEGER PRIMARY KEY, -- order in which visits began
    visit_id         TEXT NOT NULL UNIQUE,
    site             TEXT NOT NULL,
    location         TEXT NOT NULL,
    profile          TEXT NOT NULL,
    started_at       TEXT NOT NULL,       -- time
    plan             TEXT NOT NULL,       -- the whole plan as JSON
    seed             INTEGER NOT NULL,    -- chose the order of each quad
    client           TEXT NOT NULL,       -- label of the laptop
    sitetest_version TEXT NOT NULL,
    simulated        TEXT,                -- what the server said it simulates; NULL for a real one
    ended_at         TEXT,                -- time; NULL while it runs, or when the agent died
    outcome          TEXT                 -- complete, interrupted, ...; NULL like ended_at
);
CREATE INDEX visit_by_place ON visit (profile, location, sequence);

CREATE TABLE turn (
    sequence    INTEGER PRIMARY KEY,      -- order in which turns began
    visit_id    TEXT NOT NULL REFERENCES visit (visit_id),
    turn        INTEGER NOT NULL,         -- may come twice: a resumed visit begins its turn anew
    quad        INTEGER NOT NULL,
    ap_config   TEXT NOT NULL,
    started_at  TEXT NOT NULL,            -- time
    association TEXT NOT NULL,            -- how the fresh association came about
    switched    TEXT NOT NULL,            -- how the AP config was applied: command, operator, kept
    back_s      REAL                      -- seconds until the server answered again
);
CREATE INDEX turn_by_visit ON turn (visit_id, turn, sequence);

CREATE TABLE attempt (
    sequence           INTEGER PRIMARY KEY, -- order in which attempts began
    test_id            TEXT NOT NULL UNIQUE,
    visit_id           TEXT NOT NULL REFERENCES visit (visit_id),
    turn_sequence      INTEGER REFERENCES turn (sequence), -- the turn as it really began; NULL when it never did
    settled            INTEGER NOT NULL CHECK (settled IN (0, 1)), -- 0: announced, not ended; 1: a fact from then on
    turn               INTEGER NOT NULL,
    repeat             INTEGER NOT NULL,
    attempt            INTEGER NOT NULL,
    order_index        INTEGER NOT NULL,
    location           TEXT NOT NULL,
    access_point       TEXT NOT NULL,
    ap_config          TEXT NOT NULL,
    firmware           TEXT,
    leg                TEXT NOT NULL,
    engine             TEXT NOT NULL,
    direction          TEXT NOT NULL CHECK (direction IN ('download', 'upload')),
    streams            INTEGER NOT NULL,
    server             TEXT NOT NULL,
    started_at         TEXT NOT NULL,     -- time
    offset_s           REAL NOT NULL,     -- monotonic clock, since the visit began or was resumed
    warm_up_s          REAL NOT NULL,
    duration_s         REAL NOT NULL,     -- as planned
    status             TEXT NOT NULL CHECK (status IN ('ok', 'failed', 'invalid', 'interrupted')),
    reason             TEXT NOT NULL,     -- why the status is what it is; empty when ok
    purpose            TEXT NOT NULL CHECK (purpose IN ('planned', 'again', 'extra')),
    wall_s             REAL NOT NULL,     -- all of it, association and lease included
    window_s           REAL,              -- real length of the measuring window
    throughput_mbps    REAL,              -- the figure of record
    received_bytes     INTEGER,           -- inside the window
    moved_bytes        INTEGER NOT NULL,  -- warm-up included
    retransmits        INTEGER,
    congestion_control TEXT,
    engine_version     TEXT,
    local_address      TEXT,
    client_cpu_share   REAL,              -- of one core
    server_cpu_share   REAL,              -- of one core
    raw                TEXT               -- the engine's own record; last, so that reading the others never loads it
);
CREATE INDEX attempt_by_visit ON attempt (visit_id, sequence);

CREATE TABLE second (
    test_id         TEXT NOT NULL REFERENCES attempt (test_id),
    second          INTEGER NOT NULL,     -- 0 for the first of the measuring window
    start_s         REAL NOT NULL,
    length_s        REAL NOT NULL,
    throughput_mbps REAL NOT NULL,
    stream_bytes    TEXT NOT NULL,        -- received in it, one entry a stream, as a JSON list of numbers
    rtt_ms          REAL,
    retransmits     INTEGER,
    PRIMARY KEY (test_id, second)
) WITHOUT ROWID;

CREATE TABLE flag (
    sequence INTEGER PRIMARY KEY,         -- order in which flags were raised
    test_id  TEXT NOT NULL REFERENCES attempt (test_id),
    name     TEXT NOT NULL CHECK (name <> '' AND instr(name, ';') = 0),
    reason   TEXT NOT NULL,               -- what was seen, in words
    severity TEXT NOT NULL CHECK (severity IN ('invalid', 'doubt', 'note'))
);
CREATE INDEX flag_by_attempt ON flag (test_id, sequence);

CREATE TABLE event (
    sequence INTEGER PRIMARY KEY,
    visit_id TEXT NOT NULL REFERENCES visit (visit_id),
    at       TEXT NOT NULL,               -- time
    offset_s REAL NOT NULL,               -- monotonic clock, since the visit began or was resumed
    kind     TEXT NOT NULL,
    detail   TEXT NOT NULL                -- JSON
);
CREATE INDEX event_by_visit ON event (visit_id, sequence);

CREATE TRIGGER attempt_settled BEFORE UPDATE ON attempt WHEN OLD.settled = 1
    BEGIN SELECT RAISE(ABORT, 'an attempt that is kept never changes'); END;
CREATE TRIGGER attempt_stays BEFORE DELETE ON attempt
    BEGIN SELECT RAISE(ABORT, 'an attempt is never deleted'); END;
CREATE TRIGGER second_settled BEFORE UPDATE ON second
    BEGIN SELECT RAISE(ABORT, 'a second that is kept never changes'); END;
CREATE TRIGGER second_stays BEFORE DELETE ON second
    BEGIN SELECT RAISE(ABORT, 'a second is never deleted'); END;
CREATE TRIGGER flag_settled BEFORE UPDATE ON flag
    BEGIN SELECT RAISE(ABORT, 'a flag that is kept never changes'); END;
CREATE TRIGGER flag_stays BEFORE DELETE ON flag
    BEGIN SELECT RAISE(ABORT, 'a flag is never deleted'); END;
CREATE TRIGGER event_settled BEFORE UPDATE ON event
    BEGIN SELECT RAISE(ABORT, 'an event that is kept never changes'); END;
CREATE TRIGGER event_stays BEFORE DELETE ON event
    BEGIN SELECT RAISE(ABORT, 'an event is never deleted'); END;
CREATE TRIGGER turn_settled BEFORE UPDATE ON turn
    BEGIN SELECT RAISE(ABORT, 'a turn that is kept never changes'); END;
CREATE TRIGGER turn_stays BEFORE DELETE ON turn
    BEGIN SELECT RAISE(ABORT, 'a turn is never deleted'); END;
CREATE TRIGGER visit_settled BEFORE UPDATE OF
    visit_id, site, location, profile, started_at, plan, seed, client, sitetest_version, simulated ON visit
    BEGIN SELECT RAISE(ABORT, 'of a visit, only its end may be added'); END;
CREATE TRIGGER visit_stays BEFORE DELETE ON visit
    BEGIN SELECT RAISE(ABORT, 'a visit is never deleted'); END;
"""

SCHEMA_2 = """
-- What observers saw beside the attempt; NULL where nobody looked or nobody could tell.
ALTER TABLE attempt ADD COLUMN rtt_idle_ms REAL;             -- medians and percentiles of the latency probes
ALTER TABLE attempt ADD COLUMN rtt_loaded_p50_ms REAL;
ALTER TABLE attempt ADD COLUMN rtt_loaded_p95_ms REAL;
ALTER TABLE attempt ADD COLUMN rtt_after_ms REAL;
ALTER TABLE attempt ADD COLUMN probe_loss_pct REAL;
ALTER TABLE attempt ADD COLUMN tcp_efficiency_pct REAL;      -- RFC 6349
ALTER TABLE attempt ADD COLUMN buffer_delay_pct REAL;        -- RFC 6349
ALTER TABLE attempt ADD COLUMN responsiveness_rpm REAL;
ALTER TABLE attempt ADD COLUMN responsiveness_draft TEXT;    -- revision of the draft that defines it
ALTER TABLE attempt ADD COLUMN latency_why TEXT;             -- why there is no latency, in words
ALTER TABLE attempt ADD COLUMN link_source TEXT NOT NULL DEFAULT 'none'
    CHECK (link_source IN ('live', 'recorded', 'simulated', 'none'));
ALTER TABLE attempt ADD COLUMN band TEXT;                    -- GHz
ALTER TABLE attempt ADD COLUMN channel INTEGER;
ALTER TABLE attempt ADD COLUMN width_mhz INTEGER;
ALTER TABLE attempt ADD COLUMN rssi_dbm REAL;
ALTER TABLE attempt ADD COLUMN tx_rate_mbps REAL;
ALTER TABLE attempt ADD COLUMN rx_rate_mbps REAL;
ALTER TABLE attempt ADD COLUMN phy TEXT;
ALTER TABLE attempt ADD COLUMN bssid_label TEXT;
ALTER TABLE attempt ADD COLUMN power_save INTEGER CHECK (power_save IN (0, 1));
ALTER TABLE attempt ADD COLUMN interface TEXT;
ALTER TABLE attempt ADD COLUMN interface_kind TEXT;
ALTER TABLE attempt ADD COLUMN link_mbps INTEGER;            -- of the wired ends
ALTER TABLE attempt ADD COLUMN server_link_mbps INTEGER;
ALTER TABLE attempt ADD COLUMN mss_bytes INTEGER;
ALTER TABLE attempt ADD COLUMN busiest_core_pct REAL;
ALTER TABLE attempt ADD COLUMN server_busiest_core_pct REAL;
ALTER TABLE attempt ADD COLUMN other_traffic_pct REAL;       -- of the payload
ALTER TABLE attempt ADD COLUMN plugged INTEGER CHECK (plugged IN (0, 1));
ALTER TABLE attempt ADD COLUMN ceiling_mbps REAL;
ALTER TABLE attempt ADD COLUMN ceiling_by TEXT;
ALTER TABLE attempt ADD COLUMN binding TEXT;                 -- what binds it, in one word
ALTER TABLE attempt ADD COLUMN binding_figures TEXT;
ALTER TABLE attempt ADD COLUMN unknown TEXT NOT NULL DEFAULT '[]'; -- names of flags not evaluated, as a JSON list

ALTER TABLE second ADD COLUMN probe_rtt_ms REAL;
ALTER TABLE second ADD COLUMN probes_lost INTEGER;
ALTER TABLE second ADD COLUMN rssi_dbm REAL;
ALTER TABLE second ADD COLUMN tx_rate_mbps REAL;
ALTER TABLE second ADD COLUMN rx_rate_mbps REAL;
ALTER TABLE second ADD COLUMN channel INTEGER;
ALTER TABLE second ADD COLUMN width_mhz INTEGER;
ALTER TABLE second ADD COLUMN bssid_label TEXT;
ALTER TABLE second ADD COLUMN busiest_core_pct REAL;
ALTER TABLE second ADD COLUMN server_busiest_core_pct REAL;
ALTER TABLE second ADD COLUMN other_mbps REAL;

CREATE TABLE raw (                        -- apart, so that reading attempts never loads it
    test_id TEXT PRIMARY KEY REFERENCES attempt (test_id),
    body    TEXT NOT NULL                 -- the engine's own record
);
INSERT INTO raw SELECT test_id, raw FROM attempt WHERE raw IS NOT NULL ORDER BY sequence;
ALTER TABLE attempt DROP COLUMN raw;

CREATE TABLE observation (
    sequence INTEGER PRIMARY KEY,         -- order in which the observers wrote them
    test_id  TEXT NOT NULL REFERENCES attempt (test_id),
    kind     TEXT NOT NULL,
    at_s     REAL NOT NULL,               -- since the load began; negative before it
    body     TEXT NOT NULL                -- JSON
);
CREATE INDEX observation_by_attempt ON observation (test_id, sequence);

CREATE TABLE baseline (
    sequence         INTEGER PRIMARY KEY, -- order in which they were measured
    baseline_id      TEXT NOT NULL UNIQUE,
    measured_at      TEXT NOT NULL,       -- time
    client           TEXT NOT NULL,
    server           TEXT NOT NULL,
    interface        TEXT,
    link_mbps        INTEGER,             -- speeds of the wired ends
    server_link_mbps INTEGER,
    engine           TEXT NOT NULL,
    streams          INTEGER NOT NULL,
    duration_s       REAL NOT NULL,
    download_mbps    REAL,
    upload_mbps      REAL
);

CREATE TRIGGER raw_settled BEFORE UPDATE ON raw
    BEGIN SELECT RAISE(ABORT, 'an engine''s record that is kept never changes'); END;
CREATE TRIGGER raw_stays BEFORE DELETE ON raw
    BEGIN SELECT RAISE(ABORT, 'an engine''s record is never deleted'); END;
CREATE TRIGGER observation_settled BEFORE UPDATE ON observation
    BEGIN SELECT RAISE(ABORT, 'an observation that is kept never changes'); END;
CREATE TRIGGER observation_stays BEFORE DELETE ON observation
    BEGIN SELECT RAISE(ABORT, 'an observation is never deleted'); END;
CREATE TRIGGER baseline_settled BEFORE UPDATE ON baseline
    BEGIN SELECT RAISE(ABORT, 'a baseline that is kept never changes'); END;
CREATE TRIGGER baseline_stays BEFORE DELETE ON baseline
    BEGIN SELECT RAISE(ABORT, 'a baseline is never deleted'); END;
"""

SCHEMA_3 = """
ALTER TABLE visit ADD COLUMN kind TEXT NOT NULL DEFAULT 'run' CHECK (kind IN ('run', 'soak'));
CREATE TRIGGER visit_kind_settled BEFORE UPDATE OF kind ON visit
    BEGIN SELECT RAISE(ABORT, 'of a visit, only its end may be added'); END;

CREATE TABLE watch_second (               -- of the watch that a soak keeps on the path
    sequence     INTEGER PRIMARY KEY,     -- order in which they were told
    visit_id     TEXT NOT NULL REFERENCES visit (visit_id),
    at           TEXT NOT NULL,           -- time of its begin
    offset_s     REAL NOT NULL,           -- monotonic clock, since this part of the soak began
    length_s     REAL NOT NULL,
    doing        TEXT NOT NULL CHECK (doing IN ('nothing', 'transfer', 'switch')), -- what the agent did to the path
    probes       INTEGER NOT NULL,        -- due in it; 0: nobody watched
    answered     INTEGER NOT NULL,        -- of those, in time
    rtt_p50_ms   REAL,
    rtt_max_ms   REAL,
    associated   INTEGER CHECK (associated IN (0, 1)),
    rssi_dbm     REAL,
    tx_rate_mbps REAL,
    rx_rate_mbps REAL,
    channel      INTEGER,
    width_mhz    INTEGER,
    bssid_label  TEXT
);
CREATE INDEX watch_second_by_visit ON watch_second (visit_id, sequence);

CREATE TRIGGER watch_second_settled BEFORE UPDATE ON watch_second
    BEGIN SELECT RAISE(ABORT, 'a second of the watch that is kept never changes'); END;
CREATE TRIGGER watch_second_stays BEFORE DELETE ON watch_second
    BEGIN SELECT RAISE(ABORT, 'a second of the watch is never deleted'); END;
"""

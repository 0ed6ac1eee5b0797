-- The tables of schema.sql as PostgreSQL has them. Search tables are split by owner, so that one patient's keys
-- lie together and each part's index stays small. Texts compare by code point, as on SQLite.

CREATE TABLE schema_version (
    version bigint NOT NULL,
    compatible_with bigint NOT NULL
);

-- Numbers of all writes. A transaction first tells, by a shared advisory lock, below which numbers it has none:
-- readers of changes stop before the lowest number that may still be uncommitted, so that nothing ever appears
-- behind them.
CREATE SEQUENCE write_sequence;

CREATE FUNCTION take_sequences(wanted bigint) RETURNS bigint[] LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock_shared((21335::bigint << 48) | (last_value - 1)) FROM write_sequence;
    RETURN ARRAY(SELECT nextval('write_sequence') FROM generate_series(1, wanted));
END
$$;

CREATE FUNCTION settled_sequence() RETURNS bigint LANGUAGE plpgsql AS $$
DECLARE
    newest bigint := (SELECT last_value FROM write_sequence);  -- read first: later numbers do not concern us
BEGIN
    RETURN least(newest, (
        SELECT min(((classid::bigint & 65535) << 32) | objid::bigint)
        FROM pg_locks
        WHERE locktype = 'advisory' AND objsubid = 1 AND classid::bigint >> 16 = 21335
          AND database = (SELECT oid FROM pg_database WHERE datname = current_database())
    ));
END
$$;

CREATE TABLE word (
    key bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    text text COLLATE "C" NOT NULL UNIQUE
);

-- Raised whenever numbers of words are taken back; processes that remember numbers compare it (postgres_words.py).
CREATE SEQUENCE word_generation;

-- Rows that transactions write when they relied on something not being there: of two such transactions at once
-- one is done again (see guards.py).
CREATE TABLE guard (
    key bigint PRIMARY KEY,
    turn bigint NOT NULL
) WITH (fillfactor = 50);

CREATE TABLE current (
    key bigint PRIMARY KEY,
    type text COLLATE "C" NOT NULL,
    id text COLLATE "C" NOT NULL,
    owner bigint NOT NULL,
    sequence bigint NOT NULL,
    version bigint NOT NULL,
    updated bigint NOT NULL,
    deleted boolean NOT NULL,
    keys jsonb NOT NULL
);
CREATE UNIQUE INDEX current_id ON current (type, id);
CREATE INDEX current_type ON current (type, key) WHERE NOT deleted;
CREATE INDEX current_owner ON current (type, owner, key) WHERE NOT deleted;
CREATE INDEX current_updated ON current (type, updated) WHERE NOT deleted;
CREATE INDEX current_sequence ON current (sequence);

CREATE TABLE resource (
    sequence bigint PRIMARY KEY,
    key bigint NOT NULL REFERENCES current (key),
    version bigint NOT NULL,
    last_updated text COLLATE "C" NOT NULL,
    method text COLLATE "C" NOT NULL,
    content text COLLATE "C" NOT NULL,
    labelled boolean NOT NULL
);
CREATE UNIQUE INDEX resource_version ON resource (key, version);
CREATE INDEX resource_updated ON resource (last_updated, sequence);

CREATE TABLE token (
    owner bigint NOT NULL,
    name bigint NOT NULL,
    code text COLLATE "C" NOT NULL,
    key bigint NOT NULL,
    system bigint NOT NULL,
    text bigint NOT NULL,
    part bigint NOT NULL,
    PRIMARY KEY (owner, name, code, key, system, text, part)
) PARTITION BY HASH (owner);

CREATE TABLE reference (
    target text COLLATE "C" NOT NULL,
    name bigint NOT NULL,
    key bigint NOT NULL,
    part bigint NOT NULL,
    PRIMARY KEY (target, name, key, part)
) PARTITION BY HASH (target);

CREATE TABLE date (
    owner bigint NOT NULL,
    name bigint NOT NULL,
    low bigint NOT NULL,
    high bigint NOT NULL,
    key bigint NOT NULL,
    part bigint NOT NULL,
    PRIMARY KEY (owner, name, low, high, key, part)
) PARTITION BY HASH (owner);
CREATE INDEX date_key ON date (key, name, low, high);

CREATE TABLE number (
    owner bigint NOT NULL,
    name bigint NOT NULL,
    low double precision NOT NULL,
    high double precision NOT NULL,
    key bigint NOT NULL,
    part bigint NOT NULL,
    PRIMARY KEY (owner, name, low, high, key, part)
) PARTITION BY HASH (owner);

CREATE TABLE quantity (
    owner bigint NOT NULL,
    name bigint NOT NULL,
    low double precision NOT NULL,
    high double precision NOT NULL,
    key bigint NOT NULL,
    code text COLLATE "C" NOT NULL,
    system bigint NOT NULL,
    part bigint NOT NULL,
    PRIMARY KEY (owner, name, low, high, key, code, system, part)
) PARTITION BY HASH (owner);

CREATE TABLE string (
    owner bigint NOT NULL,
    name bigint NOT NULL,
    value text COLLATE "C" NOT NULL,
    key bigint NOT NULL,
    exact text COLLATE "C" NOT NULL,
    part bigint NOT NULL,
    PRIMARY KEY (owner, name, value, key, exact, part)
) PARTITION BY HASH (owner);

CREATE TABLE uri (
    owner bigint NOT NULL,
    name bigint NOT NULL,
    value text COLLATE "C" NOT NULL,
    key bigint NOT NULL,
    part bigint NOT NULL,
    PRIMARY KEY (owner, name, value, key, part)
) PARTITION BY HASH (owner);

DO $$
DECLARE
    whole text;
BEGIN
    FOR whole IN SELECT relname FROM pg_class WHERE relkind = 'p' AND relnamespace = 'public'::regnamespace LOOP
        FOR part IN 0..7 LOOP
            EXECUTE format(
                'CREATE TABLE %I PARTITION OF %I FOR VALUES WITH (MODULUS 8, REMAINDER %s)',
                whole || '_' || part, whole, part
            );
        END LOOP;
    END LOOP;
END
$$;

CREATE TABLE visit_record (
    system text COLLATE "C" NOT NULL,
    value text COLLATE "C" NOT NULL,
    patient text COLLATE "C" NOT NULL,
    time text COLLATE "C" NOT NULL,
    PRIMARY KEY (system, value),
    UNIQUE (patient, time)
);

-- Rows for lists of patients and notes of what changed since they were made (see summaries.py). Both are derived:
-- they are in no backup and made anew when missing.
CREATE TABLE summary (
    patient text COLLATE "C" PRIMARY KEY,
    edition bigint NOT NULL,
    day text COLLATE "C" NOT NULL,  -- of the site, ISO 8601, as the other days
    basis text COLLATE "C" NOT NULL,
    name text COLLATE "C" NOT NULL,
    last_visit text COLLATE "C",
    next_review text COLLATE "C",
    concern bigint NOT NULL,
    cues bigint NOT NULL,
    tags text COLLATE "C" NOT NULL,  -- words, a space before and behind each
    content text COLLATE "C" NOT NULL
);

CREATE TABLE touched (
    patient text COLLATE "C" NOT NULL,
    sequence bigint NOT NULL,  -- of a version that was about the patient, or no longer is
    PRIMARY KEY (patient, sequence)
);

-- The audit trail (see audit.py). Rows are only ever added, to the end of their chain; 'audit_chain' has the ends.
CREATE TABLE audit (
    chain text COLLATE "C" NOT NULL,
    place bigint NOT NULL,
    recorded bigint NOT NULL,  -- UTC milliseconds
    type text COLLATE "C" NOT NULL,
    subtype text COLLATE "C" NOT NULL,
    action text COLLATE "C" NOT NULL,
    outcome text COLLATE "C" NOT NULL,
    agent text COLLATE "C" NOT NULL,
    subject text COLLATE "C" NOT NULL,
    hash text COLLATE "C" NOT NULL,
    content text COLLATE "C" NOT NULL,  -- the AuditEvent (JSON)
    PRIMARY KEY (chain, place)
);
CREATE INDEX audit_recorded ON audit (recorded, chain, place);
CREATE INDEX audit_agent ON audit (agent, recorded) WHERE agent <> '';
CREATE INDEX audit_subject ON audit (subject, recorded) WHERE subject <> '';

CREATE TABLE audit_target (
    target text COLLATE "C" NOT NULL,
    recorded bigint NOT NULL,
    chain text COLLATE "C" NOT NULL,
    place bigint NOT NULL,
    PRIMARY KEY (target, recorded, chain, place)
);

CREATE TABLE audit_chain (
    chain text COLLATE "C" PRIMARY KEY,
    place bigint NOT NULL,
    recorded bigint NOT NULL,
    hash text COLLATE "C" NOT NULL
) WITH (fillfactor = 50);

-- The last row that was taken away from the beginning of a chain, as its time was over.
CREATE TABLE audit_begun (
    chain text COLLATE "C" PRIMARY KEY,
    place bigint NOT NULL,
    recorded bigint NOT NULL,
    hash text COLLATE "C" NOT NULL
);

CREATE OR REPLACE FUNCTION never_changed() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit trail is never changed';
END
$$;

CREATE OR REPLACE FUNCTION never_taken_away() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place) THEN
        RAISE EXCEPTION 'the audit trail is never changed';
    END IF;
    RETURN OLD;
END
$$;

CREATE TRIGGER audit_never_changed BEFORE UPDATE OR TRUNCATE ON audit
    FOR EACH STATEMENT EXECUTE FUNCTION never_changed();
CREATE TRIGGER audit_never_taken_away BEFORE DELETE ON audit
    FOR EACH ROW EXECUTE FUNCTION never_taken_away();

CREATE TRIGGER audit_target_never_changed BEFORE UPDATE OR TRUNCATE ON audit_target
    FOR EACH STATEMENT EXECUTE FUNCTION never_changed();
CREATE TRIGGER audit_target_never_taken_away BEFORE DELETE ON audit_target
    FOR EACH ROW EXECUTE FUNCTION never_taken_away();

-- What access rests on (see entries.py).
CREATE TABLE entry (
    kind text COLLATE "C" NOT NULL,
    name text COLLATE "C" NOT NULL,
    expires bigint NOT NULL,  -- seconds since 1970, 0 for never
    content text COLLATE "C" NOT NULL,
    PRIMARY KEY (kind, name)
);

-- What a reader of the changes has seen of them: everything up to a number (see feeds.py).
CREATE TABLE feed (
    name text COLLATE "C" PRIMARY KEY,
    sequence bigint NOT NULL
);

-- How a destination stands (see destinations.py). Times are UTC milliseconds.
CREATE TABLE destination (
    name text COLLATE "C" PRIMARY KEY,
    paused bigint NOT NULL,    -- 1: nothing is sent until somebody says so
    failures bigint NOT NULL,  -- of the destination as a whole, since something arrived
    rests bigint NOT NULL,     -- not tried before
    sent bigint NOT NULL,      -- resources that arrived, ever
    failed bigint NOT NULL,    -- tries in vain, ever
    hour bigint NOT NULL DEFAULT 0,    -- since 1970, the one in which something arrived last
    lately bigint NOT NULL DEFAULT 0,  -- resources that arrived in it
    before bigint NOT NULL DEFAULT 0,  -- and in the one before
    problem text COLLATE "C" NOT NULL       -- what the last try in vain met
);

-- What a destination has left to be told of a patient ('' for what is nobody's): everything above 'delivered' up to
-- 'noted'. Times are UTC milliseconds.
CREATE TABLE delivery (
    destination text COLLATE "C" NOT NULL,
    patient text COLLATE "C" NOT NULL,
    delivered bigint NOT NULL,
    noted bigint NOT NULL,
    since bigint NOT NULL,     -- when the oldest of what is left was written
    due bigint NOT NULL,       -- not tried before
    tries bigint NOT NULL,     -- in vain, since the last that was not
    holder text COLLATE "C" NOT NULL,       -- who works at it, until 'held'
    held bigint NOT NULL,
    parked bigint NOT NULL,    -- 1: not tried until somebody says so
    problem text COLLATE "C" NOT NULL,      -- what the last try met (JSON)
    PRIMARY KEY (destination, patient)
);
CREATE INDEX delivery_due ON delivery (destination, due) WHERE noted > delivered;

-- What a destination has of a resource: which version, and what that is called there.
CREATE TABLE delivered (
    destination text COLLATE "C" NOT NULL,
    type text COLLATE "C" NOT NULL,
    id text COLLATE "C" NOT NULL,
    patient text COLLATE "C" NOT NULL,
    version bigint NOT NULL,
    there text COLLATE "C" NOT NULL,        -- JSON
    PRIMARY KEY (destination, type, id)
);
CREATE INDEX delivered_patient ON delivered (patient);

-- The events of a subscription, numbered without a gap; 'sequence' is of the version that caused it, 'version' that of
-- what it is about.
CREATE TABLE subscription_event (
    subscription text COLLATE "C" NOT NULL,
    number bigint NOT NULL,
    sequence bigint NOT NULL,
    type text COLLATE "C" NOT NULL,
    id text COLLATE "C" NOT NULL,
    version bigint NOT NULL,
    patient text COLLATE "C" NOT NULL,
    occurred bigint NOT NULL,
    PRIMARY KEY (subscription, number),
    UNIQUE (subscription, sequence, type, id)
);
CREATE INDEX subscription_event_patient ON subscription_event (patient);

-- What the service keeps of a subscription (see subscriptions.py). Times are UTC milliseconds, 0 for none.
CREATE TABLE subscriber (
    subscription text COLLATE "C" PRIMARY KEY,
    asker text COLLATE "C" NOT NULL,       -- who wrote it last, as their token said (JSON)
    seen bigint NOT NULL,     -- what was written up to this number was looked at
    events bigint NOT NULL,   -- the number of its newest event
    sent bigint NOT NULL,     -- that of the newest its endpoint took, or that was given up on
    stopped bigint NOT NULL,  -- 1: it is off, and what is written meanwhile is no event
    contact bigint NOT NULL,  -- when its endpoint last took something
    since bigint NOT NULL,    -- when it first refused something, since it last took something
    due bigint NOT NULL,      -- not tried before
    tries bigint NOT NULL,    -- in vain, since its endpoint last took something
    holder text COLLATE "C" NOT NULL,      -- who works at it, until 'held'
    held bigint NOT NULL,
    problem text COLLATE "C" NOT NULL      -- what the last try met, a sentence
);

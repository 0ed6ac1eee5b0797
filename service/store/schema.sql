-- What is stored. 'owner' in the search tables is the patient's word, 0 for no (or not one) patient, or -1 for
-- the wide keys, which are found without naming a patient.

CREATE TABLE schema_version (
    version INTEGER NOT NULL,
    compatible_with INTEGER NOT NULL  -- the oldest program version that may open this database
);

-- Texts that repeat (patients, systems, index names), numbered.
CREATE TABLE word (
    key INTEGER PRIMARY KEY,
    text TEXT NOT NULL UNIQUE
);

CREATE TABLE current (
    key INTEGER PRIMARY KEY,
    type TEXT NOT NULL,
    id TEXT NOT NULL,
    owner INTEGER NOT NULL,
    sequence INTEGER NOT NULL,  -- of the newest version
    version INTEGER NOT NULL,
    updated INTEGER NOT NULL,   -- UTC milliseconds
    deleted INTEGER NOT NULL,
    keys TEXT NOT NULL          -- the rows written to the search tables (JSON): to take them back, and to sort
);
CREATE UNIQUE INDEX current_id ON current (type, id);
CREATE INDEX current_type ON current (type) WHERE NOT deleted;
CREATE INDEX current_owner ON current (type, owner) WHERE NOT deleted;
CREATE INDEX current_updated ON current (type, updated) WHERE NOT deleted;
CREATE INDEX current_sequence ON current (sequence);

CREATE TABLE resource (
    sequence INTEGER PRIMARY KEY,
    key INTEGER NOT NULL REFERENCES current (key),
    version INTEGER NOT NULL,
    last_updated TEXT NOT NULL,
    method TEXT NOT NULL,
    content BLOB NOT NULL,
    labelled INTEGER NOT NULL DEFAULT 0  -- whether a label restricts who may see it
);
CREATE UNIQUE INDEX resource_version ON resource (key, version);
CREATE INDEX resource_updated ON resource (last_updated);

-- 'part' is the number of the repeating part a value stands in, where parts are searched as a whole (a component's
-- code and value), else 0. 'text' is the word of what is written beside a code.
CREATE TABLE token (
    owner INTEGER NOT NULL,
    name INTEGER NOT NULL,
    code TEXT NOT NULL,
    key INTEGER NOT NULL,
    system INTEGER NOT NULL,
    text INTEGER NOT NULL,
    part INTEGER NOT NULL,
    PRIMARY KEY (owner, name, code, key, system, text, part)
) WITHOUT ROWID;

CREATE TABLE reference (
    target TEXT NOT NULL,
    name INTEGER NOT NULL,
    key INTEGER NOT NULL,
    part INTEGER NOT NULL,
    PRIMARY KEY (target, name, key, part)
) WITHOUT ROWID;

CREATE TABLE date (
    owner INTEGER NOT NULL,
    name INTEGER NOT NULL,
    low INTEGER NOT NULL,
    high INTEGER NOT NULL,
    key INTEGER NOT NULL,
    part INTEGER NOT NULL,
    PRIMARY KEY (owner, name, low, high, key, part)
) WITHOUT ROWID;
CREATE INDEX date_key ON date (key, name, low, high);

CREATE TABLE number (
    owner INTEGER NOT NULL,
    name INTEGER NOT NULL,
    low REAL NOT NULL,
    high REAL NOT NULL,
    key INTEGER NOT NULL,
    part INTEGER NOT NULL,
    PRIMARY KEY (owner, name, low, high, key, part)
) WITHOUT ROWID;

CREATE TABLE quantity (
    owner INTEGER NOT NULL,
    name INTEGER NOT NULL,
    low REAL NOT NULL,
    high REAL NOT NULL,
    key INTEGER NOT NULL,
    code TEXT NOT NULL,
    system INTEGER NOT NULL,    -- the word 'canonical' for a value in UCUM base units
    part INTEGER NOT NULL,
    PRIMARY KEY (owner, name, low, high, key, code, system, part)
) WITHOUT ROWID;

CREATE TABLE string (
    owner INTEGER NOT NULL,
    name INTEGER NOT NULL,
    value TEXT NOT NULL,
    key INTEGER NOT NULL,
    exact TEXT NOT NULL,
    part INTEGER NOT NULL,
    PRIMARY KEY (owner, name, value, key, exact, part)
) WITHOUT ROWID;

CREATE TABLE uri (
    owner INTEGER NOT NULL,
    name INTEGER NOT NULL,
    value TEXT NOT NULL,
    key INTEGER NOT NULL,
    part INTEGER NOT NULL,
    PRIMARY KEY (owner, name, value, key, part)
) WITHOUT ROWID;

CREATE TABLE visit_record (
    system TEXT NOT NULL,
    value TEXT NOT NULL,
    patient TEXT NOT NULL,
    time TEXT NOT NULL,
    PRIMARY KEY (system, value),
    UNIQUE (patient, time)
) WITHOUT ROWID;

-- Rows for lists of patients and notes of what changed since they were made (see summaries.py). Both are derived:
-- they are in no backup and made anew when missing.
CREATE TABLE summary (
    patient TEXT PRIMARY KEY,
    edition INTEGER NOT NULL,
    day TEXT NOT NULL,          -- of the site, ISO 8601, as the other days
    basis TEXT NOT NULL,
    name TEXT NOT NULL,
    last_visit TEXT,
    next_review TEXT,
    concern INTEGER NOT NULL,
    cues INTEGER NOT NULL,
    tags TEXT NOT NULL,         -- words, a space before and behind each
    content TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE touched (
    patient TEXT NOT NULL,
    sequence INTEGER NOT NULL,  -- of a version that was about the patient, or no longer is
    PRIMARY KEY (patient, sequence)
) WITHOUT ROWID;

-- What access rests on (see entries.py).
CREATE TABLE entry (
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    expires INTEGER NOT NULL,   -- seconds since 1970, 0 for never
    content TEXT NOT NULL,
    PRIMARY KEY (kind, name)
) WITHOUT ROWID;

-- What a reader of the changes has seen of them: everything up to a number (see feeds.py).
CREATE TABLE feed (
    name TEXT PRIMARY KEY,
    sequence INTEGER NOT NULL
) WITHOUT ROWID;

-- How a destination stands (see destinations.py). Times are UTC milliseconds.
CREATE TABLE destination (
    name TEXT PRIMARY KEY,
    paused INTEGER NOT NULL,    -- 1: nothing is sent until somebody says so
    failures INTEGER NOT NULL,  -- of the destination as a whole, since something arrived
    rests INTEGER NOT NULL,     -- not tried before
    sent INTEGER NOT NULL,      -- resources that arrived, ever
    failed INTEGER NOT NULL,    -- tries in vain, ever
    hour INTEGER NOT NULL DEFAULT 0,    -- since 1970, the one in which something arrived last
    lately INTEGER NOT NULL DEFAULT 0,  -- resources that arrived in it
    before INTEGER NOT NULL DEFAULT 0,  -- and in the one before
    problem TEXT NOT NULL       -- what the last try in vain met
) WITHOUT ROWID;

-- What a destination has left to be told of a patient ('' for what is nobody's): everything above 'delivered' up to
-- 'noted'. Times are UTC milliseconds.
CREATE TABLE delivery (
    destination TEXT NOT NULL,
    patient TEXT NOT NULL,
    delivered INTEGER NOT NULL,
    noted INTEGER NOT NULL,
    since INTEGER NOT NULL,     -- when the oldest of what is left was written
    due INTEGER NOT NULL,       -- not tried before
    tries INTEGER NOT NULL,     -- in vain, since the last that was not
    holder TEXT NOT NULL,       -- who works at it, until 'held'
    held INTEGER NOT NULL,
    parked INTEGER NOT NULL,    -- 1: not tried until somebody says so
    problem TEXT NOT NULL,      -- what the last try met (JSON)
    PRIMARY KEY (destination, patient)
) WITHOUT ROWID;
CREATE INDEX delivery_due ON delivery (destination, due) WHERE noted > delivered;

-- What a destination has of a resource: which version, and what that is called there.
CREATE TABLE delivered (
    destination TEXT NOT NULL,
    type TEXT NOT NULL,
    id TEXT NOT NULL,
    patient TEXT NOT NULL,
    version INTEGER NOT NULL,
    there TEXT NOT NULL,        -- JSON
    PRIMARY KEY (destination, type, id)
) WITHOUT ROWID;
CREATE INDEX delivered_patient ON delivered (patient);

-- The events of a subscription, numbered without a gap; 'sequence' is of the version that caused it, 'version' that of
-- what it is about.
CREATE TABLE subscription_event (
    subscription TEXT NOT NULL,
    number INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    type TEXT NOT NULL,
    id TEXT NOT NULL,
    version INTEGER NOT NULL,
    patient TEXT NOT NULL,
    occurred INTEGER NOT NULL,
    PRIMARY KEY (subscription, number),
    UNIQUE (subscription, sequence, type, id)
) WITHOUT ROWID;
CREATE INDEX subscription_event_patient ON subscription_event (patient);

-- What the service keeps of a subscription (see subscriptions.py). Times are UTC milliseconds, 0 for none.
CREATE TABLE subscriber (
    subscription TEXT PRIMARY KEY,
    asker TEXT NOT NULL,       -- who wrote it last, as their token said (JSON)
    seen INTEGER NOT NULL,     -- what was written up to this number was looked at
    events INTEGER NOT NULL,   -- the number of its newest event
    sent INTEGER NOT NULL,     -- that of the newest its endpoint took, or that was given up on
    stopped INTEGER NOT NULL,  -- 1: it is off, and what is written meanwhile is no event
    contact INTEGER NOT NULL,  -- when its endpoint last took something
    since INTEGER NOT NULL,    -- when it first refused something, since it last took something
    due INTEGER NOT NULL,      -- not tried before
    tries INTEGER NOT NULL,    -- in vain, since its endpoint last took something
    holder TEXT NOT NULL,      -- who works at it, until 'held'
    held INTEGER NOT NULL,
    problem TEXT NOT NULL      -- what the last try met, a sentence
) WITHOUT ROWID;

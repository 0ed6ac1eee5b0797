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

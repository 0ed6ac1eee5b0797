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

-- More kinds of search keys, the parts they stand in, the texts beside codes. Everything is filed anew after this.
DROP TABLE token;
DROP TABLE reference;
DROP TABLE date;
DROP TABLE string;
UPDATE current SET owner = 0, keys = '[]';
CREATE INDEX IF NOT EXISTS resource_updated ON resource (last_updated);

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

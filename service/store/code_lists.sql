-- One code list of a site, in a file of its own that is written once and then only read.

CREATE TABLE about (
    name TEXT NOT NULL,     -- what it is kept under
    loaded TEXT NOT NULL    -- when, UTC
);

CREATE TABLE code_system (
    key INTEGER PRIMARY KEY,
    url TEXT NOT NULL UNIQUE,
    concepts INTEGER NOT NULL,
    tree TEXT NOT NULL      -- the resource without its concepts
);

CREATE TABLE value_set (
    url TEXT NOT NULL,
    version TEXT NOT NULL,
    tree TEXT NOT NULL
);

-- 'words' is code and display as a text filter compares them, 'folded' the code as it is compared in any case,
-- 'more' what else is known (JSON of a CodeSystem.concept). The key is the order of the list.
CREATE TABLE concept (
    key INTEGER PRIMARY KEY,
    system INTEGER NOT NULL,
    code TEXT NOT NULL,
    folded TEXT NOT NULL,
    display TEXT NOT NULL,
    words TEXT NOT NULL,
    more TEXT NOT NULL
);

CREATE TABLE designation (
    system INTEGER NOT NULL,
    code TEXT NOT NULL,
    id TEXT NOT NULL,
    language TEXT NOT NULL,
    use TEXT NOT NULL,
    value TEXT NOT NULL
);

CREATE TABLE parent (
    system INTEGER NOT NULL,
    code TEXT NOT NULL,
    parent TEXT NOT NULL
);

CREATE TABLE preferred (
    id TEXT NOT NULL,       -- of a designation
    rank INTEGER NOT NULL
);

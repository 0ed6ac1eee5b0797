-- As sqlite_2.sql. Everything is filed anew after this.
DROP TABLE token;
DROP TABLE reference;
DROP TABLE date;
DROP TABLE string;
ALTER TABLE current ALTER COLUMN keys TYPE jsonb USING '[]'::jsonb;
UPDATE current SET owner = 0;

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

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

CREATE OR REPLACE FUNCTION never_changed() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit trail is never changed';
END
$$;

CREATE TRIGGER audit_never_changed BEFORE UPDATE OR DELETE OR TRUNCATE ON audit
    FOR EACH STATEMENT EXECUTE FUNCTION never_changed();

CREATE TRIGGER audit_target_never_changed BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_target
    FOR EACH STATEMENT EXECUTE FUNCTION never_changed();

-- What access rests on (see entries.py).
CREATE TABLE entry (
    kind text COLLATE "C" NOT NULL,
    name text COLLATE "C" NOT NULL,
    expires bigint NOT NULL,  -- seconds since 1970, 0 for never
    content text COLLATE "C" NOT NULL,
    PRIMARY KEY (kind, name)
);

-- The audit trail (see audit.py). Rows are added to the end of their chain, whose ends 'audit_chain' has, and taken
-- away, when their time is over, from its beginning alone.
-- These tables are in the database and in the file of accesses beside it (see sqlite_accesses.py).
CREATE TABLE audit (
    chain TEXT NOT NULL,
    place INTEGER NOT NULL,
    recorded INTEGER NOT NULL,  -- UTC milliseconds
    type TEXT NOT NULL,
    subtype TEXT NOT NULL,
    action TEXT NOT NULL,
    outcome TEXT NOT NULL,
    agent TEXT NOT NULL,
    subject TEXT NOT NULL,
    hash TEXT NOT NULL,
    content TEXT NOT NULL,      -- the AuditEvent (JSON)
    PRIMARY KEY (chain, place)
);
CREATE INDEX audit_recorded ON audit (recorded, chain, place);
CREATE INDEX audit_agent ON audit (agent, recorded) WHERE agent <> '';
CREATE INDEX audit_subject ON audit (subject, recorded) WHERE subject <> '';

-- What rows are found by is 'audit_target'. What came last of it waits in 'audit_unfiled' until there is enough to be
-- filed in order: an index whose places are taken at random is written page by page, one for each (see sqlite_audit.py).
CREATE TABLE audit_filed (
    target TEXT NOT NULL,
    recorded INTEGER NOT NULL,
    chain TEXT NOT NULL,
    place INTEGER NOT NULL,
    PRIMARY KEY (target, recorded, chain, place)
) WITHOUT ROWID;

CREATE TABLE audit_unfiled (
    target TEXT NOT NULL,
    recorded INTEGER NOT NULL,
    chain TEXT NOT NULL,
    place INTEGER NOT NULL
);

CREATE VIEW audit_target AS
SELECT target, recorded, chain, place FROM audit_filed
UNION ALL SELECT target, recorded, chain, place FROM audit_unfiled;

CREATE TABLE audit_chain (
    chain TEXT PRIMARY KEY,
    place INTEGER NOT NULL,
    recorded INTEGER NOT NULL,
    hash TEXT NOT NULL
) WITHOUT ROWID;

-- The last row that was taken away from the beginning of a chain, as its time was over.
CREATE TABLE audit_begun (
    chain TEXT PRIMARY KEY,
    place INTEGER NOT NULL,
    recorded INTEGER NOT NULL,
    hash TEXT NOT NULL
) WITHOUT ROWID;

CREATE TRIGGER audit_ends AFTER INSERT ON audit
BEGIN INSERT INTO audit_chain (chain, place, recorded, hash) VALUES (NEW.chain, NEW.place, NEW.recorded, NEW.hash)
ON CONFLICT (chain) DO UPDATE SET place = excluded.place, recorded = excluded.recorded, hash = excluded.hash
WHERE excluded.place > audit_chain.place; END;

CREATE TRIGGER audit_names AFTER INSERT ON audit
BEGIN INSERT INTO audit_unfiled (target, recorded, chain, place)
SELECT DISTINCT substr(atom, 1, instr(atom || '/_history/', '/_history/') - 1), NEW.recorded, NEW.chain, NEW.place
FROM json_tree(NEW.content, '$.entity') WHERE key = 'reference' AND path LIKE '$.entity[%].what'; END;

CREATE TRIGGER audit_not_changed BEFORE UPDATE ON audit
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_not_deleted BEFORE DELETE ON audit
WHEN NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place)
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_filed_not_changed BEFORE UPDATE ON audit_filed
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_filed_not_deleted BEFORE DELETE ON audit_filed
WHEN NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place)
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_unfiled_not_changed BEFORE UPDATE ON audit_unfiled
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

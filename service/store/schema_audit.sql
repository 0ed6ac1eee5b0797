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

CREATE TABLE audit_target (
    target TEXT NOT NULL,
    recorded INTEGER NOT NULL,
    chain TEXT NOT NULL,
    place INTEGER NOT NULL,
    PRIMARY KEY (target, recorded, chain, place)
) WITHOUT ROWID;

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

CREATE TRIGGER audit_not_changed BEFORE UPDATE ON audit
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_not_deleted BEFORE DELETE ON audit
WHEN NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place)
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_target_not_changed BEFORE UPDATE ON audit_target
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_target_not_deleted BEFORE DELETE ON audit_target
WHEN NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place)
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

-- What could bear a label that restricts who may see it is taken to bear one; whoever reads it looks closer.
ALTER TABLE resource ADD COLUMN labelled INTEGER NOT NULL DEFAULT 0;
UPDATE resource SET labelled = 1
WHERE (instr(content, '"security"') > 0 AND instr(content, 'onfidentiality') > 0) OR instr(content, '\u') > 0;
-- The last row that was taken away from the beginning of a chain, as its time was over.
CREATE TABLE audit_begun (
    chain TEXT PRIMARY KEY,
    place INTEGER NOT NULL,
    recorded INTEGER NOT NULL,
    hash TEXT NOT NULL
) WITHOUT ROWID;
DROP TRIGGER audit_not_deleted;
CREATE TRIGGER audit_not_deleted BEFORE DELETE ON audit
WHEN NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place)
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;
DROP TRIGGER audit_target_not_deleted;
CREATE TRIGGER audit_target_not_deleted BEFORE DELETE ON audit_target
WHEN NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place)
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

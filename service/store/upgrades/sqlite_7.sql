-- What rows of the audit trail are found by is filed together; the tables see to it themselves.
-- The file of accesses is brought up by these statements too.
DROP TRIGGER audit_target_not_changed;
DROP TRIGGER audit_target_not_deleted;
ALTER TABLE audit_target RENAME TO audit_filed;

CREATE TABLE audit_unfiled (
    target TEXT NOT NULL,
    recorded INTEGER NOT NULL,
    chain TEXT NOT NULL,
    place INTEGER NOT NULL
);

CREATE VIEW audit_target AS
SELECT target, recorded, chain, place FROM audit_filed
UNION ALL SELECT target, recorded, chain, place FROM audit_unfiled;

CREATE TRIGGER audit_ends AFTER INSERT ON audit
BEGIN INSERT INTO audit_chain (chain, place, recorded, hash) VALUES (NEW.chain, NEW.place, NEW.recorded, NEW.hash)
ON CONFLICT (chain) DO UPDATE SET place = excluded.place, recorded = excluded.recorded, hash = excluded.hash
WHERE excluded.place > audit_chain.place; END;

CREATE TRIGGER audit_names AFTER INSERT ON audit
BEGIN INSERT INTO audit_unfiled (target, recorded, chain, place)
SELECT DISTINCT substr(atom, 1, instr(atom || '/_history/', '/_history/') - 1), NEW.recorded, NEW.chain, NEW.place
FROM json_tree(NEW.content, '$.entity') WHERE key = 'reference' AND path LIKE '$.entity[%].what'; END;

CREATE TRIGGER audit_filed_not_changed BEFORE UPDATE ON audit_filed
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_filed_not_deleted BEFORE DELETE ON audit_filed
WHEN NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place)
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

CREATE TRIGGER audit_unfiled_not_changed BEFORE UPDATE ON audit_unfiled
BEGIN SELECT RAISE(ABORT, 'the audit trail is never changed'); END;

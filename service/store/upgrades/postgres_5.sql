-- What could bear a label that restricts who may see it is taken to bear one; whoever reads it looks closer.
ALTER TABLE resource ADD COLUMN labelled boolean NOT NULL DEFAULT false;
UPDATE resource SET labelled = true
WHERE (strpos(content, '"security"') > 0 AND strpos(content, 'onfidentiality') > 0) OR strpos(content, '\u') > 0;
ALTER TABLE resource ALTER COLUMN labelled DROP DEFAULT;
-- Raised whenever numbers of words are taken back; processes that remember numbers compare it (postgres_words.py).
CREATE SEQUENCE word_generation;
CREATE TABLE audit_begun (
    chain text COLLATE "C" PRIMARY KEY,
    place bigint NOT NULL,
    recorded bigint NOT NULL,
    hash text COLLATE "C" NOT NULL
);
CREATE OR REPLACE FUNCTION never_taken_away() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT 1 FROM audit_begun WHERE chain = OLD.chain AND place >= OLD.place) THEN
        RAISE EXCEPTION 'the audit trail is never changed';
    END IF;
    RETURN OLD;
END
$$;
DROP TRIGGER IF EXISTS audit_never_taken_away ON audit;
DROP TRIGGER IF EXISTS audit_target_never_taken_away ON audit_target;
DROP TRIGGER audit_never_changed ON audit;
DROP TRIGGER audit_target_never_changed ON audit_target;
CREATE TRIGGER audit_never_changed BEFORE UPDATE OR TRUNCATE ON audit
    FOR EACH STATEMENT EXECUTE FUNCTION never_changed();
CREATE TRIGGER audit_never_taken_away BEFORE DELETE ON audit
    FOR EACH ROW EXECUTE FUNCTION never_taken_away();
CREATE TRIGGER audit_target_never_changed BEFORE UPDATE OR TRUNCATE ON audit_target
    FOR EACH STATEMENT EXECUTE FUNCTION never_changed();
CREATE TRIGGER audit_target_never_taken_away BEFORE DELETE ON audit_target
    FOR EACH ROW EXECUTE FUNCTION never_taken_away();

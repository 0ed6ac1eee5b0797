-- What could bear a label that restricts who may see it is taken to bear one; whoever reads it looks closer.
ALTER TABLE resource ADD COLUMN labelled boolean NOT NULL DEFAULT false;
UPDATE resource SET labelled = true
WHERE (strpos(content, '"security"') > 0 AND strpos(content, 'onfidentiality') > 0) OR strpos(content, '\u') > 0;
ALTER TABLE resource ALTER COLUMN labelled DROP DEFAULT;
-- Raised whenever numbers of words are taken back; processes that remember numbers compare it (postgres_words.py).
CREATE SEQUENCE word_generation;

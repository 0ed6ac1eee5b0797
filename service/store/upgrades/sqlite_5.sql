-- What could bear a label that restricts who may see it is taken to bear one; whoever reads it looks closer.
ALTER TABLE resource ADD COLUMN labelled INTEGER NOT NULL DEFAULT 0;
UPDATE resource SET labelled = 1
WHERE (instr(content, '"security"') > 0 AND instr(content, 'onfidentiality') > 0) OR instr(content, '\u') > 0;

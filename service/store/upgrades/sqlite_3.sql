-- Rows for lists of patients and notes of what changed since they were made (see summaries.py). Both are derived:
-- they are in no backup and made anew when missing.
CREATE TABLE summary (
    patient TEXT PRIMARY KEY,
    edition INTEGER NOT NULL,
    day TEXT NOT NULL,          -- of the site, ISO 8601, as the other days
    basis TEXT NOT NULL,
    name TEXT NOT NULL,
    last_visit TEXT,
    next_review TEXT,
    concern INTEGER NOT NULL,
    cues INTEGER NOT NULL,
    tags TEXT NOT NULL,         -- words, a space before and behind each
    content TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE touched (
    patient TEXT NOT NULL,
    sequence INTEGER NOT NULL,  -- of a version that was about the patient, or no longer is
    PRIMARY KEY (patient, sequence)
) WITHOUT ROWID;

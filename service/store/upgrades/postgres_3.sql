-- Rows for lists of patients and notes of what changed since they were made (see summaries.py). Both are derived:
-- they are in no backup and made anew when missing.
CREATE TABLE summary (
    patient text COLLATE "C" PRIMARY KEY,
    edition bigint NOT NULL,
    day text COLLATE "C" NOT NULL,  -- of the site, ISO 8601, as the other days
    basis text COLLATE "C" NOT NULL,
    name text COLLATE "C" NOT NULL,
    last_visit text COLLATE "C",
    next_review text COLLATE "C",
    concern bigint NOT NULL,
    cues bigint NOT NULL,
    tags text COLLATE "C" NOT NULL,  -- words, a space before and behind each
    content text COLLATE "C" NOT NULL
);

CREATE TABLE touched (
    patient text COLLATE "C" NOT NULL,
    sequence bigint NOT NULL,  -- of a version that was about the patient, or no longer is
    PRIMARY KEY (patient, sequence)
);

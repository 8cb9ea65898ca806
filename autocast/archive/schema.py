"""The ledger's tables. SQL alone: any program that reads SQLite can read a ledger.

``APPLICATION_ID`` marks the file, ``user_version`` counts the steps of
``MIGRATIONS`` it has been through. A step, once released, is never edited; a
change is a new step at the end.

Paths are bytes, as the file system gave them, because names need not be valid
Unicode. Times are UTC, ISO 8601. Casts are a* and b* at L* 60. The view's
``archive_probability`` is :func:`autocast.judgement.probability.at_base_rate` in
SQL; a test holds the two together.
"""

from __future__ import annotations

APPLICATION_ID = 0x61636C67
"""``aclg`` in ASCII, in the header field that SQLite keeps for this."""

_FIRST = """
CREATE TABLE facts (key TEXT PRIMARY KEY, value) WITHOUT ROWID;

CREATE TABLE pictures (
    id INTEGER PRIMARY KEY,
    path BLOB NOT NULL UNIQUE,
    folder BLOB NOT NULL,
    size INTEGER,            -- bytes
    mtime INTEGER,           -- nanoseconds since 1970; for an address, what stands for it
    hash TEXT,               -- SHA-256 of the content, hexadecimal
    verdict TEXT CHECK (verdict IN ('clear', 'cast', 'ask')),
    probability REAL,        -- of this picture alone, at base_rate
    base_rate REAL,
    a REAL, b REAL,          -- the cast
    size_of_cast REAL,       -- C*
    spread REAL,
    var_a REAL, cov_ab REAL, var_b REAL,
    strength TEXT,           -- negligible, slight, evident, strong
    hue TEXT,                -- direction of the cast; NULL where it is negligible
    remarks TEXT,            -- keys, parted by spaces
    width INTEGER, height INTEGER,
    camera TEXT, taken TEXT, -- as the file tells them: hints only
    model TEXT,
    at TEXT NOT NULL,        -- when it was judged, or failed
    failure TEXT,            -- one sentence, where there is no judgement
    gone INTEGER NOT NULL DEFAULT 0, -- 1: was not there when the archive was last walked
    CHECK ((verdict IS NULL) <> (failure IS NULL))
);
CREATE INDEX pictures_by_folder ON pictures (folder);

-- Apart from the columns, so that sorting and counting need not read it.
CREATE TABLE judgements (
    picture INTEGER PRIMARY KEY REFERENCES pictures (id) ON DELETE CASCADE,
    json TEXT NOT NULL
);

-- Folders that could not be read when the archive was last walked.
CREATE TABLE closed_folders (path BLOB PRIMARY KEY, failure TEXT NOT NULL, at TEXT NOT NULL)
WITHOUT ROWID;

-- Pictures that may share their light or their scanner, and what they say together.
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    folder BLOB NOT NULL,
    camera TEXT NOT NULL,
    first INTEGER NOT NULL REFERENCES pictures (id), -- in order of time or name
    last INTEGER NOT NULL REFERENCES pictures (id),
    count INTEGER NOT NULL,
    sharing INTEGER NOT NULL, -- how many of them share it
    a REAL NOT NULL, b REAL NOT NULL, spread REAL NOT NULL, -- the shared cast
    apart REAL NOT NULL,      -- how far the pictures' own casts lie from it, one deviation
    probability REAL NOT NULL, -- that they share one cast, at least a slight one
    finding INTEGER NOT NULL, -- 1: one and the same fault lies over the series
    lead INTEGER NOT NULL REFERENCES pictures (id) -- stands for the series in a list
);
CREATE TABLE members (
    picture INTEGER PRIMARY KEY REFERENCES pictures (id) ON DELETE CASCADE,
    series INTEGER NOT NULL REFERENCES series (id) ON DELETE CASCADE,
    a REAL NOT NULL, b REAL NOT NULL, spread REAL NOT NULL, -- the cast, the others heard
    share REAL NOT NULL,      -- probability that it shares the cast of the others
    odd INTEGER NOT NULL      -- 1: stands apart from a series that agrees
);
CREATE INDEX members_by_series ON members (series);

-- What a person decides; the hash tells which content was looked at. Never rewritten.
CREATE TABLE decisions (
    id INTEGER PRIMARY KEY,
    picture INTEGER NOT NULL REFERENCES pictures (id),
    decision TEXT NOT NULL,
    note TEXT NOT NULL DEFAULT '',
    person TEXT NOT NULL DEFAULT '',
    hash TEXT,
    at TEXT NOT NULL
);
CREATE INDEX decisions_by_picture ON decisions (picture);

-- Everything about a picture but its judgement in full. archive_probability moves the
-- picture's own probability from its base rate to the archive's.
CREATE VIEW overview AS
SELECT p.*,
    CASE WHEN rate.value IS NULL THEN p.probability
    ELSE p.probability * rate.value * (1 - p.base_rate)
        / (p.probability * rate.value * (1 - p.base_rate)
           + (1 - p.probability) * (1 - rate.value) * p.base_rate)
    END AS archive_probability,
    m.series, m.a AS series_a, m.b AS series_b, m.spread AS series_spread,
    m.share AS series_share, m.odd,
    s.count AS series_count, s.sharing AS series_sharing,
    s.a AS shared_a, s.b AS shared_b, s.spread AS shared_spread, s.apart AS series_apart,
    s.probability AS series_probability, s.finding, s.lead
FROM pictures p
LEFT JOIN facts rate ON rate.key = 'archive_rate'
LEFT JOIN members m ON m.picture = p.id
LEFT JOIN series s ON s.id = m.series;
"""

_DECISIONS = """
-- Decisions made at once share a batch, the number of the first of them. Undoing is a row of
-- its own, which names the batch that it takes back.
ALTER TABLE decisions ADD COLUMN batch INTEGER;
ALTER TABLE decisions ADD COLUMN undoes INTEGER;
ALTER TABLE decisions ADD COLUMN reason TEXT NOT NULL DEFAULT ''; -- why a colour is meant so
ALTER TABLE decisions ADD COLUMN hints TEXT NOT NULL DEFAULT '[]'; -- JSON, as in a judgement
ALTER TABLE decisions ADD COLUMN a REAL; -- the cast that was decided on, at L* 60
ALTER TABLE decisions ADD COLUMN b REAL;
ALTER TABLE decisions ADD COLUMN queue TEXT NOT NULL DEFAULT ''; -- from which it was decided
UPDATE decisions SET batch = id;
CREATE INDEX decisions_by_content ON decisions (hash, person);
CREATE INDEX decisions_by_batch ON decisions (batch);
CREATE INDEX decisions_taken_back ON decisions (undoes) WHERE undoes NOT NULL;

-- The verdict by this archive's own thresholds, where it differs from the judgement's.
ALTER TABLE pictures ADD COLUMN own_verdict TEXT CHECK (own_verdict IN ('clear', 'cast', 'ask'));
CREATE INDEX pictures_by_content ON pictures (hash);
CREATE INDEX pictures_by_verdict
    ON pictures (coalesce(own_verdict, verdict), gone, probability DESC, id);
CREATE INDEX pictures_drawn ON pictures (coalesce(own_verdict, verdict), gone, hash, id);

-- Where this archive's random draws start.
INSERT OR IGNORE INTO facts VALUES ('seed', lower(hex(randomblob(8))));

-- Each person's latest decision on a content that was not taken back.
CREATE VIEW standing AS
SELECT d.* FROM decisions d
WHERE d.undoes IS NULL
AND NOT EXISTS (SELECT 1 FROM decisions u WHERE u.undoes = d.batch)
AND NOT EXISTS (
    SELECT 1 FROM decisions l
    WHERE l.hash = d.hash AND l.person = d.person AND l.id > d.id AND l.undoes IS NULL
    AND NOT EXISTS (SELECT 1 FROM decisions u WHERE u.undoes = l.batch)
);

DROP VIEW overview;
CREATE VIEW overview AS
SELECT p.id, p.path, p.folder, p.size, p.mtime, p.hash,
    coalesce(p.own_verdict, p.verdict) AS verdict, p.verdict AS judged_verdict,
    p.probability, p.base_rate, p.a, p.b, p.size_of_cast, p.spread, p.var_a, p.cov_ab, p.var_b,
    p.strength, p.hue, p.remarks, p.width, p.height, p.camera, p.taken, p.model, p.at, p.failure,
    p.gone,
    CASE WHEN rate.value IS NULL THEN p.probability
    ELSE p.probability * rate.value * (1 - p.base_rate)
        / (p.probability * rate.value * (1 - p.base_rate)
           + (1 - p.probability) * (1 - rate.value) * p.base_rate)
    END AS archive_probability,
    m.series, m.a AS series_a, m.b AS series_b, m.spread AS series_spread,
    m.share AS series_share, m.odd,
    s.count AS series_count, s.sharing AS series_sharing,
    s.a AS shared_a, s.b AS shared_b, s.spread AS shared_spread, s.apart AS series_apart,
    s.probability AS series_probability, s.finding, s.lead
FROM pictures p
LEFT JOIN facts rate ON rate.key = 'archive_rate'
LEFT JOIN members m ON m.picture = p.id
LEFT JOIN series s ON s.id = m.series;
"""

# The archive's own rate by its scores, beside the one that probabilities are moved to.
_RATES = """
INSERT OR IGNORE INTO facts
SELECT replace(key, 'archive_rate', 'scored_rate'), value FROM facts
WHERE key IN ('archive_rate', 'archive_rate_error', 'archive_rate_pictures');
DELETE FROM facts WHERE key IN ('archive_rate_error', 'archive_rate_pictures');
"""

# So that the queues of a million pictures can be narrowed at once.
_QUEUES = """
CREATE INDEX pictures_by_hue ON pictures (coalesce(own_verdict, verdict), gone, hue);
"""

# What each region was taken for, so that a report need not examine the pictures anew.
_REGIONS = """
ALTER TABLE judgements ADD COLUMN regions TEXT; -- see autocast/archive/regions.py
DROP INDEX IF EXISTS pictures_by_fault; -- of an earlier form of the step before
"""

# So that a later run that allows more memory tries again what failed for want of it.
_NEEDS = """
ALTER TABLE pictures ADD COLUMN needs INTEGER; -- bytes that opening it takes, where it failed so
"""

SUPPOSED = """
CREATE TEMP TABLE supposed (picture INTEGER PRIMARY KEY, verdict TEXT);
CREATE TEMP TABLE supposed_rate (value REAL);
CREATE TEMP VIEW overview AS
SELECT o.id, o.path, o.folder, o.size, o.mtime, o.hash,
    coalesce(t.verdict, o.judged_verdict) AS verdict, o.judged_verdict,
    o.probability, o.base_rate, o.a, o.b, o.size_of_cast, o.spread, o.var_a, o.cov_ab, o.var_b,
    o.strength, o.hue, o.remarks, o.width, o.height, o.camera, o.taken, o.model, o.at, o.failure,
    o.gone,
    CASE WHEN r.value IS NULL THEN o.archive_probability
    ELSE o.probability * r.value * (1 - o.base_rate)
        / (o.probability * r.value * (1 - o.base_rate)
           + (1 - o.probability) * (1 - r.value) * o.base_rate)
    END AS archive_probability,
    o.series, o.series_a, o.series_b, o.series_spread, o.series_share, o.odd,
    o.series_count, o.series_sharing,
    o.shared_a, o.shared_b, o.shared_spread, o.series_apart,
    o.series_probability, o.finding, o.lead
FROM main.overview o
LEFT JOIN temp.supposed t ON t.picture = o.id
LEFT JOIN temp.supposed_rate r;
"""
"""The overview as it would be at other verdicts and another rate, for this reader alone."""

MIGRATIONS: tuple[str, ...] = (
    _FIRST,
    "UPDATE facts SET key = 'refreshed' WHERE key = 'settled'",
    _DECISIONS,
    "UPDATE pictures SET strength = 'negligible' WHERE strength = 'hardly any'",
    _RATES,
    _QUEUES,
    _REGIONS,
    _NEEDS,
)
"""One script a step; the number of steps taken is the schema version."""

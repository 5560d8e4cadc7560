-- +goose Up

-- Photos of the looks at finished joints, close-ups too: retention asks which looks use a photo. They are only added.
CREATE TABLE finished_file (
    finished TEXT NOT NULL,
    sha256   TEXT NOT NULL,
    PRIMARY KEY (finished, sha256)
);
CREATE INDEX finished_file_sha256 ON finished_file (sha256);

INSERT INTO finished_file (finished, sha256)
SELECT f.id, x ->> 'sha256' FROM finished f, jsonb_array_elements(CASE WHEN jsonb_typeof(f.body::jsonb -> 'files') = 'array' THEN f.body::jsonb -> 'files' ELSE '[]' END) x
UNION
SELECT f.id, x ->> 'photo' FROM finished f, jsonb_array_elements(CASE WHEN jsonb_typeof(f.body::jsonb -> 'clinch') = 'array' THEN f.body::jsonb -> 'clinch' ELSE '[]' END) x WHERE x ->> 'photo' <> '';

CREATE TRIGGER finished_file_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON finished_file FOR EACH STATEMENT EXECUTE FUNCTION beltend_refuse();

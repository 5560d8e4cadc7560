-- +goose Up

-- Photos of the looks at finished joints, close-ups too: retention asks which looks use a photo. They are only added.
CREATE TABLE finished_file (
    finished TEXT NOT NULL,
    sha256   TEXT NOT NULL,
    PRIMARY KEY (finished, sha256)
);
CREATE INDEX finished_file_sha256 ON finished_file (sha256);

INSERT INTO finished_file (finished, sha256)
SELECT f.id, json_extract(x.value, '$.sha256') FROM finished f, json_each(f.body, '$.files') x WHERE x.type = 'object'
UNION
SELECT f.id, json_extract(x.value, '$.photo') FROM finished f, json_each(f.body, '$.clinch') x WHERE x.type = 'object' AND json_extract(x.value, '$.photo') <> '';

-- +goose StatementBegin
CREATE TRIGGER finished_file_no_update BEFORE UPDATE ON finished_file BEGIN
    SELECT RAISE(ABORT, 'beltend: finished_file rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER finished_file_no_delete BEFORE DELETE ON finished_file BEGIN
    SELECT RAISE(ABORT, 'beltend: finished_file rows refuse DELETE');
END;
-- +goose StatementEnd

-- +goose Up

-- Photos whose files a rule of retention took away; their records stay.
CREATE TABLE photo_removal (
    site    TEXT NOT NULL REFERENCES site (id),
    sha256  TEXT NOT NULL,
    removed BOOLEAN NOT NULL, -- false: the same photo came in again later
    body    TEXT NOT NULL,
    pending BOOLEAN NOT NULL DEFAULT TRUE, -- the file itself is to be looked after
    PRIMARY KEY (site, sha256)
);
CREATE INDEX photo_removal_sha256 ON photo_removal (sha256);
CREATE INDEX photo_removal_pending ON photo_removal (pending) WHERE pending;

CREATE TRIGGER photo_removal_not_deleted BEFORE DELETE OR TRUNCATE ON photo_removal FOR EACH STATEMENT EXECUTE FUNCTION beltend_refuse();

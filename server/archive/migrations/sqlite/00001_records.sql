-- +goose Up

-- One row: the archive's ID and the end of its chain of events.
CREATE TABLE chain (
    one     INTEGER PRIMARY KEY CHECK (one = 1),
    archive TEXT NOT NULL,
    seq     BIGINT NOT NULL,
    hash    TEXT NOT NULL
);

-- Times are microseconds since 1970, UTC.
CREATE TABLE event (
    seq            INTEGER PRIMARY KEY,
    time           BIGINT NOT NULL,
    who            TEXT NOT NULL,
    name           TEXT NOT NULL,
    what           TEXT NOT NULL,
    site           TEXT NOT NULL,
    subject        TEXT NOT NULL,
    reason         TEXT NOT NULL,
    nonce          TEXT NOT NULL,
    payload        TEXT,
    payload_sha256 TEXT NOT NULL,
    body           TEXT NOT NULL,
    prev           TEXT NOT NULL,
    hash           TEXT NOT NULL
);
CREATE INDEX event_subject ON event (subject, seq);
CREATE INDEX event_site ON event (site, seq);

-- In the tables below body is the record as canonical JSON, whose hash is in its
-- latest event; the other columns repeat parts of it to search by.
CREATE TABLE site (
    id   TEXT PRIMARY KEY,
    name TEXT NOT NULL UNIQUE,
    body TEXT NOT NULL
);

CREATE TABLE conveyor (
    id   TEXT PRIMARY KEY,
    site TEXT NOT NULL REFERENCES site (id),
    name TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (site, name)
);

CREATE TABLE belt (
    id       TEXT PRIMARY KEY,
    site     TEXT NOT NULL REFERENCES site (id),
    conveyor TEXT NOT NULL REFERENCES conveyor (id),
    name     TEXT NOT NULL,
    body     TEXT NOT NULL,
    UNIQUE (conveyor, name)
);
CREATE INDEX belt_site ON belt (site, name);

CREATE TABLE joint (
    id     TEXT PRIMARY KEY,
    site   TEXT NOT NULL REFERENCES site (id),
    belt   TEXT NOT NULL REFERENCES belt (id),
    number TEXT NOT NULL,
    opened BIGINT NOT NULL,
    closed BOOLEAN NOT NULL,
    body   TEXT NOT NULL,
    UNIQUE (belt, number)
);
CREATE INDEX joint_site ON joint (site, closed, opened);

CREATE TABLE card_set (
    id     TEXT PRIMARY KEY,
    site   TEXT NOT NULL REFERENCES site (id),
    number TEXT NOT NULL,
    body   TEXT NOT NULL,
    UNIQUE (site, number)
);

CREATE TABLE card_check (
    id       TEXT PRIMARY KEY,
    site     TEXT NOT NULL REFERENCES site (id),
    card_set TEXT NOT NULL REFERENCES card_set (id),
    time     BIGINT NOT NULL,
    good     BOOLEAN NOT NULL,
    body     TEXT NOT NULL
);
CREATE INDEX card_check_set ON card_check (card_set, time, good);

CREATE TABLE photo (
    site   TEXT NOT NULL REFERENCES site (id),
    sha256 TEXT NOT NULL,
    added  BIGINT NOT NULL,
    body   TEXT NOT NULL,
    PRIMARY KEY (site, sha256)
);
CREATE INDEX photo_sha256 ON photo (sha256);

CREATE TABLE measurement (
    n            INTEGER PRIMARY KEY, -- order of time: microseconds, and the next free number where two are of one
    id           TEXT NOT NULL UNIQUE,
    site         TEXT NOT NULL REFERENCES site (id),
    conveyor     TEXT NOT NULL REFERENCES conveyor (id),
    belt         TEXT NOT NULL REFERENCES belt (id),
    joint        TEXT NOT NULL REFERENCES joint (id),
    side         TEXT NOT NULL,
    step         TEXT NOT NULL,
    time         BIGINT NOT NULL,
    person       TEXT NOT NULL,
    card_set     TEXT NOT NULL,
    verdict      TEXT NOT NULL,
    refusal      TEXT NOT NULL,
    offset_mm    DOUBLE PRECISION,
    u95_mm       DOUBLE PRECISION,
    width_mm     DOUBLE PRECISION,
    tolerance_mm DOUBLE PRECISION,
    bow_mm       DOUBLE PRECISION,
    roughness_mm DOUBLE PRECISION,
    program      TEXT NOT NULL,
    method       TEXT NOT NULL,
    card_scale   TEXT NOT NULL,
    camera       TEXT NOT NULL,
    supersedes   TEXT NOT NULL,
    words        TEXT NOT NULL
);
CREATE INDEX measurement_site ON measurement (site, n);
CREATE INDEX measurement_conveyor ON measurement (conveyor, n);
CREATE INDEX measurement_belt ON measurement (belt, n);
CREATE INDEX measurement_joint ON measurement (joint, n);
CREATE INDEX measurement_person ON measurement (site, person, n);
CREATE INDEX measurement_verdict ON measurement (site, verdict, n);
CREATE INDEX measurement_offset ON measurement (site, offset_mm);
CREATE INDEX measurement_offset_all ON measurement (offset_mm);
CREATE INDEX measurement_card_set ON measurement (card_set, n);
CREATE INDEX measurement_supersedes ON measurement (supersedes, id) WHERE supersedes <> '';

CREATE TABLE measurement_body (
    id     TEXT PRIMARY KEY,
    body   TEXT NOT NULL,
    result TEXT NOT NULL
);

CREATE TABLE measurement_file (
    measurement TEXT NOT NULL,
    place       INTEGER NOT NULL,
    sha256      TEXT NOT NULL,
    PRIMARY KEY (measurement, place)
);
CREATE INDEX measurement_file_sha256 ON measurement_file (sha256);

CREATE TABLE review (
    id          TEXT PRIMARY KEY,
    site        TEXT NOT NULL REFERENCES site (id),
    joint       TEXT NOT NULL REFERENCES joint (id),
    measurement TEXT NOT NULL,
    sign        INTEGER NOT NULL,
    outcome     TEXT NOT NULL,
    time        BIGINT NOT NULL,
    body        TEXT NOT NULL,
    UNIQUE (measurement, sign)
);
CREATE INDEX review_joint ON review (joint, time);

-- The latest sign-off on each measurement, or open: what waits and what was sent back is found among the many.
CREATE TABLE review_state (
    n     INTEGER PRIMARY KEY, -- of the measurement
    site  TEXT NOT NULL,
    state TEXT NOT NULL
);
CREATE INDEX review_state_site ON review_state (site, state, n);

-- Words of a measurement, each cut to its first six letters, to find the rare ones by. The
-- beginnings have lists of their own, so that none is put together while somebody waits.
CREATE VIRTUAL TABLE measurement_words USING fts5(words, content='', detail='none', prefix='2 3 4 5', tokenize='unicode61 remove_diacritics 0');

-- What was added stays as it is.
-- +goose StatementBegin
CREATE TRIGGER event_no_update BEFORE UPDATE ON event BEGIN
    SELECT RAISE(ABORT, 'beltend: event rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER event_no_delete BEFORE DELETE ON event BEGIN
    SELECT RAISE(ABORT, 'beltend: event rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER card_check_no_update BEFORE UPDATE ON card_check BEGIN
    SELECT RAISE(ABORT, 'beltend: card_check rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER card_check_no_delete BEFORE DELETE ON card_check BEGIN
    SELECT RAISE(ABORT, 'beltend: card_check rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER photo_no_update BEFORE UPDATE ON photo BEGIN
    SELECT RAISE(ABORT, 'beltend: photo rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER photo_no_delete BEFORE DELETE ON photo BEGIN
    SELECT RAISE(ABORT, 'beltend: photo rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER measurement_no_update BEFORE UPDATE ON measurement BEGIN
    SELECT RAISE(ABORT, 'beltend: measurement rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER measurement_no_delete BEFORE DELETE ON measurement BEGIN
    SELECT RAISE(ABORT, 'beltend: measurement rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER measurement_body_no_update BEFORE UPDATE ON measurement_body BEGIN
    SELECT RAISE(ABORT, 'beltend: measurement_body rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER measurement_body_no_delete BEFORE DELETE ON measurement_body BEGIN
    SELECT RAISE(ABORT, 'beltend: measurement_body rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER measurement_file_no_update BEFORE UPDATE ON measurement_file BEGIN
    SELECT RAISE(ABORT, 'beltend: measurement_file rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER measurement_file_no_delete BEFORE DELETE ON measurement_file BEGIN
    SELECT RAISE(ABORT, 'beltend: measurement_file rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER review_no_update BEFORE UPDATE ON review BEGIN
    SELECT RAISE(ABORT, 'beltend: review rows refuse UPDATE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER review_no_delete BEFORE DELETE ON review BEGIN
    SELECT RAISE(ABORT, 'beltend: review rows refuse DELETE');
END;
-- +goose StatementEnd

-- What may change is never taken away.
-- +goose StatementBegin
CREATE TRIGGER site_no_delete BEFORE DELETE ON site BEGIN
    SELECT RAISE(ABORT, 'beltend: site rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER conveyor_no_delete BEFORE DELETE ON conveyor BEGIN
    SELECT RAISE(ABORT, 'beltend: conveyor rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER belt_no_delete BEFORE DELETE ON belt BEGIN
    SELECT RAISE(ABORT, 'beltend: belt rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER joint_no_delete BEFORE DELETE ON joint BEGIN
    SELECT RAISE(ABORT, 'beltend: joint rows refuse DELETE');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER card_set_no_delete BEFORE DELETE ON card_set BEGIN
    SELECT RAISE(ABORT, 'beltend: card_set rows refuse DELETE');
END;
-- +goose StatementEnd

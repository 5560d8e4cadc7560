-- +goose Up

-- Rounds of a trainer's questions, and their answers. Site is empty where there is none yet.
CREATE TABLE round (
    id      TEXT PRIMARY KEY,
    site    TEXT NOT NULL,
    seed    BIGINT NOT NULL,
    person  TEXT NOT NULL,
    started BIGINT NOT NULL,
    body    TEXT NOT NULL
);
CREATE INDEX round_site ON round (site, started);
CREATE INDEX round_started ON round (started);

CREATE TABLE round_answer (
    id     TEXT PRIMARY KEY,
    site   TEXT NOT NULL,
    round  TEXT NOT NULL REFERENCES round (id),
    number INTEGER NOT NULL, -- of the question, from 1
    body   TEXT NOT NULL,
    UNIQUE (round, number)
);

-- +goose StatementBegin
CREATE TRIGGER round_no_update BEFORE UPDATE ON round BEGIN
    SELECT RAISE(ABORT, 'beltend: round rows refuse UPDATE');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER round_no_delete BEFORE DELETE ON round BEGIN
    SELECT RAISE(ABORT, 'beltend: round rows refuse DELETE');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER round_answer_no_update BEFORE UPDATE ON round_answer BEGIN
    SELECT RAISE(ABORT, 'beltend: round_answer rows refuse UPDATE');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER round_answer_no_delete BEFORE DELETE ON round_answer BEGIN
    SELECT RAISE(ABORT, 'beltend: round_answer rows refuse DELETE');
END;
-- +goose StatementEnd

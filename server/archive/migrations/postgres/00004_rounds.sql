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

CREATE TRIGGER round_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON round FOR EACH STATEMENT EXECUTE FUNCTION beltend_refuse();
CREATE TRIGGER round_answer_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON round_answer FOR EACH STATEMENT EXECUTE FUNCTION beltend_refuse();

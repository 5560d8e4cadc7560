-- +goose Up

-- Looks at finished joints: hooks counted, clinch judged. Judgements are added; each state is in its event.
CREATE TABLE finished (
    id    TEXT PRIMARY KEY,
    site  TEXT NOT NULL REFERENCES site (id),
    joint TEXT NOT NULL REFERENCES joint (id),
    time  BIGINT NOT NULL,
    body  TEXT NOT NULL
);
CREATE INDEX finished_joint ON finished (joint, time);

-- +goose StatementBegin
CREATE TRIGGER finished_no_delete BEFORE DELETE ON finished BEGIN
    SELECT RAISE(ABORT, 'beltend: finished rows refuse DELETE');
END;
-- +goose StatementEnd

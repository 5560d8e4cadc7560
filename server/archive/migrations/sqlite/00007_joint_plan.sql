-- +goose Up

-- The lacing and belt length planned for a joint: the newest kept, under the joint's ID. Each state is in its event.
CREATE TABLE joint_plan (
    id   TEXT PRIMARY KEY REFERENCES joint (id),
    site TEXT NOT NULL REFERENCES site (id),
    time BIGINT NOT NULL,
    body TEXT NOT NULL
);

-- +goose StatementBegin
CREATE TRIGGER joint_plan_no_delete BEFORE DELETE ON joint_plan BEGIN
    SELECT RAISE(ABORT, 'beltend: joint_plan rows refuse DELETE');
END;
-- +goose StatementEnd

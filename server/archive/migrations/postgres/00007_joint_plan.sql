-- +goose Up

-- The lacing and belt length planned for a joint: the newest kept, under the joint's ID. Each state is in its event.
CREATE TABLE joint_plan (
    id   TEXT PRIMARY KEY REFERENCES joint (id),
    site TEXT NOT NULL REFERENCES site (id),
    time BIGINT NOT NULL,
    body TEXT NOT NULL
);

CREATE TRIGGER joint_plan_not_deleted BEFORE DELETE OR TRUNCATE ON joint_plan FOR EACH STATEMENT EXECUTE FUNCTION beltend_refuse();

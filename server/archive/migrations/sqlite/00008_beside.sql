-- +goose Up

-- The measurement that another stands beside, made of the same photos by a later program or method.
ALTER TABLE measurement ADD COLUMN beside TEXT NOT NULL DEFAULT '';

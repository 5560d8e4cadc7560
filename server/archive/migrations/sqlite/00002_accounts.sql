-- +goose Up

-- Accounts, for services that others can reach. Times are microseconds since 1970, UTC.
CREATE TABLE account (
    id        TEXT PRIMARY KEY,
    name      TEXT NOT NULL,
    sign_in   TEXT NOT NULL UNIQUE, -- the name in small letters
    roles     TEXT NOT NULL,        -- words between blanks
    all_sites BOOLEAN NOT NULL,
    password  TEXT NOT NULL,        -- argon2id, as PHC string
    disabled  BOOLEAN NOT NULL,
    added     BIGINT NOT NULL
);

CREATE TABLE account_site (
    account TEXT NOT NULL REFERENCES account (id),
    site    TEXT NOT NULL REFERENCES site (id),
    PRIMARY KEY (account, site)
);

-- Tokens and sessions are kept as SHA-256 of what the client holds.
CREATE TABLE account_token (
    id      TEXT PRIMARY KEY,
    hash    TEXT NOT NULL UNIQUE,
    account TEXT NOT NULL REFERENCES account (id),
    label   TEXT NOT NULL,
    scopes  TEXT NOT NULL, -- words between blanks
    added   BIGINT NOT NULL,
    expires BIGINT NOT NULL
);

CREATE TABLE account_session (
    hash    TEXT PRIMARY KEY,
    account TEXT NOT NULL,
    expires BIGINT NOT NULL
);
CREATE INDEX account_session_account ON account_session (account);

-- Failed sign-ins since a time, by account or by address.
CREATE TABLE account_attempt (
    whose  TEXT PRIMARY KEY,
    failed INTEGER NOT NULL,
    since  BIGINT NOT NULL
);

-- Accounts, sessions, invitations and tokens. None of it is data about snakes: nothing here raises the data revision.
-- Secrets are never stored: passwords as argon2id strings, tokens as hashes.

CREATE TABLE accounts (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL CONSTRAINT accounts_name_length CHECK (length(name) BETWEEN 1 AND 80),
    role TEXT NOT NULL CONSTRAINT accounts_role_known CHECK (role IN ('observer', 'manager', 'administrator')),
    sees_exact INTEGER NOT NULL CONSTRAINT accounts_exact_flag CHECK (sees_exact IN (0, 1)),
    sees_health INTEGER NOT NULL CONSTRAINT accounts_health_flag CHECK (sees_health IN (0, 1)),
    password_hash TEXT NOT NULL,
    created_at_s INTEGER NOT NULL,
    created_by TEXT NOT NULL,
    password_changed_at_s INTEGER NOT NULL,
    disabled_at_s INTEGER
) STRICT;
-- One name, however it is capitalised.
CREATE UNIQUE INDEX accounts_name_unique ON accounts (name COLLATE NOCASE);

CREATE TABLE sessions (
    token_hash TEXT PRIMARY KEY,
    account_id INTEGER NOT NULL REFERENCES accounts (id),
    created_at_s INTEGER NOT NULL,
    seen_at_s INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_by_account ON sessions (account_id);

-- A one-time link: to make an account, or to set a new password for one.
CREATE TABLE invitations (
    token_hash TEXT PRIMARY KEY,
    account_id INTEGER REFERENCES accounts (id),
    name TEXT NOT NULL,
    role TEXT NOT NULL CONSTRAINT invitations_role_known CHECK (role IN ('observer', 'manager', 'administrator')),
    sees_exact INTEGER NOT NULL CONSTRAINT invitations_exact_flag CHECK (sees_exact IN (0, 1)),
    sees_health INTEGER NOT NULL CONSTRAINT invitations_health_flag CHECK (sees_health IN (0, 1)),
    created_at_s INTEGER NOT NULL,
    created_by TEXT NOT NULL,
    expires_at_s INTEGER NOT NULL,
    used_at_s INTEGER
) STRICT, WITHOUT ROWID;

CREATE TABLE api_tokens (
    id INTEGER PRIMARY KEY,
    token_hash TEXT NOT NULL CONSTRAINT api_tokens_hash_unique UNIQUE,
    account_id INTEGER NOT NULL REFERENCES accounts (id),
    label TEXT NOT NULL CONSTRAINT api_tokens_label_length CHECK (length(label) BETWEEN 1 AND 80),
    scope TEXT NOT NULL CONSTRAINT api_tokens_scope_known CHECK (scope IN ('read', 'bring in')),
    created_at_s INTEGER NOT NULL,
    expires_at_s INTEGER NOT NULL,
    revoked_at_s INTEGER
) STRICT;
CREATE INDEX api_tokens_by_account ON api_tokens (account_id);

-- Who signed in, who failed to, and what was done to accounts. Kept for a year.
CREATE TABLE account_events (
    id INTEGER PRIMARY KEY,
    at_s INTEGER NOT NULL,
    kind TEXT NOT NULL,
    account_name TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX account_events_by_time ON account_events (at_s);

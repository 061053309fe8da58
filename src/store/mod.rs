//! Facts in SQLite: the only SQL.

//! Reactions by kind of contact.

//! Bytes in, drafts and row errors out.

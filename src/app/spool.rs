//! Uploads on disk: a file that is gone when it is dropped.

use std::io::Read;
use std::io::Write;
use std::sync::Arc;

use crate::app::bring_in::Opener;

/// An upload being written, then read. Its memory does not grow with the upload.
pub struct Spool {
    file: tempfile::NamedTempFile,
    n_bytes: u64,
}

impl Spool {
    /// An empty upload in the system's folder for temporary files.
    ///
    /// # Errors
    /// When the file cannot be made.
    pub fn new() -> std::io::Result<Self> {
        Ok(Self { file: tempfile::NamedTempFile::new()?, n_bytes: 0 })
    }

    /// Adds bytes.
    ///
    /// # Errors
    /// When the disk is full or gone.
    pub fn write(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        self.n_bytes += bytes.len() as u64;
        self.file.write_all(bytes)
    }

    /// How many bytes it holds.
    pub fn n_bytes(&self) -> u64 {
        self.n_bytes
    }

    /// A way to open it from its start, as often as needed; the file stays until the last such way is dropped.
    ///
    /// # Errors
    /// When the last bytes cannot be written.
    pub fn opener(mut self) -> std::io::Result<Opener> {
        self.file.flush()?;
        let file = Arc::new(self.file);
        Ok(Arc::new(move || Ok(Box::new(file.reopen()?) as Box<dyn Read + Send>)))
    }
}

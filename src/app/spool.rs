//! Uploads on disk: a file that is gone when it is dropped.
//!
//! No error names the file: it is a path of this machine, and errors are logged and shown.

use std::fs::File;
use std::io::Error;
use std::io::Read;
use std::io::Result;
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
    pub fn new() -> Result<Self> {
        let file = tempfile::NamedTempFile::new().map_err(|error| without_path(&error))?;
        Ok(Self { file, n_bytes: 0 })
    }

    /// Adds bytes.
    ///
    /// # Errors
    /// When the disk is full or gone.
    pub fn write(&mut self, bytes: &[u8]) -> Result<()> {
        self.n_bytes += bytes.len() as u64;
        self.file.as_file_mut().write_all(bytes).map_err(|error| without_path(&error))
    }

    /// How many bytes it holds.
    pub fn n_bytes(&self) -> u64 {
        self.n_bytes
    }

    /// A way to open it from its start, as often as needed; the file stays until the last such way is dropped. It is open
    /// only while it is read: many uploads that wait hold no handles.
    ///
    /// # Errors
    /// When the last bytes cannot be written.
    pub fn opener(mut self) -> Result<Opener> {
        self.file.as_file_mut().flush().map_err(|error| without_path(&error))?;
        let path = Arc::new(self.file.into_temp_path());
        Ok(Arc::new(move || {
            let file = File::open(&*path).map_err(|error| without_path(&error))?;
            Ok(Box::new(file) as Box<dyn Read + Send>)
        }))
    }
}

/// What went wrong, without the words of whoever met it.
fn without_path(error: &Error) -> Error {
    error.raw_os_error().map_or_else(|| Error::from(error.kind()), Error::from_raw_os_error)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_upload_is_there_while_somebody_may_open_it() {
        let mut spool = Spool::new().unwrap();
        spool.write(b"as it came").unwrap();
        assert_eq!(spool.n_bytes(), 10);
        let path = spool.file.path().to_owned();
        let open = spool.opener().unwrap();
        for _ in 0..2 {
            let mut text = String::new();
            open().unwrap().read_to_string(&mut text).unwrap();
            assert_eq!(text, "as it came");
        }
        std::fs::remove_file(&path).unwrap();
        let error = open().err().unwrap().to_string();
        assert!(!error.contains(path.to_str().unwrap()), "{error}");
        drop(open);
        assert!(!path.exists());
    }

    #[test]
    fn no_error_names_a_path() {
        let folder = std::path::Path::new("/no/such/folder");
        let met = tempfile::NamedTempFile::new_in(folder).unwrap_err();
        assert!(met.to_string().contains("/no/such"), "{met}");
        let said = without_path(&met).to_string();
        assert!(!said.contains('/'), "{said}");
    }
}

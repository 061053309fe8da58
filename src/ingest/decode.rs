//! Bytes to UTF-8: byte-order marks, UTF-16, Windows-1252 (which holds Latin-1's letters).

use std::io::BufReader;
use std::io::Read;

use encoding_rs::CoderResult;
use encoding_rs::Decoder;
use encoding_rs::Encoding;
use encoding_rs::UTF_8;
use encoding_rs::WINDOWS_1252;

use crate::ingest::error::FileError;

/// How much of the file decides on the encoding.
const SNIFFED: usize = 64 * 1024;

/// Text of any supported encoding, read as UTF-8, its last line closed by a newline. Bytes that are no text become U+FFFD, which rows are refused for.
pub(crate) struct Decoded<R> {
    inner: R,
    head: Vec<u8>,
    head_read: usize,
    decoder: Decoder,
    encoding: &'static Encoding,
    out: Vec<u8>,
    out_read: usize,
    is_at_end: bool,
    ends_in_newline: bool,
}

/// Looks at the start of a file and decides how to read it.
///
/// # Errors
/// [`FileError::Empty`], [`FileError::Binary`] (zero bytes without a mark of UTF-16), [`FileError::Io`].
pub(crate) fn decoded<R: Read>(reader: R) -> Result<BufReader<Decoded<R>>, FileError> {
    let mut inner = reader;
    let mut head = Vec::with_capacity(SNIFFED);
    (&mut inner)
        .take(SNIFFED as u64)
        .read_to_end(&mut head)
        .map_err(|error| FileError::Io(error.to_string()))?;
    if head.is_empty() {
        return Err(FileError::Empty);
    }
    let encoding = match Encoding::for_bom(&head) {
        Some((encoding, _)) => encoding,
        None => {
            if let Some(at) = head.iter().position(|byte| *byte == 0) {
                return Err(FileError::Binary { at });
            }
            // A letter may be cut in two at the end of what was looked at.
            let is_utf8 = match std::str::from_utf8(&head) {
                Ok(_) => true,
                Err(error) => error.error_len().is_none() && head.len() == SNIFFED,
            };
            if is_utf8 { UTF_8 } else { WINDOWS_1252 }
        }
    };
    let decoder = encoding.new_decoder_with_bom_removal();
    Ok(BufReader::new(
        Decoded {
            inner,
            head,
            head_read: 0,
            decoder,
            encoding,
            out: vec![0; 3 * SNIFFED],
            out_read: 0,
            is_at_end: false,
            ends_in_newline: false,
        }
        .emptied(),
    ))
}

impl<R> Decoded<R> {
    fn emptied(mut self) -> Self {
        self.out.clear();
        self
    }

    /// The name of the encoding.
    pub(crate) fn encoding(&self) -> &'static str {
        self.encoding.name()
    }
}

impl<R: Read> Decoded<R> {
    /// Decodes the next piece.
    fn fill(&mut self) -> std::io::Result<()> {
        let mut piece = [0; 16 * 1024];
        let source = if self.head_read < self.head.len() {
            let end = (self.head_read + piece.len()).min(self.head.len());
            let n = end - self.head_read;
            piece[..n].copy_from_slice(&self.head[self.head_read..end]);
            self.head_read = end;
            &piece[..n]
        } else {
            let n = self.inner.read(&mut piece)?;
            self.is_at_end = n == 0;
            &piece[..n]
        };
        // Three bytes of UTF-8 a byte at most, and a little for what the decoder held back.
        self.out.resize(3 * source.len() + 16, 0);
        let (result, n_read, n_written, _) =
            self.decoder.decode_to_utf8(source, &mut self.out, self.is_at_end);
        debug_assert!(result == CoderResult::InputEmpty && n_read == source.len());
        self.out.truncate(n_written);
        if let Some(last) = self.out.last() {
            self.ends_in_newline = *last == b'\n';
        }
        if self.is_at_end && !self.ends_in_newline {
            self.out.push(b'\n');
        }
        self.out_read = 0;
        Ok(())
    }
}

impl<R: Read> Read for Decoded<R> {
    fn read(&mut self, target: &mut [u8]) -> std::io::Result<usize> {
        while self.out_read == self.out.len() {
            if self.is_at_end {
                return Ok(0);
            }
            self.fill()?;
        }
        let n = target.len().min(self.out.len() - self.out_read);
        target[..n].copy_from_slice(&self.out[self.out_read..self.out_read + n]);
        self.out_read += n;
        Ok(n)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(bytes: &[u8], expected: &str, encoding: &str) {
        let mut reader = decoded(bytes).unwrap();
        assert_eq!(reader.get_ref().encoding(), encoding);
        let mut text = String::new();
        reader.read_to_string(&mut text).unwrap();
        assert_eq!(text, format!("{expected}\n"));
    }

    #[test]
    fn encodings_are_told_apart() {
        check("é,1".as_bytes(), "é,1", "UTF-8");
        check("\u{feff}é,1".as_bytes(), "é,1", "UTF-8");
        check(b"\xe9,1", "é,1", "windows-1252");
        check(b"\xff\xfea\0,\0\xe9\0", "a,é", "UTF-16LE");
        check(b"\xfe\xff\0a\0,\0\xe9", "a,é", "UTF-16BE");
    }

    #[test]
    fn a_long_text_comes_through_whole() {
        let text = "snake é ü ☃ ".repeat(30_000);
        check(text.as_bytes(), &text, "UTF-8");
    }

    #[test]
    fn what_is_no_text_is_refused() {
        assert_eq!(decoded(&b""[..]).err(), Some(FileError::Empty));
        assert_eq!(decoded(&b"PK\x03\x04\0\0"[..]).err(), Some(FileError::Binary { at: 4 }));
    }
}

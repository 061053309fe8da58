//! Bytes to UTF-8: byte-order marks, UTF-16, Windows-1252 (which holds Latin-1's letters).

use std::cell::Cell;
use std::cell::RefCell;
use std::io::BufReader;
use std::io::Read;
use std::rc::Rc;

use encoding_rs::Decoder;
use encoding_rs::Encoding;
use encoding_rs::UTF_8;
use encoding_rs::WINDOWS_1252;

use crate::ingest::error::FileError;

/// How much of the file decides on the encoding.
const SNIFFED: usize = 64 * 1024;
/// The longest row, feature or track that is held in memory, bytes.
const LONGEST: u64 = 16 << 20;

/// Text of any supported encoding, read as UTF-8, its lines ended by newlines however they ended before. Bytes that are no text
/// become U+FFFD, which rows are refused for.
pub(crate) struct Decoded<R> {
    inner: R,
    head: Vec<u8>,
    head_read: usize,
    decoder: Decoder,
    encoding: &'static Encoding,
    out: Vec<u8>,
    out_read: usize,
    is_at_end: bool,
    ends_in_return: bool,
    n_decoded: usize,
    left_bytes: u64,
    max_bytes: u64,
    watch: Watch,
}

/// Why reading stopped, which the readers of a format can only say in their own words; and how much may still be read before
/// a row or feature is complete.
#[derive(Clone, Default)]
pub(crate) struct Watch(Rc<Watched>);

#[derive(Default)]
struct Watched {
    fault: RefCell<Option<FileError>>,
    spent_bytes: Cell<u64>,
}

impl Watch {
    /// A row or feature is complete: the next may be as long.
    pub(crate) fn complete(&self) {
        self.0.spent_bytes.set(0);
    }

    /// Why reading stopped, or else what the format says of it.
    pub(crate) fn fault_or(&self, malformed: FileError) -> FileError {
        match (self.0.fault.take(), malformed) {
            (Some(FileError::TooLong { limit_bytes, .. }), FileError::Malformed { at, .. }) => {
                FileError::TooLong { limit_bytes, at }
            }
            (Some(fault), _) => fault,
            (None, malformed) => malformed,
        }
    }

    fn stop(&self, fault: FileError) -> std::io::Error {
        let error = std::io::Error::other(fault.to_string());
        self.0.fault.replace(Some(fault));
        error
    }
}

/// Looks at the start of a file and decides how to read it; more than `max_bytes` are not read.
///
/// # Errors
/// [`FileError::Empty`], [`FileError::Binary`] (zero bytes without a mark of UTF-16), [`FileError::Utf16WithoutMark`],
/// [`FileError::Io`].
pub(crate) fn decoded<R: Read>(
    reader: R,
    max_bytes: u64,
) -> Result<(BufReader<Decoded<R>>, Watch), FileError> {
    let mut inner = reader;
    let mut head = Vec::with_capacity(SNIFFED);
    (&mut inner)
        .take(SNIFFED as u64)
        .read_to_end(&mut head)
        .map_err(|error| FileError::Io(error.to_string()))?;
    if head.is_empty() {
        return Err(FileError::Empty);
    }
    let encoding = encoding_of(&head)?;
    let watch = Watch::default();
    let decoded = Decoded {
        inner,
        head,
        head_read: 0,
        decoder: encoding.new_decoder_with_bom_removal(),
        encoding,
        out: Vec::new(),
        out_read: 0,
        is_at_end: false,
        ends_in_return: false,
        n_decoded: 0,
        left_bytes: max_bytes,
        max_bytes,
        watch: watch.clone(),
    };
    Ok((BufReader::new(decoded), watch))
}

fn encoding_of(head: &[u8]) -> Result<&'static Encoding, FileError> {
    if let Some((encoding, _)) = Encoding::for_bom(head) {
        return Ok(encoding);
    }
    if let Some(at) = head.iter().position(|byte| *byte == 0) {
        // Of plain letters in UTF-16 every other byte is zero.
        let n_zeros = |phase: usize| head.iter().skip(phase).step_by(2).filter(|byte| **byte == 0).count();
        let (even, odd) = (n_zeros(0), n_zeros(1));
        let is_utf16 = even.min(odd) == 0 && even.max(odd) * 4 > head.len();
        return Err(if is_utf16 { FileError::Utf16WithoutMark } else { FileError::Binary { at } });
    }
    // A letter may be cut in two at the end of what was looked at.
    let is_utf8 = match std::str::from_utf8(head) {
        Ok(_) => true,
        Err(error) => error.error_len().is_none() && head.len() == SNIFFED,
    };
    Ok(if is_utf8 { UTF_8 } else { WINDOWS_1252 })
}

impl<R> Decoded<R> {
    /// The name of the encoding.
    pub(crate) fn encoding(&self) -> &'static str {
        self.encoding.name()
    }
}

impl<R: Read> Decoded<R> {
    /// Decodes the next piece.
    fn fill(&mut self) -> std::io::Result<()> {
        let mut piece = [0; 16 * 1024];
        let n = self.next_piece(&mut piece)?;
        // Three bytes of UTF-8 a byte at most, and a little for what the decoder held back.
        self.out.resize(3 * n + 16, 0);
        let (_, _, n_written, _) = self.decoder.decode_to_utf8(&piece[..n], &mut self.out, self.is_at_end);
        self.out.truncate(n_written);
        self.out_read = 0;
        if let Some(at) = self.out.iter().position(|byte| *byte == 0) {
            return Err(self.watch.stop(FileError::Binary { at: self.n_decoded + at }));
        }
        self.n_decoded += n_written;
        if self.ends_in_return || self.out.contains(&b'\r') {
            self.end_lines();
        }
        Ok(())
    }

    /// Turns carriage returns, with or without a newline, into newlines, so that lines can be counted.
    fn end_lines(&mut self) {
        let mut after_return = self.ends_in_return;
        let mut n_kept = 0;
        for at in 0..self.out.len() {
            let byte = self.out[at];
            if !(after_return && byte == b'\n') {
                self.out[n_kept] = if byte == b'\r' { b'\n' } else { byte };
                n_kept += 1;
            }
            after_return = byte == b'\r';
        }
        self.ends_in_return = after_return;
        self.out.truncate(n_kept);
    }

    /// The next bytes: first those that were looked at, then those of the file. Keeps to both limits.
    fn next_piece(&mut self, piece: &mut [u8]) -> std::io::Result<usize> {
        let n = if self.head_read < self.head.len() {
            let n = piece.len().min(self.head.len() - self.head_read);
            piece[..n].copy_from_slice(&self.head[self.head_read..self.head_read + n]);
            self.head_read += n;
            n
        } else {
            let n = read_some(&mut self.inner, piece)
                .map_err(|error| self.watch.stop(FileError::Io(error.to_string())))?;
            self.is_at_end = n == 0;
            n
        };
        let spent = self.watch.0.spent_bytes.get() + n as u64;
        if spent > LONGEST {
            let fault = FileError::TooLong { limit_bytes: LONGEST, at: "somewhere".to_owned() };
            return Err(self.watch.stop(fault));
        }
        self.watch.0.spent_bytes.set(spent);
        match self.left_bytes.checked_sub(n as u64) {
            Some(left_bytes) => self.left_bytes = left_bytes,
            None => return Err(self.watch.stop(FileError::TooLarge { limit_bytes: self.max_bytes })),
        }
        Ok(n)
    }
}

/// Reads what there is, however often a signal interrupts.
fn read_some(reader: &mut impl Read, piece: &mut [u8]) -> std::io::Result<usize> {
    loop {
        match reader.read(piece) {
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            other => return other,
        }
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
        let (mut reader, _) = decoded(bytes, u64::MAX).unwrap();
        assert_eq!(reader.get_ref().encoding(), encoding);
        let mut text = String::new();
        reader.read_to_string(&mut text).unwrap();
        assert_eq!(text, expected);
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
    fn lines_end_in_newlines() {
        check(b"a\r\nb\rc\n\r\n\rd\r", "a\nb\nc\n\n\nd\n", "UTF-8");
        // Pieces end between the two letters of a line's end.
        let long = "x\r\n".repeat(30_000);
        check(long.as_bytes(), &"x\n".repeat(30_000), "UTF-8");
    }

    #[test]
    fn a_long_text_comes_through_whole() {
        let text = "snake é ü ☃ ".repeat(30_000);
        check(text.as_bytes(), &text, "UTF-8");
    }

    fn fail(bytes: impl Read, max_bytes: u64) -> FileError {
        match decoded(bytes, max_bytes) {
            Err(error) => error,
            Ok((mut reader, watch)) => {
                reader.read_to_string(&mut String::new()).unwrap_err();
                watch.fault_or(FileError::Empty)
            }
        }
    }

    #[test]
    fn what_is_no_text_is_refused() {
        assert_eq!(fail(&b""[..], 9), FileError::Empty);
        assert_eq!(fail(&b"PK\x03\x04\0\0"[..], 9), FileError::Binary { at: 4 });
        assert_eq!(fail(&b"a\0,\0b\0\n\0"[..], 9), FileError::Utf16WithoutMark);
        assert_eq!(fail(&b"\0a\0,\0b\0\n"[..], 9), FileError::Utf16WithoutMark);
        let late = [vec![b'a'; SNIFFED + 5], vec![0]].concat();
        assert_eq!(fail(&late[..], u64::MAX), FileError::Binary { at: SNIFFED + 5 });
        // UTF-32 opens with the mark of UTF-16.
        assert!(matches!(fail(&b"\xff\xfe\0\0a\0\0\0"[..], 9), FileError::Binary { .. }));
    }

    #[test]
    fn limits_are_kept() {
        assert_eq!(fail(std::io::repeat(b'a'), 100_000), FileError::TooLarge { limit_bytes: 100_000 });
        assert!(matches!(fail(std::io::repeat(b'a'), u64::MAX), FileError::TooLong { .. }));
    }

    #[test]
    fn a_device_that_fails_is_named() {
        struct Broken;
        impl Read for Broken {
            fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
                Err(std::io::Error::other("device gone"))
            }
        }
        assert_eq!(fail(Broken, 9), FileError::Io("device gone".to_owned()));
        assert_eq!(
            fail((&[b'a'; SNIFFED][..]).chain(Broken), u64::MAX),
            FileError::Io("device gone".to_owned())
        );
    }
}

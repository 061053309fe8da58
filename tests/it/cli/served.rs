//! A server as a process, asked over the loopback.

use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::net::TcpStream;
use std::process::Child;
use std::process::ChildStdout;
use std::process::Command;
use std::process::Stdio;
use std::time::Duration;

use super::Program;

/// A server that is killed when it is dropped.
pub(crate) struct Served {
    child: Child,
    address: String,
    lines: std::io::Lines<BufReader<ChildStdout>>,
}

impl Served {
    /// Starts a server on any free port and waits until it listens.
    pub(crate) fn start(program: &Program) -> Self {
        Self::start_as(program.command(&["serve", "--port", "0"]))
    }

    /// Starts a server as the command says and waits until it listens.
    pub(crate) fn start_as(mut command: Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let first = lines.next().unwrap().unwrap();
        let address = first.split("http://").nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
        Self { child, address, lines }
    }

    pub(crate) fn address(&self) -> &str {
        &self.address
    }

    /// The status and the whole answer; none where the server ended meanwhile.
    pub(crate) fn get(&self, path: &str) -> Option<(u16, String)> {
        ask(&self.address, &format!("GET {path} HTTP/1.1\r\n"), b"")
    }

    /// Sends a form.
    pub(crate) fn submit(&self, path: &str, form: &str) -> Option<(u16, String)> {
        let head = format!(
            "POST {path} HTTP/1.1\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Sec-Fetch-Site: same-origin\r\n"
        );
        ask(&self.address, &head, form.as_bytes())
    }

    /// Uploads a file of rows.
    pub(crate) fn upload(&self, content: &str, name: &str, text: &str) -> Option<(u16, String)> {
        upload(&self.address, content, name, text)
    }

    /// Ends it as a crash would.
    pub(crate) fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Asks it to stop and returns what it said last.
    pub(crate) fn stop(mut self) -> String {
        let asked = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
        assert!(asked.success());
        assert!(self.child.wait().unwrap().success());
        self.lines.next().unwrap().unwrap()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Uploads a file of rows to a server that may end meanwhile.
pub(crate) fn upload(address: &str, content: &str, name: &str, text: &str) -> Option<(u16, String)> {
    let part = |head: &str, body: &str| {
        format!("--limit\r\nContent-Disposition: form-data; {head}\r\n\r\n{body}\r\n")
    };
    let body = part("name=\"content\"", content)
        + &part(&format!("name=\"file\"; filename=\"{name}\""), text)
        + "--limit--\r\n";
    let head = "POST /data/import HTTP/1.1\r\nContent-Type: multipart/form-data; boundary=limit\r\n\
                Sec-Fetch-Site: same-origin\r\n";
    ask(address, head, body.as_bytes())
}

/// Adds a photo to an encounter of a server that may end meanwhile; the status, none where it ended.
pub(crate) fn upload_photo(address: &str, encounter: u32, photo: &[u8]) -> Option<u16> {
    let mut body = b"--limit\r\nContent-Disposition: form-data; name=\"who\"\r\n\r\nA. Warden\r\n".to_vec();
    body.extend(b"--limit\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"a.jpg\"\r\n\r\n");
    body.extend(photo);
    body.extend(b"\r\n--limit--\r\n");
    let head = format!(
        "POST /encounters/{encounter}/photos HTTP/1.1\r\nContent-Type: multipart/form-data; boundary=limit\r\n\
         Sec-Fetch-Site: same-origin\r\n"
    );
    ask(address, &head, &body).map(|(status, _)| status)
}

fn ask(address: &str, head: &str, body: &[u8]) -> Option<(u16, String)> {
    let mut stream = TcpStream::connect(address).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(120))).ok()?;
    let length = body.len();
    write!(stream, "{head}Host: {address}\r\nConnection: close\r\nContent-Length: {length}\r\n\r\n").ok()?;
    stream.write_all(body).ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    let status = answer.split_whitespace().nth(1)?.parse().ok()?;
    // An answer is one when its end has come, too.
    answer.contains("\r\n\r\n").then_some((status, answer))
}

//! Serving: a free port, a clean stop, loopback only.

use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::net::TcpStream;
use std::process::Command;
use std::process::Stdio;

use super::Program;

#[test]
fn it_serves_on_any_free_port_and_stops_cleanly() {
    let program = Program::new().with_area();
    let mut child = program.command(&["serve", "--port", "0"]).stdout(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let first = lines.next().unwrap().unwrap();
    let address = first.split("http://").nth(1).unwrap().split_whitespace().next().unwrap().to_owned();
    assert!(!address.ends_with(":0"), "{first}");

    let mut stream = TcpStream::connect(&address).unwrap();
    write!(stream, "GET /about HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");

    let asked = Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
    assert!(asked.success());
    assert!(child.wait().unwrap().success());
    assert_eq!(lines.next().unwrap().unwrap(), "Stopped.");
}

#[test]
fn it_refuses_to_listen_beyond_loopback() {
    let program = Program::new().with_area();
    for host in ["0.0.0.0", "::", "192.0.2.1"] {
        let said = program.run(&["serve", "--port", "0", "--host", host]).bad();
        assert!(said.contains("reachable from other machines"), "{said}");
    }
}

#[test]
fn a_port_in_use_is_said() {
    let program = Program::new().with_area();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    let said = program.run(&["serve", "--port", &port]).bad();
    assert!(said.contains("cannot listen"), "{said}");
}

//! What a server writes to its log, searched for everything that is nobody's business.

use std::fs::File;
use std::process::Stdio;

use coilway::web::routes;

use super::Program;
use super::served::Served;
use crate::support::LEDGE;
use crate::support::OBSERVER;
use crate::support::Park;
use crate::support::TestApp;
use crate::support::form;

/// What readers send: a name, a password, a one-time secret, words and a place.
const NAME: &str = "Ottoline Quarles";
const PASSWORD: &str = "correct horse battery";
const SECRET: &str = "c2VjcmV0LW9mLWEtb25lLXRpbWUtbGluaw";
const WORDS: &str = "it reared up at little Pim";
const PLACE: &str = "37.61234,-109.38765";

#[tokio::test(flavor = "multi_thread")]
async fn the_log_tells_what_was_asked_and_nothing_about_whom_or_where() {
    let program = Program::new();
    TestApp::write_park(&program.database(), &Park::default()).await;
    let log = program.path("log");
    let mut n_asked = 0;
    tokio::task::block_in_place(|| {
        let mut command = program.command(&["serve", "--port", "0", "--log-format", "json"]);
        command.env("RUST_LOG", "debug,sqlx=info").stderr(Stdio::from(File::create(&log).unwrap()));
        let served = Served::start_as(command);
        for route in routes() {
            let path =
                route.path.replace("{id}", "1").replace("{token}", SECRET).replace("{kind}", "encounter");
            let path = path.replace("{name}", "style.css").replace("{unit}", "1");
            let query = format!("?bbox={PLACE}&who={}", NAME.replace(' ', "%20"));
            if route.method == "GET" {
                // Answers that are no text cannot be read here; they are asked for all the same.
                let _ = served.get(&path);
                let _ = served.get(&format!("{path}{query}"));
            } else {
                let fields = [("who", NAME), ("name", NAME), ("reason", WORDS), ("password", PASSWORD)];
                served.submit(&path, &form(&fields)).unwrap();
                served
                    .submit(&path, &format!("{}&lat=37.61234&lon=-109.38765&at={PLACE}", form(&fields)))
                    .unwrap();
            }
            n_asked += 2;
        }
        let head = "effortKind,eventDate,decimalLatitude,decimalLongitude,recordedBy,occurrenceRemarks";
        let row = format!("report,2024-05-04,37.61234,-109.38765,{NAME},{WORDS}");
        let bad = format!("report,{WORDS},37.61234,-109.38765,{NAME},");
        served.upload("encounters", &format!("{NAME}.csv"), &format!("{head}\n{row}\n{bad}\n")).unwrap();
        served.upload("encounters", &format!("{NAME}.csv"), &format!("{head}\n\"{WORDS}")).unwrap();
        n_asked += 2;
        served.stop();
    });
    let log = std::fs::read_to_string(&log).unwrap();
    let lines: Vec<serde_json::Value> =
        log.lines().map(|line| serde_json::from_str(line).expect(line)).collect();
    let answered: Vec<_> = lines.iter().filter(|line| line["message"] == "request answered").collect();
    assert_eq!(answered.len(), n_asked);
    for line in &answered {
        assert!(line["status"].as_u64().is_some_and(|status| (200..500).contains(&status)), "{line}");
        assert!(line["duration_ms"].is_u64() && line["method"].is_string(), "{line}");
        let route = line["route"].as_str().unwrap();
        assert!(route == "none" || routes().iter().any(|known| known.path == route), "{line}");
    }
    for word in [NAME, "Quarles", PASSWORD, "battery", SECRET, WORDS, "Pim", OBSERVER, "Quillfeather", LEDGE]
    {
        assert!(!log.contains(word), "{word} is in the log");
    }
    // Degrees have more decimals than anything that a log needs.
    let digits = |text: &str| text.chars().take_while(char::is_ascii_digit).count();
    for line in &lines {
        let mut line = line.clone();
        line.as_object_mut().unwrap().remove("timestamp");
        let text = line.to_string();
        let degrees = text.match_indices('.').find(|(at, _)| digits(&text[at + 1..]) >= 3);
        assert!(degrees.is_none(), "{line}");
    }
}

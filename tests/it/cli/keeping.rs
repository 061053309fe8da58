//! Data that must not be lost: the program killed at any moment, a file that cannot be written, two servers on one file.

use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Stdio;
use std::time::Duration;
use std::time::Instant;

use sqlx::Connection;
use sqlx::SqliteConnection;
use sqlx::migrate::Migrator;

use coilway::domain::account::Grants;
use coilway::domain::account::Role;
use coilway::domain::exposure::PartiesOf;
use coilway::domain::ids::AreaId;
use coilway::domain::ids::TrailheadId;
use coilway::store::AccountDraft;
use coilway::store::OpenParams;
use coilway::store::SessionLimits;
use coilway::store::Store;

use super::Program;
use super::Said;
use super::reports;
use super::served;
use super::served::Served;

/// How often each fault is tried; more in long runs.
pub(super) fn n_rounds(few: u64, many: u64) -> u64 {
    if std::env::var_os("COILWAY_LONG_TESTS").is_some() { many } else { few }
}

/// Moments spread over a span of time, in an order that shows no pattern.
pub(super) fn moments(n: u64, longest_ms: u64) -> impl Iterator<Item = Duration> {
    // The golden section leaves no gap large, however many moments there are.
    (1..=n).map(move |k| Duration::from_micros((k * 618_034 % 1_000_000) * longest_ms / 1000))
}

/// Runs a command and kills it after a while; tells whether it had ended well before.
pub(super) fn killed_after(program: &Program, arguments: &[&str], moment: Duration) -> bool {
    let mut command = program.command(arguments);
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let start = Instant::now();
    while start.elapsed() < moment {
        if let Some(status) = child.try_wait().unwrap() {
            return status.success();
        }
        std::thread::sleep(Duration::from_micros(200));
    }
    child.kill().unwrap();
    child.wait().unwrap().success()
}

/// How long a command takes that nobody disturbs, milliseconds.
pub(super) fn undisturbed_ms(program: &Program, arguments: &[&str]) -> u64 {
    let start = Instant::now();
    program.run(arguments).good();
    start.elapsed().as_millis() as u64 + 1
}

pub(super) fn n_encounters(program: &Program, database: &Path) -> usize {
    let said = program.run(&["check", "--database", database.to_str().unwrap()]).good();
    assert!(said.contains(": whole"), "{said}");
    let words: Vec<&str> = said.split_whitespace().collect();
    let at = words.iter().position(|word| *word == "encounters").unwrap();
    words[at - 1].parse().unwrap()
}

#[test]
fn a_killed_backup_leaves_a_whole_one_or_none() {
    let program = Program::new().with_area();
    let file = program.file("reports.csv", reports(20_000));
    program.import("encounters", &file).good();
    let out = program.path("copy.db");
    let arguments = ["backup", out.to_str().unwrap()];
    let longest = undisturbed_ms(&program, &arguments);
    for moment in moments(n_rounds(8, 60), longest) {
        std::fs::remove_file(&out).ok();
        let has_ended = killed_after(&program, &arguments, moment);
        assert!(out.exists() || !has_ended, "acknowledged and not there");
        if out.exists() {
            assert_eq!(n_encounters(&program, &out), 20_000);
        }
        assert_eq!(n_encounters(&program, &program.database()), 20_000);
    }
    program.run(&arguments).good();
    assert_eq!(n_encounters(&program, &out), 20_000);
    // Between commands the one file holds everything, so that it can be copied like any other.
    let moved = program.path("moved.db");
    std::fs::copy(program.database(), &moved).unwrap();
    assert_eq!(n_encounters(&program, &moved), 20_000);
    // Written over a former one, it is that one or the new one, never something between.
    program.import("encounters", &program.file("more.csv", reports(100).replace("R-", "M-"))).good();
    for moment in moments(n_rounds(4, 30), longest) {
        killed_after(&program, &arguments, moment);
        assert!([20_000, 20_100].contains(&n_encounters(&program, &out)));
    }
}

/// A database as an earlier version left it: with the first migrations and a few records.
pub(super) async fn older_database(path: &Path, n_records: i64) {
    let folder = tempfile::tempdir().unwrap();
    for entry in std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations")).unwrap() {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        if name.as_str() < "0003" {
            std::fs::copy(entry.path(), folder.path().join(name)).unwrap();
        }
    }
    let address = format!("sqlite://{}?mode=rwc", path.display());
    let mut connection = SqliteConnection::connect(&address).await.unwrap();
    Migrator::new(folder.path()).await.unwrap().run(&mut connection).await.unwrap();
    let make = "UPDATE data_revision SET revision = 1;
         INSERT INTO revisions (revision, committed_at_s, actor, summary) VALUES (1, 1700000000, 'tester', 'made');
         INSERT INTO areas (id, name, time_zone, emergency_number, keep_distance_m, revision)
             VALUES (1, 'Old Vale', 'America/Denver', '112', 3.0, 1);";
    sqlx::raw_sql(make).execute(&mut connection).await.unwrap();
    let fill = "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?)
         INSERT INTO settings (area_id, key, value, revision) SELECT 1, 'old ' || i, '1', 1 FROM n";
    sqlx::query(fill).bind(n_records).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
}

pub(super) async fn n_settings(path: &Path) -> i64 {
    let mut connection = SqliteConnection::connect(&format!("sqlite://{}", path.display())).await.unwrap();
    let n = sqlx::query_scalar("SELECT count(*) FROM settings").fetch_one(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    n
}

#[tokio::test]
async fn a_killed_migration_is_done_or_not_begun_and_a_copy_is_kept() {
    const N: i64 = 20_000;
    let program = Program::new();
    let old = program.path("old.db");
    older_database(&old, N).await;
    std::fs::copy(&old, program.database()).unwrap();
    let longest = undisturbed_ms(&program, &["batches"]);
    assert!(program.path("park.db.migration-2").exists());
    let begin_again = || {
        for entry in std::fs::read_dir(program.folder.path()).unwrap() {
            let path = entry.unwrap().path();
            if path.file_name().unwrap().to_string_lossy().starts_with("park.db") {
                std::fs::remove_file(path).unwrap();
            }
        }
        std::fs::copy(&old, program.database()).unwrap();
    };
    for (round, moment) in moments(n_rounds(12, 100), longest).enumerate() {
        // Most rounds begin with the old file, some with what the last kill left.
        if round % 3 != 2 {
            begin_again();
        }
        killed_after(&program, &["batches"], moment);
        for copy in copies(&program) {
            assert_eq!(n_settings(&copy).await, N, "a copy that is not whole: {copy:?}");
        }
        program.run(&["batches"]).good();
        program.run(&["check"]).good();
        assert_eq!(n_settings(&program.database()).await, N);
        let copies = copies(&program);
        assert_eq!(copies.len(), 1, "{copies:?}");
    }
}

#[tokio::test]
async fn party_sizes_of_an_older_database_hold_where_they_held() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("park.db");
    older_database(&path, 1).await;
    let mut connection = SqliteConnection::connect(&format!("sqlite://{}", path.display())).await.unwrap();
    let fill = "INSERT INTO trailheads (id, area_id, name, lon, lat, relative_volume, revision)
             VALUES (1, 1, 'North', -109.4, 37.6, 1.0, 1);
         INSERT INTO party_sizes (area_id, trailhead_id, mean_walkers, standard_error, revision)
             VALUES (1, NULL, 2.2, 0.1, 1), (1, 1, 1.9, 0.1, 1);";
    sqlx::raw_sql(fill).execute(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    let store = Store::open(&path, &OpenParams::default()).await.unwrap();
    let sizes = store.snapshot().await.unwrap().party_sizes(AreaId(1)).await.unwrap();
    let found: Vec<_> = sizes.iter().map(|size| (size.of, size.mean_walkers)).collect();
    assert_eq!(found, [(PartiesOf::Area, 2.2), (PartiesOf::Trailhead(TrailheadId(1)), 1.9)]);
}

/// The whole copies that were kept before a migration.
pub(super) fn copies(program: &Program) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(program.folder.path()).unwrap().map(|entry| entry.unwrap().path());
    let is_copy = |path: &PathBuf| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        name.strip_prefix("park.db.migration-").is_some_and(|rest| !rest.contains('.'))
    };
    entries.filter(is_copy).collect()
}

/// Files sent one after the other to a server that is killed at any moment: what it acknowledged is there, what it did not
/// is whole or absent.
#[test]
fn what_a_killed_server_acknowledged_is_there() {
    const ROWS: usize = 400;
    let program = Program::new().with_area();
    let mut acknowledged = 0;
    let mut sent = 0;
    for moment in moments(n_rounds(6, 60), 700) {
        let served = Served::start(&program);
        let address = served.address().to_owned();
        let first = sent;
        let sender = std::thread::spawn(move || {
            let mut outcomes = Vec::new();
            for number in first..first + 200 {
                let text = reports(ROWS).replace("R-", &format!("S{number}-"));
                match served::upload(&address, "encounters", &format!("s{number}.csv"), &text) {
                    Some((status, answer)) => {
                        assert_eq!(status, 303, "{answer}");
                        outcomes.push(true);
                    }
                    None => {
                        outcomes.push(false);
                        break;
                    }
                }
            }
            outcomes
        });
        std::thread::sleep(moment);
        served.kill();
        let outcomes = sender.join().unwrap();
        sent += outcomes.len();
        acknowledged += outcomes.iter().filter(|it| **it).count();
        let n = n_encounters(&program, &program.database());
        assert!(n >= acknowledged * ROWS, "{n} of {acknowledged} acknowledged files");
        assert_eq!(n % ROWS, 0, "a file that is half there");
        // The one that was cut off may have been committed just before: then it counts as there.
        acknowledged = n / ROWS;
    }
    assert!(acknowledged > 0, "no round was long enough to say anything");
}

#[test]
fn two_servers_on_one_file_see_each_others_records() {
    let program = Program::new().with_area();
    let (one, two) = (Served::start(&program), Served::start(&program));
    let send = |served: &Served, name: &str| {
        let text = reports(300).replace("R-", &format!("{name}-"));
        let (status, answer) = served.upload("encounters", &format!("{name}.csv"), &text).unwrap();
        assert_eq!(status, 303, "{answer}");
    };
    std::thread::scope(|scope| {
        scope.spawn(|| (0..4).for_each(|nth| send(&one, &format!("a{nth}"))));
        scope.spawn(|| (0..4).for_each(|nth| send(&two, &format!("b{nth}"))));
    });
    for served in [&one, &two] {
        let (status, page) = served.get("/data").unwrap();
        assert_eq!(status, 200);
        for name in ["a0.csv", "a3.csv", "b0.csv", "b3.csv"] {
            assert!(page.contains(name), "{name}");
        }
    }
    assert_eq!(one.stop(), "Stopped.");
    assert_eq!(two.stop(), "Stopped.");
    assert_eq!(n_encounters(&program, &program.database()), 2400);
}

#[test]
fn a_database_that_is_served_is_not_replaced() {
    let program = Program::new().with_area();
    let file = program.file("reports.csv", reports(10));
    program.import("encounters", &file).good();
    let out = program.path("copy.db");
    program.run(&["backup", out.to_str().unwrap()]).good();
    let served = Served::start(&program);
    // Whether anything was asked of it yet or not.
    for _ in 0..2 {
        let said = program.run(&["restore", out.to_str().unwrap()]).bad();
        assert!(said.contains("in use"), "{said}");
        assert_eq!(served.get("/data").unwrap().0, 200);
    }
    assert_eq!(served.stop(), "Stopped.");
    program.run(&["restore", out.to_str().unwrap()]).good();
    assert_eq!(n_encounters(&program, &program.database()), 10);
    // A broken database is replaced, too: that is what backups are for.
    std::fs::write(program.database(), "no database any more, but long enough to look like the first page")
        .unwrap();
    program.run(&["restore", out.to_str().unwrap()]).good();
    assert_eq!(n_encounters(&program, &program.database()), 10);
}

#[test]
fn a_file_that_cannot_be_written_is_said() {
    use std::os::unix::fs::MetadataExt;
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;

    let program = Program::new().with_area();
    let kept = program.file("kept.csv", reports(20));
    program.import("encounters", &kept).good();
    let more = program.file("more.csv", reports(20).replace("R-", "M-"));
    // The superuser writes everywhere, so somebody else runs a copy of the program that they can reach.
    let is_superuser = std::fs::metadata(program.folder.path()).unwrap().uid() == 0;
    let binary = program.path("coilway");
    std::fs::copy(env!("CARGO_BIN_EXE_coilway"), &binary).unwrap();
    let set = |path: &Path, mode: u32| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    set(&program.database(), 0o444);
    set(program.folder.path(), 0o555);
    let mut command = Command::new(&binary);
    command.args(["import", "encounters", more.to_str().unwrap()]);
    command.env("COILWAY_DATABASE", program.database()).env("RUST_LOG", "off");
    if is_superuser {
        command.uid(65_534).gid(65_534);
    }
    let said = Said::of(command.output().unwrap()).bad();
    set(program.folder.path(), 0o755);
    set(&program.database(), 0o644);
    assert!(said.contains("may only be read"), "{said}");
    assert_eq!(n_encounters(&program, &program.database()), 20);
}

#[tokio::test]
async fn a_restored_database_says_so_and_lets_nobody_in_who_was_signed_in() {
    const NOW_S: i64 = 1_700_000_000;
    let program = Program::new().with_area();
    let store = Store::open(&program.database(), &OpenParams::default()).await.unwrap();
    let draft = AccountDraft {
        name: "A. Warden".to_owned(),
        role: Role::Administrator,
        grants: Grants::default(),
        password_hash: "none".to_owned(),
        created_by: "tester".to_owned(),
    };
    store.add_account(&draft, NOW_S).await.unwrap();
    let account = store.accounts().await.unwrap().remove(0);
    store.begin_session(&account, "hash", None, NOW_S).await.unwrap();
    store.close().await;
    let out = program.path("copy.db");
    program.run(&["backup", out.to_str().unwrap()]).good();
    program.run(&["restore", out.to_str().unwrap()]).good();
    let store = Store::open(&program.database(), &OpenParams::default()).await.unwrap();
    let signed_in = store.session_account("hash", SessionLimits::default(), NOW_S).await.unwrap();
    assert_eq!(signed_in, None);
    assert_eq!(store.account_events(1).await.unwrap()[0].kind, "backup restored");
    // The backup itself is as it was.
    store.close().await;
    let copy = Store::open(&out, &OpenParams::default()).await.unwrap();
    assert!(copy.session_account("hash", SessionLimits::default(), NOW_S).await.unwrap().is_some());
    copy.close().await;
}

#[test]
fn no_restore_takes_the_place_of_what_an_earlier_one_kept() {
    let program = Program::new().with_area();
    let out = program.path("copy.db");
    program.run(&["backup", out.to_str().unwrap()]).good();
    let first = program.file("first.csv", reports(10));
    program.import("encounters", &first).good();
    // Within a second, and so under the same time.
    for _ in 0..3 {
        program.run(&["restore", out.to_str().unwrap()]).good();
    }
    let kept = std::fs::read_dir(program.folder.path()).unwrap();
    let kept: Vec<PathBuf> = kept.map(|entry| entry.unwrap().path()).collect();
    let kept: Vec<&PathBuf> =
        kept.iter().filter(|path| path.to_string_lossy().contains("before-restore")).collect();
    assert_eq!(kept.len(), 3, "{kept:?}");
    assert!(kept.iter().any(|path| n_encounters(&program, path) == 10));
}

#[test]
fn a_killed_restore_leaves_a_database_the_former_or_the_copy() {
    let program = Program::new().with_area();
    let first = program.file("first.csv", reports(1000));
    program.import("encounters", &first).good();
    let out = program.path("copy.db");
    program.run(&["backup", out.to_str().unwrap()]).good();
    let second = program.file("second.csv", reports(500).replace("R-", "S-"));
    program.import("encounters", &second).good();
    let now = program.path("now.db");
    program.run(&["backup", now.to_str().unwrap()]).good();
    let kept = || -> Vec<PathBuf> {
        let entries = std::fs::read_dir(program.folder.path()).unwrap().map(|entry| entry.unwrap().path());
        entries.filter(|path| path.to_string_lossy().contains("before-restore")).collect()
    };
    let begin_again = || {
        for entry in std::fs::read_dir(program.folder.path()).unwrap() {
            let path = entry.unwrap().path();
            if path.file_name().unwrap().to_string_lossy().starts_with("park.db") {
                std::fs::remove_file(path).unwrap();
            }
        }
        std::fs::copy(&now, program.database()).unwrap();
    };
    let arguments = ["restore", out.to_str().unwrap()];
    begin_again();
    let longest = undisturbed_ms(&program, &arguments);
    for (round, moment) in moments(n_rounds(16, 150), longest).enumerate() {
        // Most rounds begin anew, some with what the last kill left.
        if round % 4 != 3 {
            begin_again();
        }
        let has_ended = killed_after(&program, &arguments, moment);
        assert!(program.database().exists(), "a server would make an empty one");
        let n = n_encounters(&program, &program.database());
        assert!(n == 1000 || n == 1500 && !has_ended, "{n}, ended: {has_ended}");
        // What was there is whole under its other name, if it has lost its own.
        let former: Vec<usize> = kept().iter().map(|path| n_encounters(&program, path)).collect();
        assert!(n == 1500 || former.contains(&1500), "{former:?}");
        program.run(&arguments).good();
        assert_eq!(n_encounters(&program, &program.database()), 1000);
    }
}

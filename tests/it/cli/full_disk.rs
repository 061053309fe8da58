//! A disk that is full, at an import, a backup, a migration, an upload: what was there stays, and people are told.

use std::path::Path;
use std::process::Command;
use std::process::Stdio;

use sqlx::Connection;
use sqlx::SqliteConnection;

use super::Program;
use super::Said;
use super::keeping::copies;
use super::keeping::n_encounters;
use super::keeping::n_settings;
use super::keeping::older_database;
use super::photos::is_whole;
use super::photos::pictures;
use super::reports;
use super::served;
use super::served::Served;
use crate::support::photo::plain_jpeg;

/// The program under a limit of the size of any file it writes, as a full disk would stop it.
fn limited_command(program: &Program, kib: u64, arguments: &[&str]) -> Command {
    let program_path = env!("CARGO_BIN_EXE_coilway");
    let mut command = Command::new("bash");
    // Without the signal the write fails, as it does on a full disk.
    command.args(["-c", &format!("trap '' XFSZ; ulimit -f {kib}; exec \"$0\" \"$@\""), program_path]);
    command.args(arguments).env("COILWAY_DATABASE", program.database()).env("RUST_LOG", "off");
    command
}

fn limited(program: &Program, kib: u64, arguments: &[&str]) -> Said {
    Said::of(limited_command(program, kib, arguments).output().unwrap())
}

#[test]
fn a_write_that_does_not_fit_keeps_what_was_there() {
    let program = Program::new().with_area();
    let kept = program.file("kept.csv", reports(500));
    program.import("encounters", &kept).good();
    let large = program.file("large.csv", reports(30_000).replace("R-", "L-"));
    let out = program.path("copy.db");
    for kib in [300, 700, 1500, 3000] {
        let said = limited(&program, kib, &["import", "encounters", large.to_str().unwrap()]).bad();
        assert!(said.contains("full") || said.contains("disk"), "{said}");
        assert_eq!(n_encounters(&program, &program.database()), 500);
    }
    let said = limited(&program, 64, &["backup", out.to_str().unwrap()]).bad();
    assert!(said.contains("full") || said.contains("disk"), "{said}");
    assert!(!out.exists(), "a backup that is not whole");
    let leftovers = std::fs::read_dir(program.folder.path())
        .unwrap()
        .filter(|entry| entry.as_ref().unwrap().file_name().to_string_lossy().contains("unfinished"));
    assert_eq!(leftovers.count(), 0);
    program.import("encounters", &large).good();
    assert_eq!(n_encounters(&program, &program.database()), 30_500);
}

/// A small file system of its own, where the system lets us have one.
struct SmallDisk {
    folder: tempfile::TempDir,
}

impl SmallDisk {
    fn mount(mib: u64) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let options = format!("size={mib}m");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &options, "tmpfs"])
            .arg(folder.path())
            .stderr(Stdio::null())
            .status();
        mounted.is_ok_and(|status| status.success()).then_some(Self { folder })
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.folder.path()).status();
    }
}

/// Where no file system may be mounted, the test above stands for this one.
#[test]
fn a_disk_that_fills_up_keeps_what_was_there() {
    let Some(disk) = SmallDisk::mount(6) else { return };
    let program = Program::new().with_area();
    let kept = program.file("kept.csv", reports(500));
    program.import("encounters", &kept).good();
    let database = disk.folder.path().join("park.db");
    std::fs::copy(program.database(), &database).unwrap();
    let large = program.file("large.csv", reports(60_000).replace("R-", "L-"));
    let on_disk = |arguments: &[&str]| {
        let mut command = program.command(arguments);
        Said::of(command.env("COILWAY_DATABASE", &database).output().unwrap())
    };
    let said = on_disk(&["import", "encounters", large.to_str().unwrap()]).bad();
    assert!(said.contains("full") || said.contains("disk"), "{said}");
    assert_eq!(n_encounters(&program, &database), 500);
    // A disk that others have filled: reading and checking go on, a backup elsewhere is still made.
    let filler = std::fs::write(disk.folder.path().join("filler"), vec![0u8; 16 << 20]);
    assert!(filler.is_err(), "the disk is not full");
    assert_eq!(n_encounters(&program, &database), 500);
    let small = program.file("small.csv", reports(400).replace("R-", "S-"));
    let said = on_disk(&["import", "encounters", small.to_str().unwrap()]);
    assert_eq!(n_encounters(&program, &database), if said.ok { 900 } else { 500 });
    std::fs::remove_file(disk.folder.path().join("filler")).unwrap();
    on_disk(&["import", "encounters", small.to_str().unwrap()]).good();
    assert_eq!(n_encounters(&program, &database), 900);
}

#[tokio::test]
async fn a_migration_that_does_not_fit_leaves_the_old_database() {
    const N: i64 = 20_000;
    let program = Program::new();
    older_database(&program.database(), N).await;
    let size_kib = std::fs::metadata(program.database()).unwrap().len() / 1024;
    let n_migrations = n_migrations_of(&program.database()).await;
    // No room for the copy that is kept, or for a part of it.
    for kib in [8, size_kib / 4, size_kib / 2] {
        let said = limited(&program, kib, &["batches"]).bad();
        assert!(said.contains("full") || said.contains("disk") || said.contains("database"), "{said}");
        assert_eq!(n_settings(&program.database()).await, N);
        for copy in copies(&program) {
            assert_eq!(n_settings(&copy).await, N, "a copy that is not whole: {copy:?}");
        }
    }
    assert_eq!(n_migrations_of(&program.database()).await, n_migrations);
    program.run(&["batches"]).good();
    program.run(&["check"]).good();
    assert_eq!(n_settings(&program.database()).await, N);
    assert!(n_migrations_of(&program.database()).await > n_migrations);
}

async fn n_migrations_of(path: &Path) -> i64 {
    let mut connection = SqliteConnection::connect(&format!("sqlite://{}", path.display())).await.unwrap();
    let n =
        sqlx::query_scalar("SELECT count(*) FROM _sqlx_migrations").fetch_one(&mut connection).await.unwrap();
    connection.close().await.unwrap();
    n
}

/// Photos and files of rows sent to a server whose disk fills up: it says so, goes on answering, and takes them again when
/// there is room.
#[tokio::test]
async fn a_server_whose_disk_fills_up_says_so_and_goes_on() {
    let Some(disk) = SmallDisk::mount(3) else { return };
    let program = Program::new().with_area();
    program.import("encounters", &program.file("reports.csv", reports(3))).good();
    let database = disk.folder.path().join("park.db");
    std::fs::copy(program.database(), &database).unwrap();
    let mut command = program.command(&["serve", "--port", "0"]);
    command.env("COILWAY_DATABASE", &database);
    let served = Served::start_as(command);
    let mut kept = Vec::new();
    let mut refused = None;
    for number in 0..200u32 {
        let photo = plain_jpeg(600 + number, 400, number as u8);
        match served::upload_photo(served.address(), 1, &photo) {
            Some(303) => kept.push(blake3::hash(&photo).to_hex().to_string()),
            other => {
                assert_eq!(other, Some(507), "after {} photos", kept.len());
                refused = Some(photo);
                break;
            }
        }
    }
    let refused = refused.expect("200 photos fit on 3 MiB");
    assert!(!kept.is_empty(), "not one photo fitted");
    let (status, answer) =
        served.upload("encounters", "large.csv", &reports(30_000).replace("R-", "L-")).unwrap();
    assert!(status == 507 && answer.contains("The disk of the server is full"), "{status}: {answer}");
    // It says so every time: what broke off one write does not stand in the way of the next.
    assert_eq!(served::upload_photo(served.address(), 1, &refused), Some(507));
    assert_eq!(served.get("/encounters/1").unwrap().0, 200);
    let options = "remount,size=64m";
    assert!(Command::new("mount").args(["-o", options]).arg(disk.folder.path()).status().unwrap().success());
    assert_eq!(served::upload_photo(served.address(), 1, &refused), Some(303));
    assert_eq!(served.stop(), "Stopped.");
    is_whole(&program, &database);
    let there = pictures(&database).await;
    assert_eq!(there.len(), kept.len() + 1);
    assert!(
        kept.iter().all(|source| there.contains_key(source)),
        "a photo that was acknowledged is not there"
    );
    assert_eq!(n_encounters(&program, &database), 3);
}

/// No room for the upload itself, before any of it comes to the database.
#[test]
fn an_upload_that_cannot_be_put_down_is_said() {
    let program = Program::new().with_area();
    let served = Served::start_as(limited_command(&program, 256, &["serve", "--port", "0"]));
    let (status, answer) = served.upload("encounters", "large.csv", &reports(20_000)).unwrap();
    assert!(status == 507 && answer.contains("The disk of the server is full"), "{status}: {answer}");
    assert_eq!(served.get("/data").unwrap().0, 200);
    assert_eq!(n_encounters(&program, &program.database()), 0);
}

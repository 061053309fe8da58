//! Photos on the command line, in backups, and under a server that is killed at any moment.

use std::collections::HashMap;
use std::path::Path;

use sqlx::Connection;
use sqlx::SqliteConnection;

use super::Program;
use super::keeping::moments;
use super::keeping::n_rounds;
use super::reports;
use super::served;
use super::served::Served;
use crate::support::photo::on_the_trail;
use crate::support::photo::plain_jpeg;
use crate::support::photo::with_exif;

/// The pictures that a database holds, by the hash of the file that they were made of.
pub(super) async fn pictures(path: &Path) -> HashMap<String, Vec<u8>> {
    let mut connection = SqliteConnection::connect(&format!("sqlite://{}", path.display())).await.unwrap();
    let rows: Vec<(String, String, Vec<u8>, Vec<u8>)> = sqlx::query_as(
        "SELECT source_blake3, photos.blake3, whole.bytes, small.bytes FROM photos
            JOIN photo_bytes AS whole ON whole.blake3 = photos.blake3
            JOIN photo_bytes AS small ON small.blake3 = thumbnail_blake3
         WHERE removed_revision IS NULL",
    )
    .fetch_all(&mut connection)
    .await
    .unwrap();
    connection.close().await.unwrap();
    let checked = rows.into_iter().map(|(source, hash, whole, small)| {
        assert_eq!(blake3::hash(&whole).to_hex().as_str(), hash);
        assert_eq!(small[..2], [0xff, 0xd8]);
        (source, whole)
    });
    checked.collect()
}

pub(super) fn is_whole(program: &Program, database: &Path) {
    let said = program.run(&["check", "--database", database.to_str().unwrap()]).good();
    assert!(said.contains(": whole"), "{said}");
}

#[tokio::test]
async fn photos_come_in_and_are_in_backups() {
    let program = Program::new().with_area();
    let tagged = program.file("IMG_0001.jpg", with_exif(&plain_jpeg(64, 48, 1), &on_the_trail()));
    let named = program.file("Anna Smith.jpg", plain_jpeg(64, 48, 2));
    let html = program.file("IMG_0003.jpg", "<html>");
    let files = [&tagged, &named, &html].map(|path| path.to_str().unwrap());
    let said = program.run(&[&["import", "photos"], &files[..]].concat()).good();
    for words in [
        "3 photos: 1 rows went in, 0 were there already, 2 did not go in (batch 1)",
        "Anna Smith.jpg: decimalLatitude \"\": the photo does not say where it was taken",
        "IMG_0003.jpg: photo \"\": the file is no JPEG, PNG or WebP",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let rows = program.run(&["rows"]).good();
    assert!(rows.contains("photo 2.jpg row 1: decimalLatitude") && rows.contains("2 rows wait"), "{rows}");
    let again = program.run(&["import", "photos", files[0]]).good();
    assert!(again.contains("came before, as batch 1"), "{again}");
    // The name of a person is nowhere in the file.
    let bytes = std::fs::read(program.database()).unwrap();
    assert!(!bytes.windows(4).any(|window| window == b"Anna"));

    let before = pictures(&program.database()).await;
    assert_eq!(before.len(), 1);
    let out = program.path("copy.db");
    program.run(&["backup", out.to_str().unwrap()]).good();
    assert_eq!(pictures(&out).await, before);
    is_whole(&program, &out);
    let more = program.file("IMG_0004.jpg", with_exif(&plain_jpeg(64, 48, 4), &on_the_trail()));
    program.run(&["import", "photos", more.to_str().unwrap()]).good();
    assert_eq!(pictures(&program.database()).await.len(), 2);
    program.run(&["restore", out.to_str().unwrap()]).good();
    assert_eq!(pictures(&program.database()).await, before);

    // A backup with a damaged picture is refused, and the database stays.
    let mut connection = SqliteConnection::connect(&format!("sqlite://{}", out.display())).await.unwrap();
    sqlx::raw_sql("UPDATE photo_bytes SET bytes = zeroblob(length(bytes))")
        .execute(&mut connection)
        .await
        .unwrap();
    connection.close().await.unwrap();
    let said = program.run(&["check", "--database", out.to_str().unwrap()]).bad();
    assert!(said.contains("bytes that do not fit their hash"), "{said}");
    program.run(&["restore", out.to_str().unwrap()]).bad();
    assert_eq!(pictures(&program.database()).await, before);
}

/// Photos sent one after the other to a server that is killed at any moment: what it acknowledged is there with its hash, what
/// it did not is whole or absent.
#[tokio::test]
async fn photos_that_a_killed_server_acknowledged_are_there() {
    let program = Program::new().with_area();
    program.import("encounters", &program.file("reports.csv", reports(3))).good();
    let mut acknowledged: Vec<String> = Vec::new();
    let mut shade = 0u32;
    let mut n_cut_off = 0;
    for moment in moments(n_rounds(8, 80), 900) {
        let served = Served::start(&program);
        let address = served.address().to_owned();
        let first = shade;
        let sender = std::thread::spawn(move || {
            let mut outcomes = Vec::new();
            for number in first..first + 250 {
                // Large enough that writing it takes several pages of the database.
                let sides = (300 + number / 250, 260);
                let photo = plain_jpeg(sides.0, sides.1, (number % 250) as u8);
                let source = blake3::hash(&photo).to_hex().to_string();
                let status = served::upload_photo(&address, number % 3 + 1, &photo);
                outcomes.push((source, status));
                if status.is_none() {
                    break;
                }
            }
            outcomes
        });
        std::thread::sleep(moment);
        served.kill();
        let outcomes = sender.join().unwrap();
        shade += 250;
        is_whole(&program, &program.database());
        let there = pictures(&program.database()).await;
        for (source, status) in outcomes {
            match status {
                Some(status) => {
                    assert_eq!(status, 303);
                    acknowledged.push(source);
                }
                None => n_cut_off += 1,
            }
        }
        for source in &acknowledged {
            assert!(there.contains_key(source), "a photo that was acknowledged is not there");
        }
        // At most one in each round was committed and not acknowledged any more.
        assert!(there.len() <= acknowledged.len() + n_cut_off, "{} {}", there.len(), acknowledged.len());
    }
    assert!(
        acknowledged.len() > 10 && n_cut_off > 0,
        "{} acknowledged, {n_cut_off} cut off",
        acknowledged.len()
    );
}

//! The rule for personal data and photos.

use std::io::Cursor;
use std::sync::Arc;

use sqlx::Connection;
use sqlx::SqliteConnection;

use coilway::app::PhotoFile;

use crate::support::NOW_S;
use crate::support::TestApp;
use crate::support::photo::plain_jpeg;
use crate::web::photos::by_name;

#[tokio::test]
async fn photos_of_records_that_were_taken_out_go_when_their_time_is_over() {
    let mut test = TestApp::park().await;
    let area = test.by_hand().await.area;
    for (shade, name) in [(1, "R-0"), (2, "R-1")] {
        let id = by_name(&test, name).await.id;
        let bytes = plain_jpeg(64, 48, shade);
        let open = move || Ok(Box::new(Cursor::new(bytes.clone())) as Box<dyn std::io::Read + Send>);
        let file = PhotoFile { name: "a.jpg".to_owned(), open: Arc::new(open) };
        let added = test.app.add_photos((area, id), vec![file], "tester").await.unwrap();
        assert_eq!(added.n_added, 1);
    }
    let taken_out = by_name(&test, "R-1").await.id;
    test.write(async |writer| {
        writer.remove_encounter(taken_out).await.unwrap();
        writer.set_setting(area, "personal-data-months", "12").await.unwrap();
    })
    .await;
    let n_photos = async |test: &TestApp| {
        let address = format!("sqlite://{}", test.app.config().database.display());
        let mut connection = SqliteConnection::connect(&address).await.unwrap();
        let count = "SELECT count(*) FROM photos WHERE blake3 IN (SELECT blake3 FROM photo_bytes)";
        let n: i64 = sqlx::query_scalar(count).fetch_one(&mut connection).await.unwrap();
        connection.close().await.unwrap();
        n
    };
    for (later_s, n_left) in [(300 * 86_400, 2), (800 * 86_400, 1)] {
        test = test.at(NOW_S + later_s).await;
        let areas = test.app.store().snapshot().await.unwrap().areas().await.unwrap();
        let emptied = test.app.apply_personal_data_rule(&areas[0], false).await.unwrap().unwrap().1;
        assert_eq!(n_photos(&test).await, n_left, "{emptied}");
    }
    let kept = by_name(&test, "R-0").await.id;
    assert_eq!(test.app.store().snapshot().await.unwrap().photos(kept).await.unwrap().len(), 1);
}

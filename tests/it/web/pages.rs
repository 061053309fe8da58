//! Pages.

use crate::support::TestApp;

#[tokio::test]
async fn time_it() {
    let test = TestApp::park().await;
    let facts = test.app.deriver().facts().await.unwrap();
    let e = test.app.deriver().exposure(&facts).await.unwrap();
    eprintln!("{:?}", e.field.provenance.iter().map(|p| format!("{p:?}").chars().next().unwrap()).collect::<String>());
    eprintln!("{:#?}", e.field.counters);
    eprintln!("{:?}", e.field.readings.iter().map(|r| (r.used, r.missing, r.outage, r.unplaced, r.overlapping)).collect::<Vec<_>>());
    for p in &e.field.parameters { eprintln!("{} {:?} {:?} {:?}", p.name, p.status, p.summary, p.prior); }
    eprintln!("{:?}", e.mean_km);
}

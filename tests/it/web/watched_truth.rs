//! What signs do to watched parties, planted in files and followed to the verdict: sixteen paths, half of them with a sign.

use coilway::analysis::before_after::Effectiveness;
use coilway::analysis::before_after::Role;
use coilway::analysis::before_after::Verdict;
use coilway::analysis::before_after::watched::PlacesAnswer;
use coilway::analysis::before_after::watched::PlacesVerdict;
use coilway::analysis::random::Stream;
use coilway::analysis::random::stream;
use coilway::derived::effect::Deed;
use coilway::derived::effect::WatchComparison;
use coilway::derived::effect::Watching;
use coilway::domain::batch::Content;
use rand_distr::Binomial;
use rand_distr::Distribution;
use rand_distr::StandardNormal;

use super::observers::bring_in;
use crate::support::TestApp;
use crate::support::paths::N_PATHS;
use crate::support::paths::has_sign;
use crate::support::paths::sign_spot;

/// Parties at each place, before and again after.
const PARTIES: u64 = 60;
const READ: f64 = 0.4;

/// A file of watches: places differ, the year changes them a little, and signs raise the log odds of doing as asked.
fn watched(raised: f64, rng: &mut Stream) -> String {
    let mut file =
        "eventID,locality,decimalLatitude,decimalLongitude,start,minutes,partiesPassed,partiesRead,\
                    partiesDidAsAsked,asked,watcher\n"
            .to_owned();
    let normal = |rng: &mut Stream| -> f64 { StandardNormal.sample(rng) };
    let some = |log_odds: f64, rng: &mut Stream| {
        Binomial::new(PARTIES, 1.0 / (1.0 + (-log_odds).exp())).unwrap().sample(rng)
    };
    for path in 0..N_PATHS {
        let own = -0.2 + 0.3 * normal(rng);
        let later = own + 0.15 + 0.1 * normal(rng) + if has_sign(path) { raised } else { 0.0 };
        let position = sign_spot(path);
        let name = if has_sign(path) { format!("Sign {path}") } else { format!("Bend {path}") };
        for (month, log_odds) in [(4, own), (5, later)] {
            let stands = has_sign(path) && month == 5;
            let read = if stands { some((READ / (1.0 - READ)).ln(), rng).to_string() } else { String::new() };
            file += &format!(
                "{path}-{month},{name},{:.7},{:.7},2024-{month:02}-12T09:00,120,{PARTIES},{read},{},keeps to the middle,unseen\n",
                position.lat(),
                position.lon(),
                some(log_odds, rng)
            );
        }
    }
    file
}

async fn found(raised: f64, seed: u64) -> (Vec<WatchComparison>, Watching, String) {
    let test = TestApp::sixteen_paths().await;
    let file = watched(raised, &mut stream(seed, 0));
    assert_eq!(bring_in(&test, Content::SignWatches, file).await, (2 * N_PATHS as u64, 0));
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let page = test.get("/effect").await.expect(200);
    let watching = &layer.watching;
    assert_eq!(watching.left_out, []);
    let (heeding, compared) = (watching.heeding.clone(), watching.compared.clone());
    let n_watches = watching.n_watches;
    (compared, Watching { n_watches, heeding, ..Watching::default() }, page.body)
}

#[tokio::test]
async fn planted_heeding_is_seen_from_the_file_to_the_verdict() {
    let (compared, watching, page) = found(1.1, 3).await;
    let [compared] = &compared[..] else { panic!("{compared:?}") };
    let n = |role: Role| compared.places.iter().filter(|place| place.role == role).count();
    assert_eq!((n(Role::Signed), n(Role::Control)), (N_PATHS / 2, N_PATHS / 2));
    let Effectiveness::Estimated(change) = &compared.change else { panic!("{:?}", compared.change) };
    assert_eq!(change.verdict, Verdict::More, "{change:?}");
    // Shares of 0.45 before, of 0.49 after without a sign, and of 0.74 with one.
    let planted = 0.74 / 0.49;
    assert!((change.limits.lower..=change.limits.upper.unwrap()).contains(&planted), "{change:?}");
    let PlacesAnswer::Compared(places) = &compared.after else { panic!("{:?}", compared.after) };
    assert_eq!(places.verdict, PlacesVerdict::Larger);
    let read = watching.heeding.iter().find(|it| it.deed == Deed::Read).unwrap();
    assert!((read.all.lower..=read.all.upper).contains(&READ), "{read:?}");
    assert!(page.contains("Without a sign"), "what watching could find out is told");
}

#[tokio::test]
async fn signs_that_nobody_heeds_are_not_said_to_be_heeded() {
    for seed in [5, 6] {
        let (compared, ..) = found(0.0, seed).await;
        let Effectiveness::Estimated(change) = &compared[0].change else { panic!() };
        assert_eq!(change.verdict, Verdict::NotToldApart, "{change:?}");
    }
}

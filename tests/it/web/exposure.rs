//! The page about walking, and figures that do not depend on the number of threads.

use axum::http::StatusCode;

use coilway::web::views;
use coilway::web::views::layout::Reader;

use crate::support::Park;
use crate::support::TestApp;

#[tokio::test]
async fn walking_is_said_with_intervals_and_where_it_is_known_from() {
    let test = TestApp::park().await;
    let page = test.get("/exposure").await.expect(200);
    for words in [
        "95 % interval",
        "Does the model meet what was counted?",
        "95 % predictive interval",
        "What the counts can tell",
        "condition number",
        "have rank",
        "Party size",
        "Records where nobody is said to walk",
        "readings used",
        "One count stands for",
        "Priors and rules",
    ] {
        page.says(words);
    }
    for word in ["NaN", " style=", "inf<"] {
        page.never_says(word);
    }
    test.get("/analysis").await.expect(200).says("href=\"/exposure\"");
}

#[tokio::test]
async fn a_trail_shows_its_stretches_and_a_missing_one_is_refused() {
    let test = TestApp::park().await;
    test.get("/exposure?trail=0").await.expect(200).says("Stretches of ");
    test.get("/exposure?trail=999")
        .await
        .expect(StatusCode::BAD_REQUEST.as_u16())
        .says("There is no trail 999");
}

#[tokio::test]
async fn nothing_followed_says_nothing_of_progress() {
    let test = TestApp::park().await;
    test.get("/data").await.expect(200).never_says("Being computed");
}

#[test]
fn samples() {
    let pages = views::exposure::samples();
    for (idx, page) in pages.iter().map(views::exposure::body).enumerate() {
        let drawn = page.into_string().replace("><", ">\n<");
        for word in ["NaN", "inf ", "-inf", "undefined"] {
            assert!(!drawn.contains(word), "{idx} says {word}");
        }
        insta::assert_snapshot!(format!("exposure_{idx}"), drawn);
    }
    let waiting = views::waiting::body(Reader::Staff, (3, 9), "drawing how people walk")
        .into_string()
        .replace("><", ">\n<");
    insta::assert_snapshot!("waiting", waiting);
}

/// The layers of the park, computed on a number of threads, as text that shows every bit of every figure.
fn layers_on(n_threads: usize) -> Vec<String> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(n_threads).build().unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let (facts, network, exposure, snaps, approaches, terms) = runtime.block_on(async {
        let test = TestApp::park().await;
        let deriver = test.app.deriver();
        let facts = deriver.facts().await.unwrap();
        let (network, exposure) =
            (deriver.network(&facts).await.unwrap(), deriver.exposure(&facts).await.unwrap());
        let snaps = deriver.snaps(&facts).await.unwrap();
        let mut snapshot = test.app.store().snapshot().await.unwrap();
        let approaches = snapshot.approaches(facts.area.id).await.unwrap();
        let terms = snapshot.reaction_terms(facts.area.id).await.unwrap();
        (facts, network, exposure, snaps, approaches, terms)
    });
    pool.install(|| {
        let walked = coilway::derived::exposure::compute(&facts, &network).unwrap();
        let rates = coilway::derived::rates::compute(&facts, &network, &exposure, &snaps).unwrap();
        let reactions = coilway::derived::reactions::compute(&facts, &approaches, &terms).unwrap();
        // Debug prints the shortest digits that read back as the same number.
        vec![format!("{walked:?}"), format!("{rates:?}"), format!("{reactions:?}")]
    })
}

#[test]
fn the_same_seed_gives_the_same_figures_on_one_and_two_threads() {
    let (one, two) = (layers_on(1), layers_on(2));
    for (name, (one, two)) in ["exposure", "rates", "reactions"].iter().zip(one.iter().zip(&two)) {
        assert!(one == two, "{name} differs");
    }
}

#[tokio::test]
async fn the_order_of_trails_and_trailheads_in_their_files_changes_nothing() {
    let mut found = Vec::new();
    for is_reversed in [false, true] {
        let test = TestApp::with(&Park { is_reversed, ..Park::default() }).await;
        let facts = test.app.deriver().facts().await.unwrap();
        let exposure = test.app.deriver().exposure(&facts).await.unwrap();
        let rates = test.app.deriver().rates(&facts).await.unwrap();
        let set = &rates.stretches;
        let (names, fit) = (set.names.clone(), set.fit.clone());
        found.push((exposure.field.party_km.clone(), set.provenance.clone(), names, fit));
    }
    assert_eq!(found[0], found[1]);
}

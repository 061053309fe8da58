//! The page about walking, and figures that do not depend on the number of threads.

use axum::http::StatusCode;

use coilway::analysis::snap::Snap;
use coilway::derived::Derived;
use coilway::derived::exposure::ExposureLayer;
use coilway::derived::facts::Facts;
use coilway::domain::place::PlaceDraft;
use coilway::domain::place::PlaceKind;
use coilway::domain::units::Length;
use coilway::domain::walk::Purpose;
use coilway::domain::walk::WalkDraft;
use coilway::web::views;
use coilway::web::views::layout::Reader;

use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::rows;

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

/// A place over the crossing of the trails: with visits it takes the walking inside from the segments, as it takes the records;
/// without visits it takes neither.
#[tokio::test]
async fn walking_inside_a_place_is_its_own_once_its_visits_are_known() {
    let test = TestApp::park().await;
    let look = async || {
        let deriver = test.app.deriver();
        let facts = deriver.facts().await.unwrap();
        let network = deriver.network(&facts).await.unwrap();
        let snaps = deriver.snaps(&facts).await.unwrap();
        let last = facts.places.len();
        let n_there = snaps.snaps.iter().flatten().filter(|snap| match snap {
            Snap::AtPlace { place_idx } => *place_idx + 1 == last,
            _ => false,
        });
        let n_there = n_there.count();
        (deriver.exposure(&facts).await.unwrap(), network, n_there)
    };
    let place = |visits_per_day| PlaceDraft {
        name: "Crossing meadow".to_owned(),
        kind: PlaceKind::Campsite,
        position: at(0.0, 0.0),
        radius: Length::metres(60.0).unwrap(),
        ring: None,
        trailhead: String::new(),
        visits_per_day,
    };
    let put = async |visits| {
        let target = test.by_hand().await;
        test.write(async |writer| {
            writer.put_places(&target, &rows([place(visits)])).await.unwrap();
        })
        .await;
    };
    let (before, _, _) = look().await;
    put(None).await;
    let (without, former, n_without) = look().await;
    assert_eq!(without.mean_km, before.mean_km);
    put(Some(12.0)).await;
    let (with, network, n_with) = look().await;
    let is_newly_cut = |segment: usize| network.outside_places[segment] < former.outside_places[segment];
    for (segment, (km, before)) in with.mean_km.iter().zip(&before.mean_km).enumerate() {
        let is_less = *km < before * (1.0 - 1e-9);
        assert_eq!(is_less, is_newly_cut(segment) && *before > 0.0, "{segment}: {km} {before}");
    }
    let taken: f64 = before.mean_km.iter().sum::<f64>() - with.mean_km.iter().sum::<f64>();
    assert!(
        (with.inside_places_km.value - before.inside_places_km.value - taken).abs() < 1e-6 * taken
            && taken > 0.0
    );
    assert!(n_with > n_without, "{n_with} {n_without}: records inside are the place's");
    test.get("/exposure")
        .await
        .says("that parties walked on trails inside places are left out of the trails");
    // Surveys through it: their kilometres inside are named where the others are told.
    let target = test.by_hand().await;
    let walk = WalkDraft {
        event_id: "W-through".to_owned(),
        parent_event_id: String::new(),
        purpose: Purpose::Planned,
        observers: "A".to_owned(),
        start_s: 1_715_000_000,
        end_s: None,
        sampling_protocol: String::new(),
        track: (-10..=10).map(|step| at(f64::from(step) * 50.0, 0.0)).collect(),
        track_times_s: Vec::new(),
    };
    test.write(async |writer| {
        assert_eq!(writer.put_walks(&target, &rows([walk])).await.unwrap().problems, []);
    })
    .await;
    let page = test.get("/survey").await.expect(200);
    page.says("Planned walks went 1.0 km on the trails, 0.1 km of it inside places with visits");
    let table = test.get("/study/survey-walks.csv").await.expect(200).body;
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let column = reader.headers().unwrap().iter().position(|it| it == "inside_places_km").unwrap();
    let inside: f64 = reader.records().next().unwrap().unwrap()[column].parse().unwrap();
    assert!((inside - 0.12).abs() < 0.01, "{table}");
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
    let waiting = views::waiting::body(Reader::Staff, Some(((3, 9), "drawing how people walk")))
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
        let rates = coilway::derived::rates::compute(&facts, &network, &exposure, &snaps, None).unwrap();
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

const SIZES: &str = "trailhead,trail,from,until,meanWalkers,standardError,parties\n";

/// Brings in a table of party sizes through the import page; the address of its batch.
async fn bring_in_sizes(test: &TestApp, rows: &str) -> String {
    let text = format!("{SIZES}{rows}");
    let parts: [(&str, Option<&str>, &[u8]); 2] =
        [("content", None, b"party-sizes"), ("file", Some("sizes.csv"), text.as_bytes())];
    test.send_files("/data/import", &parts, &[]).await.expect(303).header("location").to_owned()
}

async fn walking(test: &TestApp) -> Derived<ExposureLayer> {
    let facts = test.app.deriver().facts().await.unwrap();
    test.app.deriver().exposure(&facts).await.unwrap()
}

#[tokio::test]
async fn a_party_size_of_a_trail_goes_from_the_file_to_the_walking_and_back() {
    let test = TestApp::park().await;
    let before = walking(&test).await;
    let batch = bring_in_sizes(
        &test,
        ",Ledge Walk,,,4.4,0,80\n,Ledge Walk,2010-01-01,2010-12-31,9.0,1.0,5\n\
         West Gate,Ledge Walk,,,2.0,0.1,9\n,Nowhere Trail,,,2.0,0.1,9\n",
    )
    .await;
    let page = test.get(&batch).await.expect(200);
    for words in ["names the trailhead West Gate too", "there is no trail of this name", "Nowhere Trail"] {
        page.says(words);
    }
    let page = test.get("/exposure").await.expect(200);
    for words in ["on Ledge Walk", "4.40", "2010-01-01 to 2010-12-31", "(not used)", "wherever they started"]
    {
        page.says(words);
    }
    let table = test.get("/study/party-sizes.csv").await.expect(200);
    let lines: Vec<&str> = table.body.lines().collect();
    assert_eq!(lines[0], "trailhead,trail,from,until,mean,standard_error,parties_counted,share_of_period");
    assert_eq!(
        lines[1..],
        [",,,,2.2,0.1,200,1", ",Ledge Walk,,,4.4,0,80,1", ",Ledge Walk,2010-01-01,2010-12-31,9,1,5,0"]
    );
    test.get("/data/import").await.expect(200).says("A row names a trailhead, or a trail");

    // Parties of twice the size are half as many, on every segment of the trail alike and on no other.
    let after = walking(&test).await;
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().network(&facts).await.unwrap();
    let segments = &layer.network.segments;
    let on_ledge = |segment: usize| layer.network.trails[segments[segment].trail_idx].name == "Ledge Walk";
    assert!((0..segments.len()).any(on_ledge) && !(0..segments.len()).all(on_ledge));
    for draw in 0..before.field.n_draws {
        let (was, is) = (before.field.draw(draw), after.field.draw(draw));
        let ratio = |segment: usize| is[segment] / was[segment];
        let first = (0..segments.len()).find(|it| on_ledge(*it) && was[*it] > 0.0).map(ratio).unwrap();
        assert!((first * 2.0).ln().abs() < 0.25, "{first} in draw {draw}");
        for segment in (0..segments.len()).filter(|segment| was[*segment] > 0.0) {
            let expected = if on_ledge(segment) { first } else { 1.0 };
            assert!((ratio(segment) - expected).abs() < 1e-9, "segment {segment} in draw {draw}");
        }
    }
    // So are the parties that signs would be passed by: without legs of their own they would be twice the walking.
    let (mut by_leg, mut naive, mut walked) = (0.0, 0.0, 0.0);
    for trip in &after.trips {
        let parties = after.parties_on_legs(trip, &layer);
        assert_eq!(parties.len(), trip.legs.len());
        for (leg, parties) in trip.legs.iter().zip(parties).filter(|(leg, _)| on_ledge(leg.segment)) {
            let km = segments[leg.segment].length_m / 1000.0;
            by_leg += parties * km;
            naive += trip.parties * km;
        }
    }
    for segment in (0..segments.len()).filter(|segment| on_ledge(*segment)) {
        walked += after.mean_km[segment];
    }
    let off = |km: f64| (km / walked).ln().abs();
    assert!(off(by_leg) < 0.2 && off(naive) > 0.5, "{by_leg} {naive} {walked}");
    test.get("/signs").await.expect(200);

    test.submit(&format!("{batch}/undo"), "").await.expect(303);
    assert_eq!(walking(&test).await.field.party_km, before.field.party_km);
    test.get("/exposure").await.never_says("on Ledge Walk");
}

/// Counted parties are no assumption.
#[tokio::test]
async fn a_counted_party_size_is_not_called_an_assumption() {
    let line =
        |table: &str| table.lines().find(|line| line.starts_with("mean party size")).unwrap().to_owned();
    let test = TestApp::park().await;
    let counted = test.get("/study/exposure-assumptions.csv").await.expect(200).body;
    assert!(line(&counted).contains("counted: the sizes brought in"), "{counted}");
    test.get("/exposure").await.expect(200).says("counted: the sizes brought in for the whole area");
    let facts = test.app.deriver().facts().await.unwrap();
    let mut bare = Facts::clone(&facts);
    bare.party_sizes.clear();
    let exposure = test.app.deriver().exposure(&facts).await.unwrap();
    let assumed = coilway::derived::assumptions::lines(&bare, &exposure);
    let assumed = assumed.iter().find(|line| line.name == "mean party size").unwrap();
    assert!(assumed.source.contains("assumption"), "{assumed:?}");
}

#[tokio::test]
async fn the_order_of_party_sizes_in_their_file_changes_nothing() {
    let mut rows = [
        ",Ledge Walk,,2024-05-10,3.3,0.2,70\n",
        ",Ledge Walk,2024-05-01,,4.1,0.3,40\n",
        ",Swale Path,,,1.7,0.1,33\n",
        "West Gate,,2024-04-01,2024-04-20,2.9,0.1,60\n",
        "West Gate,,2024-05-01,,2.0,0.1,50\n",
        ",,2024-06-01,2024-06-30,2.6,0.2,25\n",
    ];
    let mut found = Vec::new();
    for _ in 0..2 {
        let test = TestApp::park().await;
        bring_in_sizes(&test, &rows.concat()).await;
        let walked = walking(&test).await;
        let table = test.get("/study/party-sizes.csv").await.expect(200).body;
        assert_eq!(table.lines().count(), 8, "{table}");
        found.push((walked.field.party_km.clone(), walked.field.place_visits.clone(), table));
        rows.reverse();
    }
    assert_eq!(found[0], found[1]);
}

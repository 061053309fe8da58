//! Where plans put signs: never two beside a sensitive place, and none beside a sign that stands a little off the trail.

use coilway::analysis::plane::distance_m;
use coilway::derived::effect::ShowsPlace;
use coilway::derived::effect::shows_place;
use coilway::derived::plan::PlanLayer;
use coilway::derived::plan::PlanParams;
use coilway::domain::geography::LonLat;
use coilway::domain::place::SensitivePlace;
use coilway::domain::units::Length;
use coilway::signage::placement::spacing::neighbours;
use coilway::signage::placement::walk::sites_at_vertices;
use coilway::store::SignInPlaceDraft;

use crate::support::NOW_S;
use crate::support::TestApp;
use crate::support::rows;

/// The buffer of the den, metres; it lies so far off the trail that this touches none.
const BUFFER_M: f64 = 60.0;
/// The reach of signs: two that both reach the den bracket it.
const RING_M: f64 = 500.0;

async fn plan(test: &TestApp, n_signs: usize, spacing_m: f64) -> std::sync::Arc<PlanLayer> {
    let facts = test.app.deriver().facts().await.unwrap();
    let length = |metres| Length::metres(metres).unwrap();
    let params = PlanParams { n_signs, reach: length(500.0), spacing: length(spacing_m) };
    test.app.deriver().plan(&facts, params).await.unwrap().value
}

fn north_of(at: LonLat, metres: f64) -> LonLat {
    LonLat::new(at.lon(), at.lat() + metres / 111_000.0).unwrap()
}

async fn put_signs(test: &TestApp, positions: impl Iterator<Item = LonLat>) {
    let target = test.by_hand().await;
    let sign = |(idx, position): (usize, LonLat)| SignInPlaceDraft {
        name: format!("Sign {idx}"),
        position,
        kind: "trail sign".to_owned(),
        plan: None,
        up_s: NOW_S - 30 * 86_400,
        down_s: None,
    };
    let signs: Vec<SignInPlaceDraft> = positions.enumerate().map(sign).collect();
    test.write(async |writer| {
        assert_eq!(writer.put_signs_in_place(&target, &rows(signs)).await.unwrap().problems, []);
    })
    .await;
}

#[tokio::test]
async fn a_plan_never_brackets_a_place_whose_buffer_touches_no_trail() {
    let test = TestApp::park().await;
    let free = plan(&test, 8, 150.0).await;
    let network = test.app.deriver().network(&test.app.deriver().facts().await.unwrap()).await.unwrap();
    let is_off_trail =
        |at: LonLat| network.index.nearest(network.network.plane.to_plane(at), BUFFER_M).is_none();
    let near = |plan: &PlanLayer, den: LonLat| {
        plan.sites.iter().filter(|site| distance_m(site.position, den) <= BUFFER_M + RING_M).count()
    };
    let middle = |idx: usize, other: usize| {
        let (a, b) = (free.sites[idx].position, free.sites[other].position);
        LonLat::new(a.lon().midpoint(b.lon()), a.lat().midpoint(b.lat())).unwrap()
    };
    let pairs = (0..free.sites.len()).flat_map(|idx| (0..idx).map(move |other| (idx, other)));
    let dens = pairs.map(|(idx, other)| north_of(middle(idx, other), 100.0));
    let den = dens.filter(|den| is_off_trail(*den)).max_by_key(|den| near(&free, *den)).unwrap();
    assert!(near(&free, den) >= 2, "nothing would bracket it anyway");

    let target = test.by_hand().await;
    let place = SensitivePlace {
        name: "The slabs".to_owned(),
        position: den,
        buffer: Length::metres(BUFFER_M).unwrap(),
        reason: "den".to_owned(),
        review_date: String::new(),
    };
    test.write(async |writer| {
        assert_eq!(writer.put_sensitive_places(&target, &rows([place])).await.unwrap().problems, []);
        writer.set_setting(target.area, "sign-reach", "500").await.unwrap();
    })
    .await;
    let kept_clear = plan(&test, 8, 150.0).await;
    assert!(near(&kept_clear, den) <= 1, "{:?}", kept_clear.sites);
    assert!(kept_clear.sites.len() >= 4, "{:?}", kept_clear.sites);
    // What the plan puts up gives nothing away by the rule that standing signs are looked at with.
    put_signs(&test, kept_clear.sites.iter().map(|site| site.position)).await;
    let facts = test.app.deriver().facts().await.unwrap();
    for sign in &facts.signs_in_place {
        assert_eq!(shows_place(&facts, sign, NOW_S), ShowsPlace::No, "{sign:?}");
    }
    // With one that stands there, none is added, wherever the trail leaves it.
    let more = plan(&test, 12, 100.0).await;
    let n_standing = near(&kept_clear, den);
    assert!(near(&more, den) <= n_standing.max(1), "{:?}", more.sites);
}

#[tokio::test]
async fn a_sign_a_little_off_the_trail_stands_for_the_plan_as_for_its_effect() {
    let test = TestApp::park().await;
    let best = plan(&test, 1, 150.0).await.sites[0].clone();
    put_signs(&test, [north_of(best.position, 100.0)].into_iter()).await;
    let facts = test.app.deriver().facts().await.unwrap();
    assert!(test.app.deriver().effect(&facts).await.unwrap().signs[0].is_by_trail);
    let found = plan(&test, 2, 150.0).await;
    let standing: Vec<usize> =
        found.sites.iter().filter(|site| site.standing).map(|site| site.vertex).collect();
    assert_eq!(standing, [best.vertex], "it counts for what signs did and not for the plan");
    for site in found.sites.iter().filter(|site| !site.standing) {
        assert!(distance_m(site.position, best.position) > 100.0, "another one right beside it: {site:?}");
    }
}

#[tokio::test]
async fn a_kilometre_holds_no_more_signs_than_the_setting_says() {
    let test = TestApp::park().await;
    let network = test.app.deriver().network(&test.app.deriver().facts().await.unwrap()).await.unwrap();
    let graph = network.network.graph();
    let near = neighbours(graph, &sites_at_vertices(graph), 500.0);
    // The most signs within half a kilometre of walking of any vertex.
    let most = |plan: &PlanLayer| {
        let is_sign = |vertex: usize| plan.sites.iter().any(|site| site.vertex == vertex);
        let around = near.iter().map(|near| near.iter().filter(|(other, _)| is_sign(*other)).count());
        around.max().unwrap()
    };
    let free = plan(&test, 8, 100.0).await;
    assert!(most(&free) > 1, "{:?}", free.sites);
    put_signs(&test, [free.sites[0].position].into_iter()).await;
    let target = test.by_hand().await;
    test.write(async |writer| {
        writer.set_setting(target.area, "signs-per-km", "1").await.unwrap();
    })
    .await;
    let sparse = plan(&test, 8, 100.0).await;
    assert!(most(&sparse) == 1 && sparse.sites.len() >= 3, "{:?}", sparse.sites);
    assert!(
        sparse.left_out.contains(&"More than 1 sign in any kilometre".to_owned()),
        "{:?}",
        sparse.left_out
    );
}

//! Density: three maps, each with the rules it was made by; layers that say the same.

use coilway::derived::density::DensityParams;
use coilway::domain::encounter::EffortKind;
use coilway::domain::trail::TrailDraft;
use coilway::domain::units::Length;
use jiff::civil::date;
use serde_json::Value;

use crate::support::Park;
use crate::support::TestApp;
use crate::support::at;
use crate::support::report;
use crate::support::rows;

/// By a trail.
const FAR: (f64, f64) = (-1234.5, 777.25);

fn features(collection: &Value) -> &Vec<Value> {
    collection["features"].as_array().unwrap()
}

#[tokio::test]
async fn each_map_says_kernel_rule_and_bandwidth() {
    let test = TestApp::park().await;
    for (address, words) in [
        ("/density", ["quartic kernel", "continuous at junctions", "bandwidth 250 m, as set for the area"]),
        (
            "/density?show=trails&kernel=gaussian&rule=discontinuous&bandwidth=400",
            ["Gaussian kernel", "absorbing at dead ends", "bandwidth 400 m, as given"],
        ),
        (
            "/density?show=plane&bandwidth=likelihood",
            ["quartic", "leave-one-out likelihood in the plane", "Log likelihood by bandwidth"],
        ),
    ] {
        let page = test.get(address).await.expect(200);
        for word in words {
            page.says(word);
        }
        page.says("the median standard error of the positions is 5 m");
    }
    test.get("/density").await.says("Outside what even risk gives");
    test.get("/density?show=trails").await.says("without regard to how many people walk");
}

/// A road of 60 km beside the park: the grid of the plane has cells of 60 m then, and a bandwidth of 25 m is drawn as wide as they
/// are, which is said. It was an error of the server.
#[tokio::test]
async fn a_narrow_bandwidth_in_a_large_area_is_drawn_as_wide_as_the_grid_is_fine() {
    let test = TestApp::park().await;
    let road = TrailDraft {
        name: "Long Road".to_owned(),
        habitat: String::new(),
        parts: vec![vec![at(0.0, 0.0), at(30_000.0, 400.0), at(60_000.0, 0.0)]],
        elevations_m: Vec::new(),
    };
    let target = test.by_hand().await;
    test.write(async |writer| {
        writer.put_trails(&target, &rows([road])).await.unwrap();
    })
    .await;
    for kernel in ["quartic", "gaussian"] {
        let page = test.get(&format!("/density?show=plane&bandwidth=25&kernel={kernel}")).await.expect(200);
        page.says("bandwidth 25 m, as given");
        page.says("the grid of an area as large as this is no finer");
    }
    test.get("/density?show=plane&bandwidth=likelihood").await.expect(200);
    test.get("/density?show=plane").await.expect(200).never_says("no finer");
}

/// What the area has set holds wherever nothing else is asked for, in the study too.
#[tokio::test]
async fn kernel_and_rule_are_set_for_the_area() {
    let test = TestApp::park().await;
    let target = test.by_hand().await;
    test.write(async |writer| {
        writer.set_setting(target.area, "density-gaussian", "1").await.unwrap();
        writer.set_setting(target.area, "density-discontinuous", "1").await.unwrap();
    })
    .await;
    let page = test.get("/density?show=trails").await.expect(200);
    page.says("Gaussian kernel");
    page.says("absorbing at dead ends");
    let asked = test.get("/density?show=trails&kernel=quartic&rule=continuous").await;
    asked.says("quartic kernel");
    asked.says("reflecting at dead ends");
    test.get("/study/density-report.svg").await.says("absorbing at dead ends");
}

/// Thirty records rounded to one point on purpose: taken at their word they are the densest place of the park.
#[tokio::test]
async fn generalised_records_gather_nowhere() {
    let test = TestApp::park().await;
    let layer = async || {
        let facts = test.app.deriver().facts().await.unwrap();
        test.app
            .deriver()
            .density(&facts, DensityParams::set(&facts.settings, EffortKind::Report))
            .await
            .unwrap()
    };
    let before = layer().await;
    let target = test.by_hand().await;
    let rounded = (0..30).map(|n| {
        let mut draft = report(&format!("ROUNDED-{n}"), at(FAR.0, FAR.1), date(2024, 5, 6), 9);
        let recorded = draft.position.as_mut().unwrap();
        recorded.is_generalised = true;
        recorded.coordinate_uncertainty = Some(Length::metres(5_000.0).unwrap());
        draft
    });
    let rounded: Vec<_> = rounded.collect();
    test.write(async |writer| {
        writer.put_encounters(&target, &rows(rounded)).await.unwrap();
    })
    .await;
    let after = layer().await;
    assert_eq!((after.n_records, after.n_vague), (before.n_records, before.n_vague + 30));
    assert_eq!(after.contours, before.contours);
    assert_eq!(after.width, before.width, "nor do they make the bandwidth's floor");
}

#[tokio::test]
async fn only_reports_are_divided_by_walking() {
    let test = TestApp::park().await;
    let page = test.get("/density?effort=located").await.expect(200);
    page.says("Only reports are divided by walking");
    test.get("/density?effort=located&show=trails").await.expect(200).says("located");
    let unwalked = TestApp::with(&Park { has_walking: false, ..Park::default() }).await;
    unwalked.get("/density?show=plane").await.expect(200);
}

#[tokio::test]
async fn parameters_out_of_range_are_named() {
    let test = TestApp::park().await;
    for (query, field) in
        [("bandwidth=3", "bandwidth"), ("kernel=flat", "kernel"), ("rule=none", "rule"), ("show=all", "show")]
    {
        let problem = test.get(&format!("/layers/density.geojson?{query}")).await.expect(400).json();
        assert_eq!(problem["field"], field, "{problem}");
        test.get(&format!("/density?{query}")).await.expect(400);
    }
}

#[tokio::test]
async fn lixels_keep_every_encounter_under_the_continuous_rule() {
    let test = TestApp::park().await;
    let json = test.get("/layers/density.geojson?show=trails&limit=10000").await.expect(200).json();
    assert!(features(&json).len() > 100);
    let lines = features(&json).iter().map(|feature| {
        assert_eq!(feature["geometry"]["type"], "LineString");
        let ends: Vec<[f64; 2]> = feature["geometry"]["coordinates"]
            .as_array()
            .unwrap()
            .iter()
            .map(|at| [at[0].as_f64().unwrap() * 88_290.0, at[1].as_f64().unwrap() * 111_000.0])
            .collect();
        let length_m: f64 =
            ends.windows(2).map(|leg| (leg[1][0] - leg[0][0]).hypot(leg[1][1] - leg[0][1])).sum();
        assert!((15.0..40.0).contains(&length_m), "{length_m}");
        feature["properties"]["encounters_per_km"].as_f64().unwrap() * length_m / 1000.0
    });
    let total: f64 = lines.sum();
    let counted = features(&json)[0]["properties"]["encounters"].as_f64().unwrap();
    assert!((total / counted - 1.0).abs() < 0.02, "{total} of {counted}");
}

#[tokio::test]
async fn relative_lixels_carry_both_tails() {
    let test = TestApp::park().await;
    let json = test.get("/layers/density.geojson?show=relative").await.expect(200).json();
    let mut judged = 0;
    for feature in features(&json) {
        let properties = &feature["properties"];
        let words = properties["tolerance"].as_str().unwrap();
        assert!(
            ["above", "within", "below", "no exposure", "not judged, walking is assumed"].contains(&words)
        );
        if let (Some(high), Some(low)) = (properties["p_high"].as_f64(), properties["p_low"].as_f64()) {
            assert!(high + low >= 1.0 && high <= 1.0 && low <= 1.0, "{properties}");
            let ratio = properties["ratio_to_even"].as_f64().unwrap();
            let limit = |name: &str| properties[name].as_f64().unwrap();
            let (lower, upper) =
                (limit("ratio_to_even_tolerance_lower"), limit("ratio_to_even_tolerance_upper"));
            assert!(0.0 <= lower && lower <= upper, "{properties}");
            assert!(words != "above" || ratio >= upper - 2e-4, "{properties}");
            assert!(words != "below" || ratio <= lower + 2e-4, "{properties}");
            // Parts are whole segments more than half of which lies outside.
            if let Some(part) = properties["part_ratio_to_even"].as_f64() {
                assert!(
                    limit("part_ratio_to_even_lower") <= part && part <= limit("part_ratio_to_even_upper")
                );
                assert!(limit("part_encounters") >= 0.0 && limit("part_walked_km") > 0.0);
            }
            judged += 1;
        }
    }
    assert!(judged > 20, "{judged}");
    // Other parameters, another answer.
    let other = test.get("/layers/density.geojson?show=relative&bandwidth=900").await.expect(200).json();
    assert_ne!(features(&json)[10]["properties"], features(&other)[10]["properties"]);
}

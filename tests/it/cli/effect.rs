//! What signs did, from the command line.

use super::Program;

const TRAIL: &str = r#"{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"name":"Rim"},
    "geometry":{"type":"LineString","coordinates":[[-109.4,37.6],[-109.38,37.6]]}}]}"#;

#[test]
fn what_is_missing_for_a_comparison_is_said() {
    let program = Program::new().with_area();
    assert!(program.run(&["effect"]).bad().contains("There are no trails yet"));
    let trails = program.file("trails.geojson", TRAIL);
    program.import("trails", &trails).good();
    assert!(program.run(&["effect"]).bad().contains("No sign has been put up yet"));
    let signs = "name,latitude,longitude,kind,up\nS1,37.6,-109.39,trail sign,2024-05-10\nS1,north,-109.39,,2024-05-10\n";
    let signs = program.file("signs.csv", signs);
    assert!(program.import("signs-in-place", &signs).good().contains("1 rows went in"));
    assert!(program.run(&["effect"]).bad().contains("Nothing says how many people walk"));
    let inspections = program
        .file("inspections.csv", "sign,inspectedAt,condition\nS1,2024-06-01,good\nS9,2024-06-01,good\n");
    let said = program.import("sign-inspections", &inspections).good();
    assert!(said.contains("1 rows went in, 0 were there already, 1 did not go in"), "{said}");
}

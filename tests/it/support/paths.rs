//! Sixteen paths apart from each other, each with walkers who are counted at both ends; half of them get a sign.

use coilway::domain::area::Species;
use coilway::domain::exposure::CounterDraft;
use coilway::domain::exposure::ReadingDraft;
use coilway::domain::geography::LonLat;
use coilway::domain::trail::TrailDraft;
use coilway::domain::trail::TrailheadDraft;
use coilway::store::SignInPlaceDraft;
use coilway::store::Target;
use coilway::store::Writer;

use crate::support::TestApp;
use crate::support::at;
use crate::support::put_area;
use crate::support::rows;

/// Paths.
pub(crate) const N_PATHS: usize = 16;
/// Days with readings, from 1 April 2024.
pub(crate) const N_DAYS: i64 = 60;
/// 2024-04-01T07:00:00Z, midnight in the park.
pub(crate) const FIRST_S: i64 = 1_711_954_800;
/// The signs go up on this day, counted from 0.
pub(crate) const SIGN_DAY: i64 = 30;
pub(crate) const DAY_S: i64 = 86_400;
/// People walk in these hours, in each of them alike.
pub(crate) const HOURS: std::ops::Range<i64> = 8..16;
/// How far up its path a sign stands, metres.
const SIGN_M: f64 = 400.0;

/// A position on a path, metres from its gate, up to 1,500.
pub(crate) fn on_path(path: usize, metres: f64) -> LonLat {
    at(3000.0 * path as f64, metres)
}

/// Where the sign of a path stands, or would.
pub(crate) fn sign_spot(path: usize) -> LonLat {
    on_path(path, SIGN_M)
}

pub(crate) fn has_sign(path: usize) -> bool {
    path.is_multiple_of(2)
}

impl TestApp {
    /// Sixteen paths with walkers on each, and signs on eight of them.
    pub(crate) async fn sixteen_paths() -> Self {
        let test = Self::sixteen_bare_paths().await;
        let target = test.by_hand().await;
        test.write(async |writer| put_signs(writer, &target).await).await;
        test
    }

    /// The same before any sign is put up.
    pub(crate) async fn sixteen_bare_paths() -> Self {
        let test = Self::empty().await;
        test.write(async |writer| write(writer).await).await;
        test
    }
}

async fn write(writer: &mut Writer) {
    let area = put_area(writer, "Sixteen paths").await;
    let target = Target { area, source: None };
    writer.set_setting(area, "draws", "100").await.unwrap();
    let species = |scientific_name: &str| Species {
        scientific_name: scientific_name.to_owned(),
        vernacular_name: String::new(),
        is_venomous: true,
        sensitivity_category: None,
        sensitivity_reason: String::new(),
        review_date: String::new(),
    };
    let list = ["Crotalus viridis", "Crotalus lutosus", "Crotalus cerberus"].map(species);
    writer.put_species(&target, &rows(list)).await.unwrap();
    let trail = |path: usize| TrailDraft {
        name: format!("Path {path}"),
        habitat: String::new(),
        parts: vec![vec![on_path(path, 0.0), on_path(path, 1500.0)]],
        elevations_m: Vec::new(),
    };
    writer.put_trails(&target, &rows((0..N_PATHS).map(trail))).await.unwrap();
    let head = |path: usize| TrailheadDraft {
        name: format!("Gate {path}"),
        position: on_path(path, 0.0),
        relative_volume: 10.0,
    };
    writer.put_trailheads(&target, &rows((0..N_PATHS).map(head))).await.unwrap();
    // Name, place, walkers in an hour, in both directions together.
    let counters = (0..N_PATHS).flat_map(|path| [(path, 50.0, 20), (path, 1400.0, 8)]);
    let name = |path: usize, metres: f64| format!("C{path} {metres:.0}");
    let counter = |(path, metres, _): (usize, f64, u32)| CounterDraft {
        name: name(path, metres),
        device: "infrared".to_owned(),
        position: on_path(path, metres),
        from_s: None,
        until_s: None,
    };
    writer.put_counters(&target, &rows(counters.clone().map(counter))).await.unwrap();
    let readings = counters.flat_map(|(path, metres, walkers)| {
        (0..N_DAYS * 24).map(move |hour| ReadingDraft {
            counter: name(path, metres),
            start_s: FIRST_S + hour * 3600,
            length_s: 3600,
            count_in: if HOURS.contains(&(hour % 24)) { walkers + (hour % 3) as u32 } else { 0 },
            count_out: None,
        })
    });
    writer.put_readings(&target, &rows(readings)).await.unwrap();
}

async fn put_signs(writer: &mut Writer, target: &Target) {
    let sign = |path: usize| SignInPlaceDraft {
        name: format!("Sign {path}"),
        position: sign_spot(path),
        kind: "trail sign".to_owned(),
        plan: None,
        up_s: FIRST_S + SIGN_DAY * DAY_S,
        down_s: None,
    };
    let signs = (0..N_PATHS).filter(|path| has_sign(*path)).map(sign);
    writer.put_signs_in_place(target, &rows(signs)).await.unwrap();
}

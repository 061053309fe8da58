//! A trail that was closed for a part of the time, planted in files and followed to what is said of it: two trails apart from each
//! other, both with a counter at either end, one of them closed for a while. Beside what comes out with the closure stands what
//! comes out without it, when the counters' zeros pass for days on which they did not count.

use jiff::ToSpan;
use jiff::civil::Date;
use jiff::civil::date;

use coilway::analysis::before_after::Period;
use coilway::analysis::density::relative::Tolerance;
use coilway::analysis::rates::ReportingRatio;
use coilway::analysis::season::TemperatureEffect;
use coilway::derived::density::DensityParams;
use coilway::derived::effect::ReportsAnswer;
use coilway::domain::batch::Content;
use coilway::domain::encounter::EffortKind;
use coilway::domain::geography::LonLat;

use super::observers::bring_in;
use crate::support::TestApp;
use crate::support::at;
use crate::support::put_area;

const HIGH: &str = "High Trail";
const LOW: &str = "Low Trail";
const FIRST: Date = date(2024, 4, 1);
/// April to September.
const N_DAYS: i64 = 183;
/// 2024-10-15T00:00:00Z: all of it is past.
const NOW_S: i64 = 1_728_950_400;
/// Length of each trail, metres.
const LENGTH_M: f64 = 3000.0;
/// Walkers who pass a point of a trail in an hour of a day, in both directions together. Everybody walks to the end and back.
const BY_HOUR: [u32; 24] = [0, 0, 0, 0, 0, 0, 4, 8, 10, 10, 8, 6, 5, 5, 4, 4, 3, 2, 0, 0, 0, 0, 0, 0];
/// Walkers in each party.
const PARTY: f64 = 2.0;
/// Reports for each kilometre that a party walks, at the mean of the year.
const REPORTED_PER_KM: f64 = 0.02;
/// Encounters for each kilometre of a survey.
const SURVEYED_PER_KM: f64 = 0.5;
/// Where a sign stands on High Trail, metres from its gate: it holds for all that lies beyond.
const SIGN_M: f64 = 1000.0;
/// 1 July.
const SIGN_DAY: i64 = 91;

/// What is planted.
#[derive(Clone, Copy)]
struct Truth {
    /// First and last days on which Low Trail is closed, counted from the first of April.
    closed: &'static [(i64, i64)],
    /// Walkers on Low Trail while it is open, for each on High Trail.
    walkers_on_low: u32,
    /// The rate on Low Trail over that on High Trail.
    rate_on_low: f64,
    /// The rate on a warm day over that on another.
    rate_on_warm: f64,
    /// Whether somebody looks for snakes on both trails, every day, closed or not.
    is_surveyed: bool,
    /// What is left of encounters beyond the sign, from the day on which it stands.
    left_by_sign: Option<f64>,
}

impl Default for Truth {
    fn default() -> Self {
        Self {
            closed: &[],
            walkers_on_low: 1,
            rate_on_low: 1.0,
            rate_on_warm: 1.0,
            is_surveyed: false,
            left_by_sign: None,
        }
    }
}

/// The second ten days of every month are warm.
fn is_warm(day: i64) -> bool {
    (11..=20).contains(&date_of(day).day())
}

fn date_of(day: i64) -> Date {
    FIRST.checked_add(day.days()).unwrap()
}

/// How frequent encounters are on a day: most in the middle of June, three times as many as at the end of September.
fn season(day: i64) -> f64 {
    let of_year = f64::from(date_of(day).day_of_year());
    (0.9 * (std::f64::consts::TAU * (of_year - 166.0) / 365.25).cos()).exp()
}

fn spot(trail: &str, along_m: f64) -> LonLat {
    at(along_m - LENGTH_M / 2.0, if trail == HIGH { 600.0 } else { -600.0 })
}

/// A part of a trail on which everything is alike: the trail, and where it begins and ends.
const PARTS: [(&str, f64, f64); 3] = [(HIGH, 0.0, SIGN_M), (HIGH, SIGN_M, LENGTH_M), (LOW, 0.0, LENGTH_M)];

/// Counts out what is expected, one by one, in places along a part that fill it evenly.
#[derive(Default, Clone, Copy)]
struct Evenly {
    owed: f64,
    n: u32,
}

impl Evenly {
    /// The places of those that are due, as shares of the part.
    fn due(&mut self, expected: f64) -> Vec<f64> {
        self.owed += expected;
        let mut places = Vec::new();
        while self.owed >= 0.5 {
            self.owed -= 1.0;
            self.n += 1;
            // The golden ratio fills the unit interval with no two alike.
            places.push((f64::from(self.n) * 0.618_033_988_75).fract());
        }
        places
    }
}

impl Truth {
    fn is_closed(&self, day: i64) -> bool {
        self.closed.iter().any(|(first, last)| (*first..=*last).contains(&day))
    }

    /// Walkers who pass a point of a trail in an hour.
    fn passing(&self, trail: &str, day: i64, hour: usize) -> u32 {
        match trail {
            HIGH => BY_HOUR[hour],
            _ if self.is_closed(day) => 0,
            _ => BY_HOUR[hour] * self.walkers_on_low,
        }
    }

    /// How frequent encounters are on a part and day.
    fn relative_rate(&self, (trail, from_m, _): (&str, f64, f64), day: i64) -> f64 {
        let of_trail = if trail == LOW { self.rate_on_low } else { 1.0 };
        let of_day = if is_warm(day) { self.rate_on_warm } else { 1.0 };
        let has_sign = trail == HIGH && from_m >= SIGN_M && day >= SIGN_DAY;
        let of_sign = self.left_by_sign.filter(|_| has_sign).unwrap_or(1.0);
        season(day) * of_trail * of_day * of_sign
    }

    fn readings(&self) -> String {
        let mut file = "counter,start,minutes,in\n".to_owned();
        for (trail, counters) in [(HIGH, ["H1", "H2"]), (LOW, ["L1", "L2"])] {
            for (counter, day) in counters.iter().flat_map(|counter| (0..N_DAYS).map(move |it| (counter, it)))
            {
                for hour in 0..24 {
                    let passing = self.passing(trail, day, hour);
                    file += &format!("{counter},{}T{hour:02}:00,60,{passing}\n", date_of(day));
                }
            }
        }
        file
    }

    fn encounters(&self) -> String {
        let mut file =
            "occurrenceID,eventID,effortKind,eventDate,eventTime,decimalLatitude,decimalLongitude,\
                        coordinateUncertaintyInMeters,uncertaintyMeaning,scientificName,verificationStatus\n"
                .to_owned();
        let mut reported = [Evenly::default(); PARTS.len()];
        let mut surveyed = [Evenly::default(); PARTS.len()];
        let mut n = 0;
        for (day, idx) in (0..N_DAYS).flat_map(|day| (0..PARTS.len()).map(move |idx| (day, idx))) {
            let (trail, from_m, to_m) = PARTS[idx];
            let (rate, km) = (self.relative_rate(PARTS[idx], day), (to_m - from_m) / 1000.0);
            let mut put = |event: &str, kind: &str, time: String, share: f64| {
                let position = spot(trail, from_m + share * (to_m - from_m));
                n += 1;
                file += &format!(
                    "R-{n},{event},{kind},{},{time},{:.7},{:.7},6,radius-95,Crotalus viridis,verified\n",
                    date_of(day),
                    position.lat(),
                    position.lon()
                );
            };
            for hour in 0..24 {
                let party_km = f64::from(self.passing(trail, day, hour)) * km / PARTY;
                for share in reported[idx].due(REPORTED_PER_KM * rate * party_km) {
                    put("", "report", format!("{hour:02}:30"), share);
                }
            }
            if self.is_surveyed {
                for share in surveyed[idx].due(SURVEYED_PER_KM * rate * km) {
                    put(&walk_id(trail, day), "survey", "08:30".to_owned(), share);
                }
            }
        }
        file
    }

    fn walks(&self) -> String {
        let mut file = "eventID,purpose,start,end,footprintWKT\n".to_owned();
        for (trail, day) in [HIGH, LOW].iter().flat_map(|trail| (0..N_DAYS).map(move |day| (trail, day))) {
            let on = date_of(day);
            let line = line(trail);
            file += &format!("{},planned,{on}T08:00,{on}T09:30,\"{line}\"\n", walk_id(trail, day));
        }
        file
    }

    /// A park of it, out of files.
    async fn park(&self) -> TestApp {
        let test = TestApp::empty().await.at(NOW_S).await;
        test.write(async |writer| {
            let area = put_area(writer, "Two trails").await;
            for (key, value) in [("draws", "100"), ("sign-reach", "4500"), ("effect-warned-share", "0.8")] {
                writer.set_setting(area, key, value).await.unwrap();
            }
        })
        .await;
        let of_points = |head: &str, rows: &[(&str, &str, f64, &str)]| {
            let row = |(name, trail, along_m, rest): &(&str, &str, f64, &str)| {
                let position = spot(trail, *along_m);
                format!("{name},{:.7},{:.7},{rest}\n", position.lat(), position.lon())
            };
            format!("{head}\n{}", rows.iter().map(row).collect::<String>())
        };
        let calibrations =
            ["H1", "H2", "L1", "L2"].map(|name| format!("{name},2024-04-02T08:00,60,900,900\n"));
        let trails = [HIGH, LOW].map(|trail| format!("{trail},\"{}\"\n", line(trail)));
        let counters = [("H1", HIGH, 150.0, "infrared"), ("H2", HIGH, 2850.0, "infrared")];
        let counters = [
            counters,
            counters.map(|(name, _, m, kind)| (if name == "H1" { "L1" } else { "L2" }, LOW, m, kind)),
        ];
        let mut files = vec![
            (Content::Species, "scientificName,venomous\nCrotalus viridis,yes\n".to_owned()),
            (Content::Trails, format!("name,footprintWKT\n{}", trails.concat())),
            (
                Content::Trailheads,
                of_points(
                    "name,decimalLatitude,decimalLongitude,relativeVolume",
                    &[("High Gate", HIGH, 0.0, "10"), ("Low Gate", LOW, 0.0, "10")],
                ),
            ),
            (
                Content::Counters,
                of_points("counter,decimalLatitude,decimalLongitude,device", &counters.concat()),
            ),
            (Content::Readings, self.readings()),
            (
                Content::Calibrations,
                format!("counter,start,minutes,manualCount,deviceCount\n{}", calibrations.concat()),
            ),
            (Content::PartySizes, format!("meanWalkers,standardError,parties\n{PARTY},0.02,900\n")),
            (Content::DailyWeather, {
                let row = |day| format!("{},{}\n", date_of(day), if is_warm(day) { 32 } else { 22 });
                format!("date,maxTemperatureInCelsius\n{}", (0..N_DAYS).map(row).collect::<String>())
            }),
        ];
        if self.is_surveyed {
            files.push((Content::Walks, self.walks()));
        }
        files.push((Content::Encounters, self.encounters()));
        if self.left_by_sign.is_some() {
            let sign = of_points(
                "name,decimalLatitude,decimalLongitude,kind,up",
                &[("High sign", HIGH, SIGN_M, &format!("trail sign,{}", date_of(SIGN_DAY)))],
            );
            files.push((Content::SignsInPlace, sign));
        }
        for (content, file) in files {
            let (accepted, refused) = bring_in(&test, content, file).await;
            assert!(accepted > 0 && refused == 0, "{content}: {accepted} {refused}");
        }
        test
    }

    /// Brings the closures in.
    async fn close(&self, test: &TestApp) {
        let row = |(first, last): &(i64, i64)| format!("{LOW},{},{}\n", date_of(*first), date_of(*last));
        let file = format!("name,from,until\n{}", self.closed.iter().map(row).collect::<String>());
        assert_eq!(bring_in(test, Content::Closures, file).await, (self.closed.len() as u64, 0));
    }
}

fn walk_id(trail: &str, day: i64) -> String {
    format!("{}-{day}", &trail[..1])
}

fn line(trail: &str) -> String {
    let points = (0..=30).map(|step| spot(trail, f64::from(step) * LENGTH_M / 30.0));
    let points: Vec<String> = points.map(|it| format!("{:.7} {:.7}", it.lon(), it.lat())).collect();
    format!("LINESTRING ({})", points.join(", "))
}

/// By trail, High Trail first: whether a segment is of it.
async fn members(test: &TestApp) -> [Vec<usize>; 2] {
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().network(&facts).await.unwrap();
    let of = |trail: &str| {
        (0..layer.network.segments.len()).filter(|segment| layer.trail_name(*segment) == trail).collect()
    };
    [of(HIGH), of(LOW)]
}

/// Low over High, of something by segment over something else.
fn low_over_high(members: &[Vec<usize>; 2], above: &[f64], below: &[f64]) -> f64 {
    let of = |trail: usize| {
        let sum = |values: &[f64]| members[trail].iter().map(|segment| values[*segment]).sum::<f64>();
        sum(above) / sum(below)
    };
    of(1) / of(0)
}

/// Reports over walking on Low Trail, over the same on High Trail, with the shares of Low Trail below the contours and of both outside.
struct Relative {
    ratio: f64,
    /// The same over the kilometres that were walked, whatever the time of year.
    of_plain_km: f64,
    low_below: f64,
    outside: f64,
}

async fn relative(test: &TestApp) -> Relative {
    let members = members(test).await;
    let facts = test.app.deriver().facts().await.unwrap();
    let params = DensityParams::set(&facts.settings, EffortKind::Report);
    let layer = test.app.deriver().relative_density(&facts, params).await.unwrap();
    let walked = test.app.deriver().exposure(&facts).await.unwrap();
    let share = |segments: &[usize], is: &dyn Fn(Tolerance) -> bool| {
        let lixels = segments.iter().flat_map(|segment| layer.lixels.of_edge(*segment));
        let judged: Vec<bool> = lixels.map(|lixel| is(layer.side(lixel))).collect();
        judged.iter().filter(|it| **it).count() as f64 / judged.len() as f64
    };
    Relative {
        ratio: low_over_high(&members, &layer.reports_on, &layer.walked_on_km),
        of_plain_km: low_over_high(&members, &layer.reports_on, &walked.mean_km),
        low_below: share(&members[1], &|side| side == Tolerance::Low),
        outside: share(&members.concat(), &|side| matches!(side, Tolerance::Low | Tolerance::High)),
    }
}

/// Low Trail is closed from May to July, when there are most snakes; the risk of every kilometre is the same on both trails.
#[tokio::test]
async fn even_risk_stays_even_where_a_trail_was_closed_in_the_months_of_most_snakes() {
    let truth = Truth { closed: &[(30, 121)], ..Truth::default() };
    let test = truth.park().await;
    let naive = relative(&test).await;
    truth.close(&test).await;
    let right = relative(&test).await;
    assert!((right.ratio - 1.0).abs() < 0.15, "{}", right.ratio);
    assert!(right.outside < 0.1, "{}", right.outside);
    // Walked as if it had been open, Low Trail seems to have a third of the snakes.
    assert!(naive.ratio < 0.45 && naive.low_below > 0.9, "{} {}", naive.ratio, naive.low_below);
    // Nor is it enough to take the kilometres off: those that are left were walked when there are fewer snakes.
    assert!(right.of_plain_km < 0.85, "{}", right.of_plain_km);
}

async fn temperature(test: &TestApp) -> TemperatureEffect {
    let facts = test.app.deriver().facts().await.unwrap();
    test.app.deriver().season_details(&facts).await.unwrap().temperature.as_ref().unwrap().effect
}

/// Twice as many on warm days, on which Low Trail, where there are three times as many as on High Trail, is closed.
#[tokio::test]
async fn what_warm_days_add_is_found_though_a_trail_is_closed_on_them() {
    let truth = Truth {
        closed: &[(10, 19), (40, 49), (71, 80), (101, 110), (132, 141), (163, 172)],
        rate_on_low: 3.0,
        rate_on_warm: 2.0,
        ..Truth::default()
    };
    assert!((0..N_DAYS).all(|day| truth.is_closed(day) == is_warm(day)));
    let test = truth.park().await;
    let naive = temperature(&test).await;
    truth.close(&test).await;
    let right = temperature(&test).await;
    assert!(right.lower < 2.0 && 2.0 < right.upper, "{right:?}");
    assert!((right.ratio_per_10_c / 2.0 - 1.0).abs() < 0.12 && right.is_chosen(), "{right:?}");
    // On warm days nobody meets the snakes of Low Trail, and the warmth seems to add nothing, or to take away.
    assert!(naive.upper < 2.0 && naive.ratio_per_10_c < 1.5, "{naive:?}");
}

/// Estimate and limits of the reporting ratio of all stretches.
async fn reporting(test: &TestApp) -> [f64; 3] {
    let facts = test.app.deriver().facts().await.unwrap();
    let survey = test.app.deriver().survey(&facts).await.unwrap();
    let ReportingRatio::Estimated(found) = &survey.ratios[0].ratio else { panic!("{:?}", survey.ratios[0]) };
    [found.ratio.mean, found.ratio.lower, found.ratio.upper]
}

/// Surveys go on while Low Trail is closed to visitors.
#[tokio::test]
async fn the_reporting_ratio_is_that_of_those_who_could_walk() {
    let truth = Truth { closed: &[(30, 121)], walkers_on_low: 3, is_surveyed: true, ..Truth::default() };
    let test = truth.park().await;
    let naive = reporting(&test).await;
    truth.close(&test).await;
    let right = reporting(&test).await;
    let planted = REPORTED_PER_KM / SURVEYED_PER_KM;
    assert!(right[1] < planted && planted < right[2], "{planted}: {right:?}");
    assert!((right[0] / planted - 1.0).abs() < 0.12, "{planted}: {right:?}");
    // As if three times as many had walked by and told nothing.
    assert!(naive[2] < planted && naive[0] < 0.75 * planted, "{planted}: {naive:?}");
}

/// What reports say of a sign.
#[derive(Debug)]
struct BeforeAfter {
    /// After over before on the control, over kilometres weighted by the season.
    control: f64,
    /// The change beyond the sign against the control, as counted.
    counted: f64,
    /// The change with what people report taken out: estimate and limits.
    change: [f64; 3],
    /// Reporting where the sign is read over reporting elsewhere: estimate and limits.
    reporting: [f64; 3],
}

async fn before_after(test: &TestApp) -> BeforeAfter {
    let facts = test.app.deriver().facts().await.unwrap();
    let layer = test.app.deriver().effect(&facts).await.unwrap();
    let ReportsAnswer::Estimated { change, limits, cells } = &layer.campaigns.as_ref().unwrap()[0].reports
    else {
        panic!("{:?}", layer.campaigns)
    };
    let rate = |cell: Period| cell.count as f64 / cell.km;
    let [signed, control] = [(cells[0], cells[1]), (cells[2], cells[3])].map(|it| rate(it.1) / rate(it.0));
    let factor = layer.reporting.as_ref().unwrap().factor.unwrap();
    BeforeAfter {
        control,
        counted: signed / control,
        change: [change.estimate().unwrap(), limits.lower, limits.upper.unwrap()],
        reporting: [factor.mean, factor.lower, factor.upper],
    }
}

/// A sign that does nothing, and one that halves encounters beyond it. Low Trail, on which nobody has read one, is closed for most of
/// the time after it stands.
#[tokio::test]
async fn a_control_that_was_closed_after_the_sign_is_no_fall_of_encounters() {
    for left in [1.0, 0.5] {
        let truth =
            Truth { closed: &[(95, 152)], is_surveyed: true, left_by_sign: Some(left), ..Truth::default() };
        let test = truth.park().await;
        let naive = before_after(&test).await;
        truth.close(&test).await;
        let right = before_after(&test).await;
        let words = format!("{left} left: {right:?}, naive {naive:?}");
        // People report as much as before: what is counted says the same as what is left when reporting is taken out.
        assert!((right.counted / left - 1.0).abs() < 0.15, "{words}");
        assert!(right.change[1] < left && left < right.change[2], "{words}");
        assert!(right.reporting[1] < 1.0 && 1.0 < right.reporting[2], "{words}");
        // What a sign takes away is a part of the season, too, on both trails alike: the control is even where it does nothing.
        assert!((right.control - 1.0).abs() < if left < 1.0 { 0.3 } else { 0.1 }, "{words}");
        // Walked as if it had been open, the control seems to lose half of its encounters or more, so that a sign that does nothing
        // seems to bring more than three times as many, and one that halves them nearly twice as many; people seem to report more
        // where they have read it.
        assert!(naive.control < 0.6 && naive.counted > 3.0 * left, "{words}");
        assert!(naive.reporting[0] > 1.15 * right.reporting[0], "{words}");
    }
}

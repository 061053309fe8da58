//! A small invented park: two trails that cross, two trailheads, a counter, places, and a few dozen encounters.

use jiff::civil::Date;
use jiff::civil::date;
use jiff::tz::TimeZone;

use coilway::domain::approach::Approach;
use coilway::domain::approach::Contact;
use coilway::domain::approach::Reaction;
use coilway::domain::approach::Trial;
use coilway::domain::area::Species;
use coilway::domain::encounter::EffortKind;
use coilway::domain::encounter::EncounterDetails;
use coilway::domain::encounter::EncounterDraft;
use coilway::domain::encounter::Outcome;
use coilway::domain::encounter::RecordedPosition;
use coilway::domain::encounter::UncertaintyMeaning;
use coilway::domain::encounter::VerificationStatus;
use coilway::domain::exposure::CalibrationDraft;
use coilway::domain::exposure::CounterDraft;
use coilway::domain::exposure::PartySizeDraft;
use coilway::domain::exposure::ReadingDraft;
use coilway::domain::geography::LonLat;
use coilway::domain::place::PlaceDraft;
use coilway::domain::place::PlaceKind;
use coilway::domain::time::EventDate;
use coilway::domain::time::EventTime;
use coilway::domain::trail::TrailDraft;
use coilway::domain::trail::TrailheadDraft;
use coilway::domain::units::Length;
use coilway::domain::units::Mass;
use coilway::domain::units::Span;
use coilway::store::Target;
use coilway::store::Writer;

use crate::support::put_area;

/// The trail from west to east.
pub(crate) const LEDGE: &str = "Ledge Walk";
/// Where the trails cross.
const CENTRE: (f64, f64) = (-109.4, 37.6);
const FIRST_DAY: Date = date(2024, 4, 1);
const N_DAYS: i64 = 91;
/// Walkers in an hour of a day, in both directions together.
const BY_HOUR: [u32; 24] = [0, 0, 0, 0, 0, 1, 3, 6, 9, 10, 9, 8, 7, 6, 6, 5, 4, 3, 1, 0, 0, 0, 0, 0];

/// What there is.
pub(crate) struct Park {
    pub(crate) ledge_name: String,
    pub(crate) has_walking: bool,
    pub(crate) has_encounters: bool,
    /// Turns the whole park so that it lies across the antimeridian.
    pub(crate) across_antimeridian: bool,
    /// Lists trails and trailheads the other way round.
    pub(crate) is_reversed: bool,
}

impl Default for Park {
    fn default() -> Self {
        Self {
            ledge_name: LEDGE.to_owned(),
            has_walking: true,
            has_encounters: true,
            across_antimeridian: false,
            is_reversed: false,
        }
    }
}

/// A position in metres east and north of the crossing.
pub(crate) fn at(east_m: f64, north_m: f64) -> LonLat {
    shifted(CENTRE.0, east_m, north_m)
}

fn shifted(lon: f64, east_m: f64, north_m: f64) -> LonLat {
    LonLat::wrapped(lon + east_m / 88_290.0, CENTRE.1 + north_m / 111_000.0)
}

impl Park {
    pub(crate) async fn write(&self, writer: &mut Writer) {
        let area = put_area(writer, "Example Basin").await;
        let target = Target { area, source: None };
        writer.set_setting(area, "draws", "60").await.unwrap();
        self.put_species(writer, &target).await;
        let (mut trails, mut trailheads) = (self.trails(), self.trailheads());
        if self.is_reversed {
            trails.reverse();
            trailheads.reverse();
        }
        writer.put_trails(&target, &rows(trails)).await.unwrap();
        writer.put_trailheads(&target, &rows(trailheads)).await.unwrap();
        writer.put_places(&target, &rows(self.places())).await.unwrap();
        if self.has_walking {
            self.put_walking(writer, &target).await;
        }
        if self.has_encounters {
            let tally = writer.put_encounters(&target, &rows(self.encounters())).await.unwrap();
            assert!(tally.problems.is_empty(), "{:?}", tally.problems);
        }
    }

    fn at(&self, east_m: f64, north_m: f64) -> LonLat {
        let lon = if self.across_antimeridian { 180.0 } else { CENTRE.0 };
        shifted(lon, east_m, north_m)
    }

    async fn put_species(&self, writer: &mut Writer, target: &Target) {
        let species = |scientific_name: &str, is_venomous: bool| Species {
            scientific_name: scientific_name.to_owned(),
            vernacular_name: String::new(),
            is_venomous,
            sensitivity_category: None,
            sensitivity_reason: String::new(),
            review_date: String::new(),
        };
        let list = [species("Crotalus viridis", true), species("Pituophis catenifer", false)];
        writer.put_species(target, &rows(list)).await.unwrap();
    }

    fn trails(&self) -> [TrailDraft; 2] {
        let line = |name: &str, habitat: &str, points: &[(f64, f64)]| TrailDraft {
            name: name.to_owned(),
            habitat: habitat.to_owned(),
            parts: vec![points.iter().map(|(east, north)| self.at(*east, *north)).collect()],
            elevations_m: Vec::new(),
        };
        let ledge = [(-1500.0, 0.0), (-600.0, 40.0), (0.0, 0.0), (700.0, -60.0), (1500.0, 0.0)];
        let swale = [(0.0, -1400.0), (30.0, -500.0), (0.0, 0.0), (-50.0, 800.0), (0.0, 1300.0)];
        [line(&self.ledge_name, "ledge", &ledge), line("Swale Path", "wash", &swale)]
    }

    fn trailheads(&self) -> [TrailheadDraft; 2] {
        let head = |name: &str, position, relative_volume| TrailheadDraft {
            name: name.to_owned(),
            position,
            relative_volume,
        };
        [head("West Gate", self.at(-1500.0, 0.0), 30.0), head("South Gate", self.at(0.0, -1400.0), 10.0)]
    }

    fn places(&self) -> [PlaceDraft; 2] {
        let place = |name: &str, kind, position| PlaceDraft {
            name: name.to_owned(),
            kind,
            position,
            radius: Length::metres(60.0).unwrap(),
            ring: None,
            trailhead: String::new(),
            visits_per_day: None,
        };
        let car_park = place("Gate car park", PlaceKind::CarPark, self.at(-1560.0, 20.0));
        let camp = place("Cottonwood camp", PlaceKind::Campsite, self.at(400.0, 500.0));
        [
            PlaceDraft { trailhead: "West Gate".to_owned(), ..car_park },
            PlaceDraft { visits_per_day: Some(12.0), ..camp },
        ]
    }

    async fn put_walking(&self, writer: &mut Writer, target: &Target) {
        let counter = CounterDraft {
            name: "C1".to_owned(),
            device: "infrared".to_owned(),
            position: self.at(-1470.0, 0.0),
            from_s: None,
            until_s: None,
        };
        writer.put_counters(target, &rows([counter])).await.unwrap();
        let start_s = instant_s(FIRST_DAY, 0);
        let reading = |hour: i64| ReadingDraft {
            counter: "C1".to_owned(),
            start_s: start_s + hour * 3600,
            length_s: 3600,
            // More on the weekend, and a little rise and fall from day to day.
            count_in: BY_HOUR[(hour % 24) as usize] * if (hour / 24) % 7 < 2 { 2 } else { 1 }
                + u32::from((hour * 7) % 24 == 11),
            count_out: None,
        };
        writer.put_readings(target, &rows((0..N_DAYS * 24).map(reading))).await.unwrap();
        let session = |idx: i64| CalibrationDraft {
            counter: "C1".to_owned(),
            start_s: start_s + (idx * 9 * 24 + 9) * 3600,
            length_s: 7200,
            manual_count: 24,
            device_count: 20,
        };
        writer.put_calibrations(target, &rows((1..4).map(session))).await.unwrap();
        let size = PartySizeDraft {
            trailhead: String::new(),
            trail: String::new(),
            from_date: String::new(),
            until_date: String::new(),
            mean_walkers: 2.2,
            standard_error: 0.1,
            n_parties: Some(200),
        };
        writer.put_party_sizes(target, &rows([size])).await.unwrap();
    }

    /// 60 reports (most on the western ledge), 4 at the car park, 6 on surveys, 12 located snakes with trials, 3 chance
    /// meetings, and a few that are vague, undated, harmless or rejected.
    fn encounters(&self) -> Vec<EncounterDraft> {
        let mut all: Vec<EncounterDraft> = (0..60)
            .map(|idx| {
                let step = f64::from(idx);
                let position = match idx % 3 {
                    0 | 1 => self.at(-1300.0 + step * 15.0, 20.0),
                    _ => self.at(10.0, -1100.0 + step * 30.0),
                };
                let day = FIRST_DAY.checked_add(jiff::Span::new().days(i64::from(idx) * 3 / 2)).unwrap();
                report(&format!("R-{idx}"), position, day, 6 + (idx * 5 % 12) as u16)
            })
            .collect();
        let gate = self.at(-1560.0, 20.0);
        all.extend((0..4).map(|idx| report(&format!("G-{idx}"), gate, date(2024, 5, 2 + idx), 10)));
        all.extend((0..6).map(|idx| EncounterDraft {
            effort_kind: EffortKind::Survey,
            ..report(&format!("S-{idx}"), self.at(-900.0, 30.0), date(2024, 5, 10), 8)
        }));
        all.extend((0..12).map(|idx| self.located(idx)));
        all.extend((0..3).map(|idx| EncounterDraft {
            effort_kind: EffortKind::Chance,
            ..report(&format!("C-{idx}"), self.at(900.0, -40.0), date(2024, 6, 1), 11)
        }));
        all.extend(self.odd_ones());
        all
    }

    fn located(&self, idx: i8) -> EncounterDraft {
        let contact = Contact::ALL[usize::from(idx.unsigned_abs()) % 4];
        let term = ["still", "withdrew", "coiled", "struck short"][usize::from(idx.unsigned_abs() / 2) % 4];
        let seconds = |value: f64| Some(Span::seconds(value).unwrap());
        let approach = Approach {
            contact,
            closest_distance: Some(Length::metres(0.5).unwrap()),
            agent: "artificial foot".to_owned(),
            applied_load: Some(Mass::kilograms(3.0).unwrap()),
            duration: seconds(10.0),
            trial: Some(Trial { protocol: "P1".to_owned(), permit: "2024-1".to_owned() }),
            end_of_watch: seconds(60.0),
            reactions: vec![Reaction { term: term.to_owned(), latency: seconds(2.0 + f64::from(idx)) }],
        };
        EncounterDraft {
            effort_kind: EffortKind::Located,
            organism_id: format!("snake-{}", idx % 4),
            approaches: vec![approach],
            ..report(&format!("T-{idx}"), self.at(-400.0, 300.0), date(2024, 5, 20), 9)
        }
    }

    fn odd_ones(&self) -> Vec<EncounterDraft> {
        let plain = |id: &str| report(id, self.at(-800.0, 30.0), date(2024, 5, 5), 9);
        let dated = |date| EventTime { date, minute_of_day: None, instant_s: None };
        let vague = plain("O-vague");
        let far = vague.position.map(|at| RecordedPosition {
            coordinate_uncertainty: Some(Length::metres(900.0).unwrap()),
            ..at
        });
        vec![
            EncounterDraft { position: far, ..vague },
            EncounterDraft { position: None, ..plain("O-nowhere") },
            EncounterDraft { time: dated(EventDate::Month { year: 2024, month: 5 }), ..plain("O-month") },
            EncounterDraft { time: dated(EventDate::Unknown), ..plain("O-undated") },
            EncounterDraft { scientific_name: "Pituophis catenifer".to_owned(), ..plain("O-harmless") },
            EncounterDraft { verification_status: VerificationStatus::Rejected, ..plain("O-rejected") },
            EncounterDraft { outcome: Some(Outcome::BiteReported), ..plain("O-hurt") },
        ]
    }
}

/// A verified report of one snake at a whole hour, local time.
pub(crate) fn report(id: &str, position: LonLat, day: Date, hour: u16) -> EncounterDraft {
    EncounterDraft {
        occurrence_id: id.to_owned(),
        effort_kind: EffortKind::Report,
        time: EventTime {
            date: EventDate::Day(day),
            minute_of_day: Some(hour * 60),
            instant_s: Some(instant_s(day, hour)),
        },
        position: Some(RecordedPosition {
            position,
            coordinate_uncertainty: Some(Length::metres(12.0).unwrap()),
            meaning: UncertaintyMeaning::Radius95,
            is_generalised: false,
        }),
        scientific_name: "Crotalus viridis".to_owned(),
        verification_status: VerificationStatus::Verified,
        organism_id: String::new(),
        individual_count: Some(1),
        event_id: String::new(),
        approaches: Vec::new(),
        details: EncounterDetails::default(),
        outcome: None,
    }
}

fn instant_s(day: Date, hour: u16) -> i64 {
    let zone = TimeZone::get("America/Phoenix").unwrap();
    zone.to_timestamp(day.at(i8::try_from(hour).unwrap(), 0, 0, 0)).unwrap().as_second()
}

/// Numbers drafts from row 2, as in a file with a header.
pub(crate) fn rows<T>(drafts: impl IntoIterator<Item = T>) -> Vec<(u64, T)> {
    (2..).zip(drafts).collect()
}

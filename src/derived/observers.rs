//! Seen or missed: what double-observer walks say about the snakes that surveyors walk past.

use crate::analysis::counts;
use crate::analysis::double_observer;
use crate::analysis::double_observer::Covariates;
use crate::analysis::double_observer::HugginsResult;
use crate::analysis::double_observer::Independent;
use crate::analysis::double_observer::LeadFollow;
use crate::analysis::double_observer::Sighting;
use crate::analysis::double_observer::huggins;
use crate::analysis::double_observer::huggins::Observers;
use crate::analysis::double_observer::huggins::WhyNot;
use crate::derived::DeriveError;
use crate::derived::rates::Limits;
use crate::domain::double_observer::DoubleObserverWalk;
use crate::domain::double_observer::Noticed;
use crate::domain::double_observer::NoticedBy;
use crate::domain::double_observer::ObserverProtocol;
use crate::domain::double_observer::PairKind;

/// Level of every interval.
const LEVEL: f64 = 0.95;
/// Words for "nothing covered it".
const OPEN: [&str; 4] = ["none", "open", "no cover", "no"];

/// What double-observer walks say: detection is of one kind of observer, and no kind speaks for another.
#[derive(Debug, Clone, PartialEq)]
pub struct ObserverLayer {
    /// By the kinds of the two, in the order of [`PairKind`]; those that walked.
    pub by_kind: Vec<KindFindings>,
    /// All of them pooled, where pairs of several kinds walked: to be shown under that name only.
    pub pooled: Option<KindFindings>,
    /// Counts by protocol and pair of people.
    pub pairs: Vec<PairRow>,
}

/// What the walks of pairs of one kind say, or all walks pooled.
#[derive(Debug, Clone, PartialEq)]
pub struct KindFindings {
    /// The kinds of the two; none for all walks pooled.
    pub pair: Option<PairKind>,
    /// Two who look independently; none without such walks.
    pub independent: Option<IndependentFindings>,
    /// Leader and follower; none without such walks.
    pub lead_follow: Option<LeadFollowFindings>,
}

impl KindFindings {
    fn of(pair: Option<PairKind>, walks: &[DoubleObserverWalk]) -> Result<Self, DeriveError> {
        let of = |protocol: ObserverProtocol| -> Vec<&DoubleObserverWalk> {
            let is_in = |walk: &&DoubleObserverWalk| {
                walk.protocol == protocol && pair.is_none_or(|pair| walk.pair == pair)
            };
            walks.iter().filter(is_in).collect()
        };
        Ok(Self {
            pair,
            independent: independent(&of(ObserverProtocol::Independent))?,
            lead_follow: lead_follow(&of(ObserverProtocol::LeadFollow))?,
        })
    }
}

/// The kinds of the two as tables have them; none for all walks pooled.
pub fn pair_term(pair: Option<PairKind>) -> &'static str {
    match pair {
        Some(PairKind::Of(kind)) => kind.term(),
        Some(PairKind::Mixed) => "two kinds",
        Some(PairKind::NotSaid) => "not said",
        None => "all kinds pooled",
    }
}

/// Why a model has no estimate, in words.
pub fn why_words(why: WhyNot) -> &'static str {
    match why {
        WhyNot::TooFew => "too few encounters, or none noticed by both",
        WhyNot::Collinear => "it does not vary, or says the same as another",
        WhyNot::Separation => "it foretells who noticed what without fail, or both noticed everything",
    }
}

/// Encounters by who noticed them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// By the first only.
    pub only_first: u64,
    /// By the second only.
    pub only_second: u64,
    /// By both.
    pub both: u64,
}

/// Two who look independently.
#[derive(Debug, Clone, PartialEq)]
pub struct IndependentFindings {
    /// Walks, those without any snake noticed included.
    pub n_walks: usize,
    /// Encounters.
    pub counts: Counts,
    /// One share for every snake.
    pub plain: Independent,
    /// Models in which the share depends on the meeting: what each depends on, and its fit.
    pub models: Vec<(Vec<String>, HugginsResult)>,
    /// The fitted model with the smallest criterion.
    pub best: Option<usize>,
    /// Encounters with every covariate known: what the models rest on.
    pub n_modelled: usize,
}

/// Leader and follower.
#[derive(Debug, Clone, PartialEq)]
pub struct LeadFollowFindings {
    /// Walks, those without any snake noticed included.
    pub n_walks: usize,
    /// Encounters.
    pub counts: Counts,
    /// The removal estimate.
    pub removal: LeadFollow,
}

/// Counts of two people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PairRow {
    /// How they shared the stretch.
    pub protocol: ObserverProtocol,
    /// The first, or the leader.
    pub first: String,
    /// The second, or the follower.
    pub second: String,
    /// Their kinds.
    pub pair: PairKind,
    /// Walks.
    pub n_walks: usize,
    /// Encounters.
    pub counts: Counts,
}

impl PairRow {
    /// Of what the other noticed, the share that the first and the second of two who look independently noticed, with exact
    /// limits; none where the other noticed nothing, or for leader and follower.
    pub fn detection(&self) -> [Option<Limits>; 2] {
        let Counts { only_first, only_second, both } = self.counts;
        let of = |missed: u64| {
            let seen = both + missed;
            let (lower, upper) = counts::clopper_pearson_limits(both, seen, LEVEL).ok()?;
            (seen > 0).then(|| Limits { value: both as f64 / seen as f64, lower, upper })
        };
        match self.protocol {
            ObserverProtocol::Independent => [of(only_second), of(only_first)],
            ObserverProtocol::LeadFollow => [None, None],
        }
    }
}

impl Counts {
    /// Different encounters.
    pub fn total(self) -> u64 {
        self.only_first + self.only_second + self.both
    }

    fn add(&mut self, by: NoticedBy) {
        match by {
            NoticedBy::First => self.only_first += 1,
            NoticedBy::Second => self.only_second += 1,
            NoticedBy::Both => self.both += 1,
        }
    }
}

/// Estimates detection from all double-observer walks.
///
/// # Errors
/// [`DeriveError::Internal`] when the sightings do not fit together.
pub fn compute(walks: &[DoubleObserverWalk]) -> Result<ObserverLayer, DeriveError> {
    let mut kinds: Vec<PairKind> = walks.iter().map(|walk| walk.pair).collect();
    kinds.sort_unstable();
    kinds.dedup();
    let by_kind: Result<Vec<KindFindings>, DeriveError> =
        kinds.iter().map(|pair| KindFindings::of(Some(*pair), walks)).collect();
    let pooled = match kinds.len() {
        0 | 1 => None,
        _ => Some(KindFindings::of(None, walks)?),
    };
    Ok(ObserverLayer { by_kind: by_kind?, pooled, pairs: pairs(walks) })
}

impl ObserverLayer {
    /// The findings of each kind, then those of all pooled where there are any.
    pub fn findings(&self) -> impl Iterator<Item = &KindFindings> {
        self.by_kind.iter().chain(&self.pooled)
    }
}

fn counted(walks: &[&DoubleObserverWalk]) -> Counts {
    let mut counts = Counts::default();
    walks.iter().flat_map(|walk| &walk.noticed).for_each(|noticed| counts.add(noticed.by));
    counts
}

fn pairs(walks: &[DoubleObserverWalk]) -> Vec<PairRow> {
    let mut rows: Vec<PairRow> = Vec::new();
    for walk in walks {
        let is_same = |row: &PairRow| {
            (row.protocol, row.pair, &row.first, &row.second)
                == (walk.protocol, walk.pair, &walk.first_observer, &walk.second_observer)
        };
        let at = rows.iter().position(is_same).unwrap_or_else(|| {
            rows.push(PairRow {
                protocol: walk.protocol,
                first: walk.first_observer.clone(),
                second: walk.second_observer.clone(),
                pair: walk.pair,
                n_walks: 0,
                counts: Counts::default(),
            });
            rows.len() - 1
        });
        rows[at].n_walks += 1;
        walk.noticed.iter().for_each(|noticed| rows[at].counts.add(noticed.by));
    }
    rows
}

fn independent(walks: &[&DoubleObserverWalk]) -> Result<Option<IndependentFindings>, DeriveError> {
    if walks.is_empty() {
        return Ok(None);
    }
    let counts = counted(walks);
    let (first, second) = (counts.only_first + counts.both, counts.only_second + counts.both);
    let plain =
        double_observer::independent(first, second, counts.both, LEVEL).map_err(DeriveError::internal)?;
    let noticed: Vec<&Noticed> = walks.iter().flat_map(|walk| &walk.noticed).collect();
    let (covariates, sightings) = covariates(&noticed);
    let results = huggins(&sightings, &covariates, LEVEL).map_err(DeriveError::internal)?;
    let best = huggins::best(&results);
    let names = |model: &Vec<usize>| model.iter().map(|idx| covariates.names[*idx].clone()).collect();
    Ok(Some(IndependentFindings {
        n_walks: walks.len(),
        counts,
        plain,
        models: covariates.models.iter().map(names).zip(results).collect(),
        best,
        n_modelled: sightings.len(),
    }))
}

/// A covariate by its name.
type Covariate = (&'static str, fn(&Noticed) -> Option<f64>);

const COVARIATES: [Covariate; 3] = [
    ("distance first noticed, m", |noticed| noticed.distance_first_noticed.map(|it| it.in_metres())),
    ("under cover", |noticed| {
        let cover = noticed.cover.trim().to_lowercase();
        (!cover.is_empty()).then(|| f64::from(u8::from(!OPEN.contains(&cover.as_str()))))
    }),
    ("air temperature, °C", |noticed| noticed.air_temperature_c),
];

/// A covariate takes part where it is known for at least this share of the encounters, since the models rest on those
/// encounters for which all of them are known.
const KNOWN_SHARE: f64 = 0.8;

/// The covariates that are known often enough, every model of them, and the sightings that know all.
fn covariates(noticed: &[&Noticed]) -> (Covariates, Vec<Sighting>) {
    let is_known = |(_, value): &&Covariate| {
        let n_known = noticed.iter().filter(|noticed| value(noticed).is_some()).count();
        n_known > 0 && n_known as f64 >= KNOWN_SHARE * noticed.len() as f64
    };
    let used: Vec<Covariate> = COVARIATES.iter().filter(is_known).copied().collect();
    let sighting = |noticed: &&Noticed| {
        let covariates = used.iter().map(|(_, value)| value(noticed)).collect::<Option<Vec<f64>>>()?;
        Some(Sighting { by_first: noticed.by.first(), by_second: noticed.by.second(), covariates })
    };
    let models = (0..1usize << used.len())
        .map(|subset| (0..used.len()).filter(|idx| subset >> idx & 1 == 1).collect())
        .collect();
    let names = used.iter().map(|(name, _)| (*name).to_owned()).collect();
    let covariates = Covariates { names, models, observers: Observers::Differ };
    (covariates, noticed.iter().filter_map(sighting).collect())
}

fn lead_follow(walks: &[&DoubleObserverWalk]) -> Result<Option<LeadFollowFindings>, DeriveError> {
    if walks.is_empty() {
        return Ok(None);
    }
    let counts = counted(walks);
    let removal = double_observer::lead_follow(counts.only_first, counts.only_second, LEVEL);
    let removal = removal.map_err(DeriveError::internal)?;
    Ok(Some(LeadFollowFindings { n_walks: walks.len(), counts, removal }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::double_observer::ObserverKind;
    use crate::domain::ids::EncounterId;
    use crate::domain::ids::WalkId;

    /// Nine of eleven, and nine of ten: exact limits of the binomial from its tables (Clopper and Pearson 1934).
    #[test]
    fn each_of_a_pair_is_judged_by_what_the_other_noticed() {
        let row = |protocol| PairRow {
            protocol,
            first: "A".to_owned(),
            second: "B".to_owned(),
            pair: PairKind::NotSaid,
            n_walks: 3,
            counts: Counts { only_first: 1, only_second: 2, both: 9 },
        };
        let [first, second] = row(ObserverProtocol::Independent).detection().map(Option::unwrap);
        assert!((first.value - 9.0 / 11.0).abs() < 1e-12 && (second.value - 0.9).abs() < 1e-12);
        assert!((first.lower - 0.4822).abs() < 1e-3 && (first.upper - 0.9772).abs() < 1e-3, "{first:?}");
        assert!((second.lower - 0.5550).abs() < 1e-3 && (second.upper - 0.9975).abs() < 1e-3, "{second:?}");
        assert_eq!(row(ObserverProtocol::LeadFollow).detection(), [None, None]);
    }

    fn walk(id: i64, pair: PairKind, by: &[NoticedBy]) -> DoubleObserverWalk {
        let noticed = by.iter().map(|by| Noticed {
            encounter_id: EncounterId(id),
            by: *by,
            distance_first_noticed: None,
            cover: String::new(),
            air_temperature_c: None,
        });
        DoubleObserverWalk {
            walk_id: WalkId(id),
            event_id: format!("W-{id}"),
            protocol: ObserverProtocol::Independent,
            first_observer: "A".to_owned(),
            second_observer: "B".to_owned(),
            pair,
            noticed: noticed.collect(),
        }
    }

    /// Rangers miss nothing of what the other notices, visitors half: together that would be a share that is nobody's.
    #[test]
    fn each_kind_stands_for_itself() {
        let (ranger, visitor) = (PairKind::Of(ObserverKind::Ranger), PairKind::Of(ObserverKind::Visitor));
        let half = [NoticedBy::Both, NoticedBy::First, NoticedBy::Second];
        let walks: Vec<DoubleObserverWalk> = (0..20)
            .map(|id| match id % 2 {
                0 => walk(id, ranger, &[NoticedBy::Both]),
                _ => walk(id, visitor, &half),
            })
            .chain([walk(20, PairKind::Mixed, &[NoticedBy::First]), walk(21, PairKind::NotSaid, &[])])
            .collect();
        let layer = compute(&walks).unwrap();
        let kinds: Vec<Option<PairKind>> = layer.by_kind.iter().map(|found| found.pair).collect();
        let expected = [ranger, visitor, PairKind::Mixed, PairKind::NotSaid];
        assert_eq!(kinds, expected.map(Some));
        let first =
            |found: &KindFindings| found.independent.as_ref().unwrap().plain.first.map(|share| share.share);
        assert_eq!((first(&layer.by_kind[0]), first(&layer.by_kind[1])), (Some(1.0), Some(0.5)));
        let counted: Vec<usize> =
            layer.by_kind.iter().map(|found| found.independent.as_ref().unwrap().n_walks).collect();
        assert_eq!(counted, [10, 10, 1, 1]);
        // 20 of 30, and no kind's.
        let pooled = layer.pooled.unwrap();
        assert_eq!(pooled.pair, None);
        assert!((first(&pooled).unwrap() - 2.0 / 3.0).abs() < 1e-12);
        assert_eq!(pooled.independent.unwrap().n_walks, 22);
        // Of one kind alone nothing is pooled.
        let alone = compute(&walks[..1]).unwrap();
        assert_eq!((alone.by_kind.len(), alone.pooled), (1, None));
        assert_eq!(compute(&[]).unwrap().findings().count(), 0);
    }
}

//! Methods with their references, and the cautions.

use maud::Markup;
use maud::html;

/// What the area says itself.
#[derive(Debug, Clone, Default)]
pub struct AboutPage {
    /// The local emergency number, as staff gave it; empty before there is an area.
    pub emergency_number: String,
    /// The distance to keep, in words, as staff set it; empty when not set.
    pub keep_distance: String,
    /// The parameters of every figure, name, value and what it does.
    pub parameters: Vec<(String, String, String)>,
}

const REFERENCES: &[&str] = &[
    "Garwood, F. (1936). Fiducial limits for the Poisson distribution. Biometrika 28, 437–442.",
    "Clopper, C. J. and Pearson, E. S. (1934). The use of confidence or fiducial limits illustrated in the case of the binomial. Biometrika 26, 404–413.",
    "Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference. Journal of the American Statistical Association 22, 209–212.",
    "Marshall, R. J. (1991). Mapping disease and mortality rates using empirical Bayes estimators. Applied Statistics 40, 283–294.",
    "Moran, P. A. P. (1950). Notes on continuous stochastic phenomena. Biometrika 37, 17–23.",
    "Anselin, L. (1995). Local indicators of spatial association: LISA. Geographical Analysis 27, 93–115.",
    "Ord, J. K. and Getis, A. (1995). Local spatial autocorrelation statistics: distributional issues and an application. Geographical Analysis 27, 286–306.",
    "Kulldorff, M. (1997). A spatial scan statistic. Communications in Statistics: Theory and Methods 26, 1481–1496.",
    "Meng, X.-L. (1994). Posterior predictive p-values. Annals of Statistics 22, 1142–1160.",
    "Okabe, A. and Sugihara, K. (2012). Spatial Analysis along Networks. Wiley.",
    "Kelsall, J. E. and Diggle, P. J. (1995). Non-parametric estimation of spatial variation in relative risk. Statistics in Medicine 14, 2335–2342.",
    "Karney, C. F. F. (2013). Algorithms for geodesics. Journal of Geodesy 87, 43–55.",
    "Church, R. and ReVelle, C. (1974). The maximal covering location problem. Papers of the Regional Science Association 32, 101–118.",
    "Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate. Journal of the Royal Statistical Society B 57, 289–300.",
    "Kaplan, E. L. and Meier, P. (1958). Nonparametric estimation from incomplete observations. Journal of the American Statistical Association 53, 457–481.",
    "Chapman, A. D. (2020). Current Best Practices for Generalizing Sensitive Species Occurrence Data. GBIF.",
    "CDC/NIOSH. Venomous snakes: symptoms and first aid (reviewed 1 July 2016); Venomous snakes at work.",
    "World Health Organization. Snakebite envenoming, health topic page.",
];

/// The page's body.
pub fn body(page: &AboutPage) -> Markup {
    html! {
        h1 { "About the figures" }
        (cautions(page))
        (methods())
        section.card {
            h2 { "Parameters" }
            table.stack {
                thead { tr { th scope="col" { "Parameter" } th.num scope="col" { "Value" } th scope="col" { "What it does" } } }
                tbody { @for (name, value, what) in &page.parameters { tr { th scope="row" { (name) } td.num data-label="Value" { (value) } td data-label="What it does" { (what) } } } }
            }
        }
        section.card { h2 { "References" } ul { @for reference in REFERENCES { li { (reference) } } } }
    }
}

fn cautions(page: &AboutPage) -> Markup {
    html! {
        section.card #cautions {
            h2 { "Cautions" }
            p { strong { "Local emergency services, poison centres, local codes and licensed practitioners come first." } " What follows is gathered from public bodies; a land manager can replace every sentence by the text of the local health authority. Coilway gives no medical advice." }
            @if !page.emergency_number.is_empty() { p { "Emergency number here: " strong { (page.emergency_number) } } }
            h3 { "On the trail" }
            ul {
                li { "Stop, back away slowly, give the snake room and time." }
                li { "Watch where you put hands and feet; stay on the trail; leash dogs." }
                li { "A rattlesnake can strike from any posture and does not always rattle first (NIOSH)." }
                @if !page.keep_distance.is_empty() { li { "The land manager asks you to keep at least " (page.keep_distance) " away." } }
                li { "Never catch, chase, kill or handle a snake, not even a dead one." }
            }
            h3 { "After a bite" }
            ul {
                li { "Move away from the snake and call the local emergency number at once; do not wait for symptoms." }
                li { "Stay calm, move as little as possible, keep the bitten part still." }
                li { "Take off rings, watches and anything tight before swelling starts." }
                li { "Remember what the snake looked like, or photograph it from a safe distance only if that costs no time." }
                li { "No tourniquet, no cutting, no sucking, no ice, no alcohol, no electric shock, no folk remedies." }
                li { "Do not drive yourself. Do not leave a bitten person alone." }
            }
            p.small.soft { "Position of the limb, washing, pressure bandages and pain relief are advised differently in different countries: follow the local authority." }
        }
    }
}

fn methods() -> Markup {
    html! {
        section.card {
            h2 { "How a figure comes about" }
            ol {
                li { "Trails are cut between junctions into segments of near-equal length; lengths are geodesic (Karney 2013)." }
                li { "Each encounter is tied to the segments that its position error allows, with a weight for each; in each of the draws it lies on one of them. Encounters at a car park or campsite belong to the place." }
                li { "How far parties walked on each segment comes from counters with their calibration, and between counters from a model of walkers. Where the counts do not identify it, walking is assumed from stated priors, and the segment is neither ranked nor compared." }
                li { "Only reports are divided by walking, only survey encounters by survey walks; located and chance encounters are in no rate." }
                li { "Rates are gamma–Poisson: each stretch is drawn towards the mean of its trail as far as its own records are few. The uncertainty of walking is carried through in whole draws." }
                li { "Months and parts of the day multiply the rate of all periods by the season and hour curve of all segments; no cell is estimated from itself alone." }
                li { "Neighbouring segments are joined into stretches until about three encounters are expected. Lists go by the lower limit." }
                li { "Clusters are looked for in counts against what the walking lets expect, never in rates; what many parties met of one known snake is also counted once." }
                li { "A sign plan maximises the expected encounters whose walkers passed a sign within its reach before; its warned share is measured on draws that did not choose it." }
            }
            p { "A rate describes records and walking of the past. It never says that a trail is safe." }
        }
    }
}

/// Pages made up for tests and previews.
pub fn samples() -> Vec<AboutPage> {
    vec![
        AboutPage {
            emergency_number: "112".to_owned(),
            keep_distance: "3 m".to_owned(),
            parameters: vec![(
                "Segment length".to_owned(),
                "100 m".to_owned(),
                "target length of a segment".to_owned(),
            )],
        },
        AboutPage::default(),
    ]
}

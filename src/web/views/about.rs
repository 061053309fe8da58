//! Methods with their references, and the cautions.

use maud::Markup;
use maud::html;

use crate::signage::cautions;
use crate::signage::cautions::Cautions;

/// What the area says itself.
#[derive(Debug, Clone, Default)]
pub struct AboutPage {
    /// The local emergency number, as staff gave it; empty before there is an area.
    pub emergency_number: String,
    /// The distance to keep, in words, as staff set it; empty when not set.
    pub keep_distance: String,
    /// What is said about snakes and bites.
    pub cautions: Cautions,
    /// The parameters of every figure, name, value and what it does.
    pub parameters: Vec<(String, String, String)>,
}

/// What the methods rest on.
pub const REFERENCES: &[&str] = &[
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
    "Diggle, P. J. (1985). A kernel method for smoothing point process data. Applied Statistics 34, 138–147.",
    "Kelsall, J. E. and Diggle, P. J. (1995). Non-parametric estimation of spatial variation in relative risk. Statistics in Medicine 14, 2335–2342.",
    "Kelsall, J. E. and Diggle, P. J. (1995). Kernel estimation of relative risk. Bernoulli 1, 3–16.",
    "Okabe, A., Satoh, T. and Sugihara, K. (2009). A kernel density estimation method for networks, its computational method and a GIS-based tool. International Journal of Geographical Information Science 23, 7–32.",
    "Silverman, B. W. (1986). Density Estimation for Statistics and Data Analysis. Chapman & Hall.",
    "Goldstein, H. and Spiegelhalter, D. J. (1996). League tables and their limitations. Journal of the Royal Statistical Society A 159, 385–443.",
    "Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of Statistics 6, 65–70.",
    "Armitage, P. (1955). Tests for linear trends in proportions and frequencies. Biometrics 11, 375–386.",
    "Liang, K.-Y. and Zeger, S. L. (1986). Longitudinal data analysis using generalized linear models. Biometrika 73, 13–22.",
    "Good, P. (2005). Permutation, Parametric, and Bootstrap Tests of Hypotheses, 3rd edition. Springer.",
    "Brookmeyer, R. and Crowley, J. (1982). A confidence interval for the median survival time. Biometrics 38, 29–41.",
    "Mardia, K. V. and Jupp, P. E. (2000). Directional Statistics. Wiley.",
    "Zar, J. H. (1999). Biostatistical Analysis, 4th edition. Prentice Hall.",
    "Taylor, C. C. (2008). Automatic bandwidth selection for circular density estimation. Computational Statistics & Data Analysis 52, 3493–3500.",
    "Newson, P. and Krumm, J. (2009). Hidden Markov map matching through noise and sparseness. Proceedings of the 17th ACM SIGSPATIAL International Conference on Advances in Geographic Information Systems, 336–343.",
    "Karney, C. F. F. (2013). Algorithms for geodesics. Journal of Geodesy 87, 43–55.",
    "Church, R. and ReVelle, C. (1974). The maximal covering location problem. Papers of the Regional Science Association 32, 101–118.",
    "Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate. Journal of the Royal Statistical Society B 57, 289–300.",
    "Kaplan, E. L. and Meier, P. (1958). Nonparametric estimation from incomplete observations. Journal of the American Statistical Association 53, 457–481.",
    "Gelman, A., Meng, X.-L. and Stern, H. (1996). Posterior predictive assessment of model fitness via realized discrepancies. Statistica Sinica 6, 733–760.",
    "Bayarri, M. J. and Berger, J. O. (2000). P values for composite null models. Journal of the American Statistical Association 95, 1127–1142.",
    "Gigerenzer, G. and Hoffrage, U. (1995). How to improve Bayesian reasoning without instruction: frequency formats. Psychological Review 102, 684–704.",
    "Galesic, M., Garcia-Retamero, R. and Gigerenzer, G. (2009). Using icon arrays to communicate medical risks: overcoming low numeracy. Health Psychology 28, 210–216.",
    "Chapman, A. D. (2020). Current Best Practices for Generalizing Sensitive Species Occurrence Data. GBIF.",
    "Chapman, D. G. (1951). Some properties of the hypergeometric distribution with applications to zoological censuses. University of California Publications in Statistics 1, 131–160.",
    "Seber, G. A. F. (1982). The Estimation of Animal Abundance and Related Parameters, 2nd edition. Griffin.",
    "Seber, G. A. F. and Whale, J. F. (1970). The removal method for two and three samples. Biometrics 26, 393–400.",
    "Robson, D. S. and Regier, H. A. (1964). Sample size in Petersen mark–recapture experiments. Transactions of the American Fisheries Society 93, 215–226.",
    "Huggins, R. M. (1989). On the statistical analysis of capture experiments. Biometrika 76, 133–140.",
    "Akaike, H. (1974). A new look at the statistical model identification. IEEE Transactions on Automatic Control 19, 716–723.",
    "Burnham, K. P. and Anderson, D. R. (2002). Model Selection and Multimodel Inference: A Practical Information-Theoretic Approach, 2nd edition. Springer.",
    "Rubin, D. B. (1987). Multiple Imputation for Nonresponse in Surveys. Wiley.",
    "Hauer, E. (1997). Observational Before–After Studies in Road Safety. Pergamon.",
    "Fisher, R. A. (1935). The Design of Experiments. Oliver and Boyd.",
    "Korn, E. L. and Graubard, B. I. (1998). Confidence intervals for proportions with small expected number of positive counts estimated from survey data. Survey Methodology 24, 193–201.",
    "Newcombe, R. G. (1998). Interval estimation for the difference between independent proportions: comparison of eleven methods. Statistics in Medicine 17, 873–890.",
    "CDC/NIOSH. Venomous snakes: symptoms and first aid (reviewed 1 July 2016); Venomous snakes at work.",
    "Dijkstra, E. W. (1959). A note on two problems in connexion with graphs. Numerische Mathematik 1, 269–271.",
    "Kulldorff, M. (2001). Prospective time periodic geographical disease surveillance using a scan statistic. Journal of the Royal Statistical Society A 164, 61–72.",
    "Farrington, C. P., Andrews, N. J., Beale, A. D. and Catchpole, M. A. (1996). A statistical algorithm for the early detection of outbreaks of infectious disease. Journal of the Royal Statistical Society A 159, 547–563.",
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
                tbody { @for (name, value, what) in &page.parameters { tr { th scope="row" { (name) } td.num data-label="Value" { (value) } td.prose data-label="What it does" { (what) } } } }
            }
        }
        section.card { h2 { "References" } ul { @for reference in REFERENCES { li { (reference) } } } }
    }
}

fn cautions(page: &AboutPage) -> Markup {
    let said = &page.cautions;
    html! {
        section.card #cautions {
            h2 { "Cautions" }
            p { strong { (said.authority) } " What follows is gathered from public bodies; a land manager can replace every sentence by the text of the local health authority. Coilway gives no medical advice." }
            @if !page.emergency_number.is_empty() { p { "Emergency number here: " strong { (page.emergency_number) } } }
            h3 { "On the trail" }
            ul {
                @for text in &said.on_the_trail { li { (text) } }
                @if let Some(text) = said.keep_distance(&page.keep_distance) { li { (text) } }
            }
            h3 { "After a bite" }
            ul {
                @for text in &said.after_a_bite { li { (text) } }
            }
            p.small.soft { (said.differs) }
        }
    }
}

fn methods() -> Markup {
    html! {
        section.card {
            h2 { "How a figure comes about" }
            ol {
                li { "Trails are cut between junctions into segments of near-equal length; lengths are geodesic (Karney 2013)." }
                li { "Each encounter is tied to the segments that its position error allows, with a weight for each; in each of the draws it lies on one of them. Encounters at a car park or campsite whose visits are known belong to the place, also where a trail leads through it, and so does the walking inside it." }
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
            cautions: cautions::shipped(),
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

#[cfg(test)]
mod tests {
    use super::REFERENCES;

    #[test]
    fn every_reference_stands_once() {
        let mut sorted = REFERENCES.to_vec();
        sorted.sort_unstable();
        sorted.dedup();
        assert_eq!(sorted.len(), REFERENCES.len());
    }
}

//! The methods in words, with their references: on the page and in the archive. Each reference is cited where its method is named.

use std::collections::BTreeMap;
use std::fmt::Write;

use crate::web::views::about::REFERENCES;

/// Each method: heading and text.
pub const SECTIONS: &[(&str, &str)] = &[
    (
        "Records",
        "Trails are cut between junctions into segments of near-equal length; lengths are geodesic (Karney 2013). Encounters count where they are neither rejected nor of a species listed as not venomous. Each is tied to the \
         segments that its position error allows, with a weight for each: the density of the error along it (Student t with four degrees of freedom; 10 m where no error is \
         stated) times the walking \
         there, for reports also times the level of reports over walking of its trail; in each draw it lies on one of them. Encounters \
         within the circle or outline of a place whose visits are known belong to it, also where a trail leads through; walking and \
         surveys inside are in no segment's kilometres either, and what was measured inside too vaguely for a segment counts for the area \
         alone. Places without visits hold what lies off all trails. Those that lie beyond 50 m, or three standard errors, of every trail are off \
         trail; those that were generalised, or whose standard error is over half a segment, count for their trail or the area. Reports are divided by walking, survey encounters by survey walks; \
         located and chance encounters are in no rate. Tracks of survey walks are matched to the trails by a hidden Markov model \
         (Newson and Krumm 2009), along shortest paths (Dijkstra 1959).",
    ),
    (
        "Walking",
        "Exposure is party-kilometres on each segment in the study period, from counters with their calibration and, \
         between counters, from a model of walkers with stated priors. Walkers become parties by the mean party size of the \
         trail they walk on, where one was counted there, else of the trailhead they started at, else of the area. Where no counter \
         stands, the walking between two junctions has an error of the model of its own. Levels are those of the open time: what a \
         counter counts while the area, a trail or a trailhead is closed that keeps out at least one in fifty of those whom it counts is in none, but where its open time is \
         little, what it counts while most are let through is, each trailhead's part of each trail times what is left of it. For the course of months and hours such times have a level of their \
         own; times in which most were kept out are in none, and zeros there are no outage. In each draw a closed trail's walking is \
         less by the share of all walking that falls into the closed months and hours, days of a month evenly, but for the part that counters of which most passages are of it counted, in readings \
         that lie in the closure whole, of what the fit expects there, others taken off; \
         closures of the area take it off parties and visits of places too, those of a trailhead off its starts. Those who start at a closed trailhead \
         and walk a closed trail are kept out by the union of both. What was closed has a course of months and hours of its own, the common one but for what was \
         closed, by days where weeks or days are looked at; a segment whose walkers come from several trailheads follows several, each with a share of its kilometres. Season, weeks, \
         hours, temperature, this season against former ones, periods, reporting ratios and rates go by it. A curve of the season is one of the common course, and is \
         fitted with a group for each course, so that a month in which only trails of few snakes are open is no month of few snakes. Kilometres of a closed segment count in rates, \
         and in what is set against them, times the mean of the curve over its own course, over that over the common one, draw by draw; where no season can be \
         estimated they count as walked. For weeks to come and a mean year what was closed counts as open, unless a closure is known to hold then. Whole draws \
         of the field are carried through every later step. Where the counts do not identify a segment's walking it is assumed, and the segment is neither ranked \
         nor compared; a whole trail goes by the same limit on the walking of all of its segments together. Counts are held against the fit by \
         posterior predictive checks (Gelman, Meng and Stern 1996), whose p-values lie nearer to a half than uniform ones where the model is right \
         (Bayarri and Berger 2000).",
    ),
    (
        "Rates",
        "Rates of segments, stretches and trails are gamma-Poisson, drawn towards the mean of their stratum as far as their \
         own records are few: mean and variation of each stratum are integrated over a grid, with a log-normal prior of the mean \
         about all strata (log sd 1; 3 for a stratum alone) and of the variation a half-normal prior of its coefficient (sd 1), \
         centred by moments only as a start (Marshall 1991). A unit whose walking is assumed informs no stratum, nor the reference; its own \
         records weigh which of the means and variations that its stratum leaves open hold for it. All this with the uncertainty of walking and of positions in whole draws. Limits of \
         counts are exact (Garwood 1936). Ranks have intervals over the draws (Goldstein and Spiegelhalter 1996). Exceedance is the posterior probability of a rate above the stated multiple of \
         the reference rate.",
    ),
    (
        "Season and hours",
        "A log-linear Poisson model with harmonics of the day of the year and of the hour, walking as offset, numbers of \
         harmonics averaged by the quasi-likelihood information criterion (Burnham and Anderson 2002), variances multiplied by the dispersion, \
         records of partly known time allocated by the fitted curve and imputed several times, each time with another draw of when \
         people walk (Rubin 1987). A share of encounters may come at one rate all the year and all the day, so that months and hours \
         without records are not taken to be without snakes. The season is the shortest time that holds \
         the stated share of expected encounters. Habitats, or elevation bands, have curves of their own where a \
         likelihood-ratio test asks for them. Beside the fit, as a description, the hours are directions (Mardia and Jupp 2000), with Rayleigh's test \
         after Zar (1999), and curves smoothed by a von Mises kernel (Taylor 2008): with each report weighted by one over the walking \
         at its hour, and without, which only tells when people walk.",
    ),
    (
        "Density",
        "Network kernel density, continuous at junctions (Okabe, Satoh and Sugihara 2009; Okabe and Sugihara 2012), given here as a mean and a highest \
         value by trail for each kind of effort; reports alone are mapped, as the mean of each segment. Relative density is reports \
         over walking, both smoothed alike, with tolerance contours from maps of even risk (Kelsall and Diggle 1995), summed up by \
         trail, mapped by segment, and as a list of the stretches that lie outside. A segment lies outside where more than half of it \
         does; beside the smoothed ratio stands the one as counted, with exact limits. The contours are pointwise: one twentieth of a map of even risk lies outside as well. \
         The density in the plane is a kernel of the positions, near the edge of the area that was looked at divided by the share of the kernel \
         inside (Diggle 1985); here it is summed up by level, since its contours close around positions. Bandwidths are set, or the most likely \
         by leave-one-out likelihood (Silverman 1986).",
    ),
    (
        "Reactions",
        "Shares by kind of contact and reaction with limits after Clopper and Pearson (1934), after Wilson (1927), and by \
         snake: whole snakes resampled, or exact limits on snakes where resampling has nothing to vary. Kinds of effort are \
         never pooled; first and any reaction are apart. Whether strikes depend on contact is tested by permuting contacts \
         within snakes or whole snakes between contacts (Good 2005), in sub-tables with Holm's (1979) adjustment over the parts; the test of \
         Cochran and Armitage (1955) stands only where no snake is known to repeat. Odds come \
         from a logistic regression with errors by snake (Liang and Zeger 1986), time to a reaction from Kaplan and Meier (1958), end of watch \
         censoring, with limits by snake where snakes repeat: whole snakes resampled and no narrower than Greenwood's, or exact with each snake counted once \
         where they are fewer than ten or none had reacted; the limits of the median follow from them (Brookmeyer and Crowley 1982). Approaches are never made for these figures: do not test this.",
    ),
    (
        "Signs",
        "The plan maximises the expected encounters whose walkers passed a sign within its reach before (Church and ReVelle \
         1974); the warned share is measured on draws that did not choose the signs. Warned is not prevented.",
    ),
    (
        "Clusters",
        "Reports against what the walking lets expect: a scan of windows (Kulldorff 1997), Gi* (Ord and Getis 1995) and local \
         Moran's I (Anselin 1995) by segment (pooled over 20 of the draws), p-values averaged over where uncertain records may lie (Meng 1994) and adjusted \
         for all that was looked at (Benjamini and Hochberg 1995). What many parties met of one known snake is \
         also counted once. Within months, quarters and parts of the day p-values are adjusted over segments and periods together; \
         reports whose time does not tell the period are given one by the curve of season and hours, anew in every draw.",
    ),
    (
        "Surveys",
        "Survey encounters are divided by survey-km of planned walks; targeted walks inform their own trails only. The \
         reporting ratio compares reports and survey encounters where both walked, and is refused below the stated number of \
         survey encounters. Joined, reports count by the ratio of their species and kilometres by what walkers had read there and \
         then; shares of species in a stretch are drawn from a Dirichlet posterior; species without a ratio count by surveys alone. Detection comes from walks with two observers: independent ones after Chapman (1951; Seber 1982), refused \
         where both saw too few (Robson and Regier 1964), a leader and a follower by removal (Seber and Whale 1970), and with covariates after Huggins (1989), models \
         compared by their criterion (Akaike 1974).",
    ),
    (
        "The season against expectation",
        "Former years give a predictive count for every trail and week (as Farrington and others 1996 do for reports of \
         illness); a scan looks back over the last weeks (Kulldorff 2001). Its threshold is simulated over whole seasons, with \
         the walking of former years in the weeks to come, so that the expected number of false alarms in a season is the \
         stated one however often somebody looks.",
    ),
    (
        "Forecasts",
        "One party walks each trail from its nearest trailhead, 3 km out at most, and back the same way: expected reports \
         and the probability of at least one, averaged over draws of the rates, for the year and each month and part of the day. \
         Each kilometre counts once in one bound and as often as it is walked in the other, since both directions may meet \
         the same snake. All of them count reports: more snakes are met than are reported. Where the mean rate lets expect fewer \
         than three records over the whole area in a month and part of the day, there is no figure but the exact upper limit \
         (Garwood 1936) of that time alone.",
    ),
    (
        "Before and after signs",
        "Encounters of planned survey walks where signs warn, over kilometres weighted by season and hour, against what was to \
         be expected there without signs: from the posterior of every \
         stretch's rate (Hauer 1997), from a period that chose no sign, or from places that lost a draw; controls are \
         stretches whose walkers passed no sign. Limits cluster by sign, a randomisation test takes each sign as one, and an \
         empty cell has limits but no estimate. Shares of a kind of contact are held only against the time between plan and \
         signs. Reports count only where the ratio of reports to survey encounters is known \
         before and after, with signs and without, since a sign may change what people report.",
    ),
    (
        "Watched behaviour at signs",
        "Somebody stands at a place and counts the parties that pass, those that read the sign, and those that do what it asks; \
         watches that walkers could see are never put with those they could not, nor are different things asked. A share has exact \
         limits at the number of parties that would tell as much if each were watched at a place of its own (Korn and Graubard \
         1998); of one sign alone they are binomial and speak of that sign. The change of the share of parties that did as asked, \
         with signs over without, takes each place as one, in limits and in a randomisation test; before may be any time before \
         the signs, since encounters chose the places and behaviour did not, and the time since the plan is given beside it. Places \
         with signs against places without at the same time are a comparison of places and no effect: limits of the difference \
         after Newcombe (1998) from the limits by place, and a test that exchanges signs among places (Fisher 1935). None of it \
         changes the heed probabilities that sign plans assume.",
    ),
    (
        "Patterns and notices",
        "Moran's I of what the counts of stretches leave over their expectation asks whether neighbours resemble each other \
         beyond the fit (Moran 1950). Temporary notices stand with their trail, wording and days as they were on the last day \
         that the data know of.",
    ),
    (
        "What is left out",
        "No table or figure holds the position of an encounter, the name of a person, or a sensitive place. Near sensitive places \
         whole trails alone are told: what is finer, by segment, stretch, cluster, sign or place, is withheld in the cell of a \
         decimal grid that the place lies in and within its buffer of that cell, wherever in the cell it lies, and figures draw it as \
         withheld. The grid is that of the public map: 0.01 degree, about 1 km, or coarser where a venomous species is listed as more \
         sensitive. Such a gap tells the rounded position of a place and no more. Survey walks \
         stand summed up by purpose, observers by protocol, and decisions and notices without who made them and their reasons. Where along a trail \
         encounters gather is told of reports alone and by whole segments, since the highest point of a density drawn finer would be a \
         position, and what surveys and tracking found would lead to dens. Dens that nobody listed as \
         sensitive places are not known to the program, and tables of \
         segments and stretches and the maps still say where encounters are frequent: before they are published, judge by \
         the practice for sensitive species (Chapman 2020) whether whole trails must stand instead.",
    ),
    (
        "Precedence",
        "Local emergency services, local codes and licensed practitioners come first; nothing here is medical advice, and no \
         figure says that a trail is safe. The fact sheet made from the reactions gives natural frequencies (Gigerenzer and Hoffrage \
         1995) with arrays of icons (Galesic and others 2009); its cautions are gathered from public bodies (CDC/NIOSH 2016; World Health \
         Organization).",
    ),
];

/// What tells one study from another.
#[derive(Debug, Clone)]
pub struct Cited {
    /// The revision that figures rest on with its day, in words.
    pub revision: String,
    /// The settings that differ from the defaults, in words.
    pub settings: String,
    /// The seed of all draws.
    pub seed: u64,
    /// Draws.
    pub n_draws: u64,
}

/// The line by which a study is cited: its area, revision, settings, draws and seed, and the program, from which it can be made
/// again.
pub fn how_to_cite(area: &str, cited: &Cited) -> String {
    let Cited { revision, settings, seed, n_draws } = cited;
    format!(
        "{area}: encounters with venomous snakes on trails. Study of data revision {revision}; {settings}, {n_draws} draws, seed {seed}; made \
         with Coilway {}.",
        env!("CARGO_PKG_VERSION")
    )
}

/// The methods as Markdown, with what the figures rest on, the rows that are withheld from each table, and the references.
pub fn markdown(
    area: &str,
    cited: &Cited,
    basis: &[(&str, String)],
    withheld: &BTreeMap<String, String>,
) -> String {
    // Writing to a string cannot fail.
    let mut text = format!("# Methods: {area}\n\n");
    let _ = write!(text, "How to cite: {}\n\n", how_to_cite(area, cited));
    for (name, value) in basis {
        let _ = writeln!(text, "- {name}: {value}");
    }
    for (heading, words) in SECTIONS {
        let _ = write!(text, "\n## {heading}\n\n{words}\n");
    }
    if !withheld.is_empty() {
        text.push_str("\n## Rows withheld\n\n");
    }
    for (table, words) in withheld {
        let _ = writeln!(text, "- {table}: {words}");
    }
    text.push_str("\n## References\n\n");
    for reference in REFERENCES {
        let _ = writeln!(text, "- {reference}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First author and year of a reference, as far as it has a year.
    fn key(reference: &str) -> (&str, Option<String>) {
        let author = reference.split([',', '.', ' ']).next().unwrap_or_default();
        let digits = |text: &str| text.chars().filter(char::is_ascii_digit).collect::<String>();
        let year = reference.split('(').skip(1).find_map(|rest| {
            let digits = digits(rest.split(')').next().unwrap_or_default());
            (digits.len() >= 4).then(|| digits[digits.len() - 4..].to_owned())
        });
        (author, year)
    }

    #[test]
    fn every_reference_is_cited_where_its_method_is_named() {
        let text: String = SECTIONS.iter().map(|(_, words)| format!("{words}\n")).collect();
        for reference in REFERENCES {
            let (author, year) = key(reference);
            let is_cited = text.match_indices(author).any(|(at, _)| match &year {
                None => true,
                Some(year) => text[at..].chars().take(60).collect::<String>().contains(year.as_str()),
            });
            assert!(is_cited, "never cited: {reference}");
        }
    }

    #[test]
    fn a_study_is_cited_by_what_makes_it_again() {
        let cited = Cited {
            revision: "32 of 1 July 2024".to_owned(),
            settings: "default settings".to_owned(),
            seed: 7,
            n_draws: 200,
        };
        let line = how_to_cite("Example Basin", &cited);
        for words in [
            "Example Basin",
            "revision 32 of 1 July 2024",
            "default settings",
            "200 draws",
            "seed 7",
            "Coilway ",
        ] {
            assert!(line.contains(words), "{line}");
        }
    }
}

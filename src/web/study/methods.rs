//! The methods in words, with their references: on the page and in the archive.

use std::fmt::Write;

use crate::web::views::about::REFERENCES;

/// Each method: heading and text.
pub const SECTIONS: &[(&str, &str)] = &[
    (
        "Records",
        "Encounters count where they are neither rejected nor of a species listed as not venomous. Each is tied to the \
         segments that its position error allows, with a weight for each: the density of the error along it (Student t with four degrees of freedom; 10 m where no error is \
         stated) times the walking \
         there, for reports also times the level of reports over walking of its trail; in each draw it lies on one of them. Encounters \
         within the circle or outline of a place whose visits are known belong to it, also where a trail leads through; walking and \
         surveys inside are in no segment's kilometres either, and what was measured inside too vaguely for a segment counts for the area \
         alone. Places without visits hold what lies off all trails. Those that lie beyond 50 m, or three standard errors, of every trail are off \
         trail; those that were generalised, or whose standard error is over half a segment, count for their trail or the area. Reports are divided by walking, survey encounters by survey walks; \
         located and chance encounters are in no rate.",
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
         nor compared; a whole trail goes by the same limit on the walking of all of its segments together.",
    ),
    (
        "Rates",
        "Rates of segments, stretches and trails are gamma-Poisson, drawn towards the mean of their stratum as far as their \
         own records are few: mean and variation of each stratum are integrated over a grid, with a log-normal prior of the mean \
         about all strata (log sd 1; 3 for a stratum alone) and of the variation a half-normal prior of its coefficient (sd 1), \
         centred by moments only as a start (Marshall 1991). A unit whose walking is assumed informs no stratum, nor the reference; its own \
         records weigh which of the means and variations that its stratum leaves open hold for it. All this with the uncertainty of walking and of positions in whole draws. Limits of \
         counts are exact (Garwood 1936). Exceedance is the posterior probability of a rate above the stated multiple of \
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
         likelihood-ratio test asks for them. Beside the fit, as a description, the hours are directions, with Rayleigh's test \
         after Zar (1999), and curves smoothed by a von Mises kernel (Taylor 2008): with each report weighted by one over the walking \
         at its hour, and without, which only tells when people walk.",
    ),
    (
        "Density",
        "Network kernel density, continuous at junctions (Okabe and Sugihara 2012), given here as a mean and a highest \
         value by trail for each kind of effort; reports alone are mapped, as the mean of each segment. Relative density is reports \
         over walking, both smoothed alike, with tolerance contours from maps of even risk (Kelsall and Diggle 1995), summed up by \
         trail, mapped by segment, and as a list of the stretches that lie outside. A segment lies outside where more than half of it \
         does. The contours are pointwise: one twentieth of a map of even risk lies outside as well.",
    ),
    (
        "Reactions",
        "Shares by kind of contact and reaction with limits after Clopper and Pearson (1934), after Wilson (1927), and by \
         snake: whole snakes resampled, or exact limits on snakes where resampling has nothing to vary. Kinds of effort are \
         never pooled; first and any reaction are apart. Whether strikes depend on contact is tested by permuting contacts \
         within snakes or whole snakes between contacts, in sub-tables with Holm's adjustment over the parts. Odds come \
         from a logistic regression with errors by snake, time to a strike from Kaplan and Meier (1958), end of watch \
         censoring. Approaches are never made for these figures: do not test this.",
    ),
    (
        "Signs",
        "The plan maximises the expected encounters whose walkers passed a sign within its reach before (Church and ReVelle \
         1974); the warned share is measured on draws that did not choose the signs. Warned is not prevented.",
    ),
    (
        "Clusters",
        "Reports against what the walking lets expect: a scan of windows (Kulldorff 1997), Gi* (Ord and Getis 1995) and local \
         Moran's I by segment (pooled over 20 of the draws), p-values adjusted for all that was looked at. What many parties met of one known snake is \
         also counted once. Within months, quarters and parts of the day p-values are adjusted over segments and periods together; \
         reports whose time does not tell the period are given one by the curve of season and hours, anew in every draw.",
    ),
    (
        "Surveys",
        "Survey encounters are divided by survey-km of planned walks; targeted walks inform their own trails only. The \
         reporting ratio compares reports and survey encounters where both walked, and is refused below the stated number of \
         survey encounters. Joined, reports count by the ratio of their species and kilometres by what walkers had read there and \
         then; shares of species in a stretch are drawn from a Dirichlet posterior; species without a ratio count by surveys alone. Detection comes from walks with two observers.",
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
        "No table or figure holds the position of an encounter, the name of a person, or a sensitive place: survey walks \
         stand summed up by purpose, observers by protocol, and decisions and notices without who made them and their reasons. Where along a trail \
         encounters gather is told of reports alone and by whole segments, since the highest point of a density drawn finer would be a \
         position, and what surveys and tracking found would lead to dens. Tables of \
         segments and stretches and the maps still say where encounters are frequent: before they are published, judge by \
         the practice for sensitive species (Chapman 2020) whether whole trails must stand instead.",
    ),
    (
        "Precedence",
        "Local emergency services, local codes and licensed practitioners come first; nothing here is medical advice, and no \
         figure says that a trail is safe.",
    ),
];

/// The methods as Markdown, with what the figures rest on and the references.
pub fn markdown(area: &str, basis: &[(&str, String)]) -> String {
    let mut text = format!("# Methods: {area}\n\n");
    // Writing to a string cannot fail.
    for (name, value) in basis {
        let _ = writeln!(text, "- {name}: {value}");
    }
    for (heading, words) in SECTIONS {
        let _ = write!(text, "\n## {heading}\n\n{words}\n");
    }
    text.push_str("\n## References\n\n");
    for reference in REFERENCES {
        let _ = writeln!(text, "- {reference}");
    }
    text
}

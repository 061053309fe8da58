//! The sign plan as a table.

use crate::derived::rates::Limits;
use crate::derived::study::Layers;
use crate::derived::study::need;
use crate::derived::study::table::Table;
use crate::derived::study::table::Value;

pub(super) fn plan(layers: &Layers) -> Result<Table, String> {
    let plan = need(&layers.plan)?;
    let shares = |warns_on: &[(String, f64)]| {
        let words = warns_on.iter().map(|(trail, share)| format!("{trail} {:.1} %", share * 100.0));
        words.collect::<Vec<_>>().join("; ")
    };
    let network = need(&layers.network)?;
    let sites = plan.sites.iter().enumerate();
    let rows: Vec<_> =
        sites.filter(|(_, site)| !layers.withheld.holds_position(network, site.position)).collect();
    let n_withheld = plan.sites.len() - rows.len();
    Ok(Table::of(rows)
        .withholding(n_withheld)
        .column("number", "", "number in the plan", |(idx, _)| idx + 1)
        .column("longitude", "degrees", "WGS 84", |(_, site)| Value::Degrees(site.position.lon()))
        .column("latitude", "degrees", "WGS 84", |(_, site)| Value::Degrees(site.position.lat()))
        .column(
            "in_place",
            "",
            "whether a sign stands there",
            |(_, site)| if site.standing { "yes" } else { "no" },
        )
        .column("trails", "", "trails that meet there", |(_, site)| site.trails.join("; "))
        .column(
            "read_heading",
            "degrees from north",
            "direction in which those walk on whom it warns of most",
            |(_, site)| site.towards_deg,
        )
        .column(
            "parties_per_day",
            "parties per day",
            "parties that pass, each once on its trip",
            |(_, site)| site.parties_per_day,
        )
        .column("adds", "share", "what it adds to the warned share of those before it", |(_, site)| site.adds)
        .limits(
            "warned_together",
            "share of expected encounters",
            "warned share up to this sign",
            |(_, site)| {
                Some(Limits {
                    value: site.together.value,
                    lower: site.together.lower,
                    upper: site.together.upper,
                })
            },
        )
        .column("chosen_share", "share", "share of draws that choose it", |(_, site)| site.chosen_share)
        .column("first_warns_of", "share of expected encounters", "by trail", |(_, site)| {
            shares(&site.warns_on)
        })
        .done())
}

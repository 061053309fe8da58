//! Writing the park's own files, and the truth beside them.

use std::fs::File;
use std::io::BufWriter;
use std::io::Write;
use std::path::Path;

use anyhow::Context;

use crate::cli::generate::encounters::Scale;
use crate::cli::generate::layout::Layout;
use crate::cli::generate::layout::Truth;
use crate::cli::generate::walkers::Walked;

/// Makes a file in the folder.
pub(super) fn create(folder: &Path, name: &str) -> anyhow::Result<BufWriter<File>> {
    let path = folder.join(name);
    Ok(BufWriter::new(File::create(&path).with_context(|| format!("cannot write {}", path.display()))?))
}

/// Longitude and latitude to seven decimals (about a centimetre).
pub(super) fn degrees(layout: &Layout, point: [f64; 2]) -> [f64; 2] {
    layout.lon_lat(point).map(|degrees| (degrees * 1e7).round() / 1e7)
}

/// Trails, trailheads, places, sensitive places, species, sign locations and the area itself.
pub(super) fn write_layout(
    layout: &Layout,
    truth: &Truth,
    has_elevations: bool,
    folder: &Path,
) -> anyhow::Result<()> {
    write_area(layout, folder)?;
    write_trails(layout, has_elevations, folder)?;
    write_places(layout, truth, folder)?;
    let mut out = create(folder, "species.csv")?;
    writeln!(out, "scientificName,vernacularName,venomous,sensitivityCategory,sensitivityReason,reviewDate")?;
    let reason = "collected and killed at dens";
    writeln!(out, "Crotalus viridis,prairie rattlesnake,yes,2,{reason},2028-03-01")?;
    writeln!(out, "Crotalus concolor,midget faded rattlesnake,yes,2,{reason},2028-03-01")?;
    writeln!(out, "Pituophis catenifer,gopher snake,no,,,")?;
    writeln!(out, "Masticophis taeniatus,striped whipsnake,no,,,")?;
    write_signs(layout, folder)
}

fn write_area(layout: &Layout, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "area.toml")?;
    writeln!(out, "name = \"{}\"", layout.area.name)?;
    writeln!(out, "time_zone = \"{}\"", layout.area.time_zone)?;
    writeln!(out, "emergency_number = \"911\"")?;
    writeln!(out, "keep_distance_m = 3.0")?;
    Ok(())
}

/// Metres above sea level, for the ground as a whole: it rises to the north-west, with ridges across.
fn elevation_m([x, y]: [f64; 2]) -> f64 {
    1750.0 + 0.05 * (y - x) + 60.0 * (x / 900.0).sin() + 45.0 * (y / 700.0).cos()
}

fn write_trails(layout: &Layout, has_elevations: bool, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "trails.geojson")?;
    writeln!(out, "{{\"type\":\"FeatureCollection\",\"features\":[")?;
    for (trail, (name, habitat)) in layout.trails.iter().enumerate() {
        // One part for each unbroken run of links.
        let mut parts: Vec<Vec<[f64; 2]>> = Vec::new();
        for link in layout.links.iter().filter(|link| link.trail == trail) {
            match parts.last_mut() {
                Some(part) if part.last() == link.points.first() => part.extend_from_slice(&link.points[1..]),
                _ => parts.push(link.points.clone()),
            }
        }
        let part_words = |part: &Vec<[f64; 2]>| {
            let positions = part.iter().map(|point| {
                let [lon, lat] = degrees(layout, *point);
                match has_elevations {
                    true => format!("[{lon:.7},{lat:.7},{:.0}]", elevation_m(*point)),
                    false => format!("[{lon:.7},{lat:.7}]"),
                }
            });
            format!("[{}]", positions.collect::<Vec<_>>().join(","))
        };
        let coordinates = parts.iter().map(part_words).collect::<Vec<_>>().join(",");
        let comma = if trail + 1 < layout.trails.len() { "," } else { "" };
        writeln!(
            out,
            "{{\"type\":\"Feature\",\"properties\":{{\"name\":\"{name}\",\"habitat\":\"{habitat}\"}},\
             \"geometry\":{{\"type\":\"MultiLineString\",\"coordinates\":[{coordinates}]}}}}{comma}"
        )?;
    }
    writeln!(out, "]}}")?;
    Ok(())
}

fn write_places(layout: &Layout, truth: &Truth, folder: &Path) -> anyhow::Result<()> {
    let mut trailheads = create(folder, "trailheads.csv")?;
    let mut places = create(folder, "places.csv")?;
    writeln!(trailheads, "name,decimalLatitude,decimalLongitude,relativeVolume")?;
    writeln!(places, "name,kind,decimalLatitude,decimalLongitude,radiusInMeters,trailhead,visitsPerDay")?;
    for (name, node, volume) in &layout.trailheads {
        let at = layout.nodes[*node];
        let [lon, lat] = degrees(layout, at);
        writeln!(trailheads, "{name},{lat},{lon},{volume}")?;
        let [lon, lat] = degrees(layout, [at[0] - 35.0, at[1] - 25.0]);
        writeln!(places, "{name} car park,car park,{lat},{lon},40,{name},{:.0}", volume * 0.5)?;
    }
    let middle = layout.nodes[layout.nodes.len() / 2];
    let [lon, lat] = degrees(layout, [middle[0] + 220.0, middle[1] + 180.0]);
    writeln!(places, "Stone Ring campsite,campsite,{lat},{lon},80,,14")?;
    let mut dens = create(folder, "sensitive-places.csv")?;
    writeln!(dens, "name,decimalLatitude,decimalLongitude,bufferInMeters,reason,reviewDate")?;
    for (idx, den) in truth.dens.iter().enumerate() {
        let [lon, lat] = degrees(layout, *den);
        writeln!(dens, "Site {},{lat},{lon},300,winter den,2028-03-01", (b'A' + idx as u8) as char)?;
    }
    Ok(())
}

fn write_signs(layout: &Layout, folder: &Path) -> anyhow::Result<()> {
    let mut out = create(folder, "signs.csv")?;
    writeln!(out, "name,decimalLatitude,decimalLongitude,standing,permitNeeded,onRock,heritage,reason")?;
    let (name, node, _) = &layout.trailheads[0];
    let [lon, lat] = degrees(layout, layout.nodes[*node]);
    writeln!(out, "{name} panel,{lat},{lon},fixed,no,no,no,visitor panel since the opening")?;
    let ledge = layout.nodes[layout.nodes.len() / 3];
    let [lon, lat] = degrees(layout, ledge);
    writeln!(out, "Carved ledge,{lat},{lon},forbidden,yes,yes,yes,rock carvings")?;
    Ok(())
}

/// What was planted, for those who test against it.
pub(super) fn write_truth(
    layout: &Layout,
    truth: &Truth,
    walked: &Walked,
    scale: &Scale,
    folder: &Path,
) -> anyhow::Result<()> {
    let mut out = create(folder, "truth.csv")?;
    writeln!(out, "bit,trail,decimalLatitude,decimalLongitude,lengthKm,reportsPer1000Km,partyKm")?;
    for (idx, bit) in truth.bits.iter().enumerate() {
        let [lon, lat] = degrees(layout, bit.points[bit.points.len() / 2]);
        let trail = &layout.trails[layout.links[bit.link].trail].0;
        writeln!(
            out,
            "{idx},{trail},{lat:.6},{lon:.6},{:.4},{:.4},{:.2}",
            bit.length_km,
            bit.relative_rate * scale.reports_per_km * 1000.0,
            walked.passages[idx] * bit.length_km
        )?;
    }
    Ok(())
}

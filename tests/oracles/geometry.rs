//! Geodesics, lines, the local plane, and what GeoJSON asks of rings and boxes.

use coilway::analysis::plane::LocalPlane;
use coilway::analysis::plane::bounding_box;
use coilway::analysis::plane::bounding_box_width;
use coilway::analysis::plane::cut_line;
use coilway::analysis::plane::cut_rectangle;
use coilway::analysis::plane::distance_m;
use coilway::analysis::plane::exterior_ring;
use coilway::analysis::plane::geodesic;
use coilway::analysis::plane::hole_ring;
use coilway::analysis::plane::length_m;
use coilway::analysis::plane::metres_per_degree;
use coilway::analysis::plane::nearest_on_line;
use coilway::analysis::plane::signed_area;
use coilway::domain::geography::BoundingBox;
use coilway::domain::geography::LonLat;
use coilway::web::geojson as wire;
use serde_json::Value;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::real;
use crate::answer::reals;
use crate::compare::number;
use crate::record::Record;

/// Some published longitudes go round more than once.
fn position([lon, lat]: [f64; 2]) -> LonLat {
    LonLat::wrapped(lon, lat)
}

fn line(record: &Record, name: &str) -> Result<Vec<LonLat>, Problem> {
    Ok(record.get::<Vec<[f64; 2]>>(name)?.into_iter().map(position).collect())
}

fn written(position: &LonLat) -> Value {
    reals([position.lon(), position.lat()])
}

fn written_line(line: &[LonLat]) -> Value {
    line.iter().map(written).collect()
}

pub(crate) fn geodesics(record: &Record) -> Answered {
    if record.asks("geodesic length of a polyline") {
        return Ok(Answer::of(real(length_m(&line(record, "line")?))));
    }
    let known = ["WGS84 inverse geodesic", "a very short line", "distance", "longitudes beyond 360"];
    if !known.iter().any(|words| record.asks(words)) {
        return Err(Problem::Unknown);
    }
    let shortest = geodesic(position(record.get("p1")?), position(record.get("p2")?));
    Ok(Answer::of(json!({
        "s12_m": real(shortest.distance_m),
        "azi1": real(shortest.azimuth_start_deg),
        "azi2": real(shortest.azimuth_end_deg),
    })))
}

pub(crate) fn point_to_line(record: &Record) -> Answered {
    let line = line(record, "line")?;
    let Some(nearest) = nearest_on_line(position(record.get("point")?), &line) else {
        return failed("no nearest point");
    };
    // Where the nearest point is the vertex between two legs, both hold it, and only rounding says which is named.
    let theirs: usize = serde_json::from_value(record.expected["segment"].clone())?;
    let is_shared = nearest.leg_idx.abs_diff(theirs) == 1
        && distance_m(nearest.foot, line[nearest.leg_idx.max(theirs)]) <= record.tol.abs;
    let segment = if is_shared { theirs } else { nearest.leg_idx };
    let answer = Answer::of(json!({
        "distance_m": real(nearest.distance_m),
        "segment": segment,
        "along_m": real(nearest.along_m),
        "nearest": written(&nearest.foot),
    }));
    // The record's tolerance is in metres; its note names this one for degrees.
    Ok(answer.held_to("nearest", 1e-7, 0.0))
}

pub(crate) fn projection(record: &Record) -> Answered {
    let lat: f64 = record.get("lat")?;
    if record.asks("metres per degree") {
        let metres = metres_per_degree(lat);
        let value = json!({ "per_deg_lat": real(metres.latitude), "per_deg_lon": real(metres.longitude) });
        return Ok(Answer::of(value));
    }
    if !record.asks("largest error of two-point distances") {
        return Err(Problem::Unknown);
    }
    let (max_abs_m, max_rel) = largest_errors(lat, record.get("half_width_m")?);
    // The two equirectangular projections are not in use; what they err is a bound for the one that is.
    for bound in ["ellipsoidal_equirectangular", "spherical_equirectangular"] {
        let of = |name: &str| number(&record.expected[bound][name]).unwrap_or(f64::NAN);
        if !(max_abs_m <= of("max_abs_m") && max_rel <= of("max_rel")) {
            return failed(format!("errs {max_abs_m} m or {max_rel}, more than the {bound}"));
        }
    }
    let errors = json!({ "max_abs_m": real(max_abs_m), "max_rel": real(max_rel) });
    let answer = Answer::of(json!({ "azimuthal_equidistant": errors }));
    Ok(answer.without("ellipsoidal_equirectangular").without("spherical_equirectangular"))
}

/// How far distances in the plane are from geodesic ones, between all points of a grid of seven by seven.
fn largest_errors(lat: f64, half_width_m: f64) -> (f64, f64) {
    let plane = LocalPlane::new(LonLat::wrapped(0.0, lat));
    let metres = metres_per_degree(lat);
    let steps = || (0..7).map(|step| f64::from(step - 3) / 3.0 * half_width_m);
    let grid: Vec<LonLat> = steps()
        .flat_map(|x_m| {
            steps().map(move |y_m| LonLat::wrapped(x_m / metres.longitude, lat + y_m / metres.latitude))
        })
        .collect();
    let (mut max_abs_m, mut max_rel) = (0.0f64, 0.0f64);
    for (idx, from) in grid.iter().enumerate() {
        for to in &grid[..idx] {
            let (a, b) = (plane.to_plane(*from), plane.to_plane(*to));
            let true_m = distance_m(*from, *to);
            let error_m = ((a.x - b.x).hypot(a.y - b.y) - true_m).abs();
            max_abs_m = max_abs_m.max(error_m);
            max_rel = max_rel.max(error_m / true_m);
        }
    }
    (max_abs_m, max_rel)
}

pub(crate) fn geojson(record: &Record) -> Answered {
    let value = if record.asks("linear rings follow the right-hand rule") {
        winding_rule()?
    } else if record.asks("position is [longitude, latitude]") {
        // As the layers write it.
        let at = LonLat::new(record.get("lon")?, record.get("lat")?)?;
        serde_json::to_value(wire::Geometry::Point(wire::position(at)))?
    } else if record.asks("bbox") {
        let Some(bbox) = bounding_box(&line(record, "points")?) else { return failed("no box") };
        json!({
            "bbox": reals([bbox.west, bbox.south, bbox.east, bbox.north]),
            "width_deg": real(bounding_box_width(&bbox)),
        })
    } else if record.asks("line 45N 170E to 45N 170W cut") || record.asks("slanted line cut") {
        let parts = cut_line(&line(record, "line")?);
        let kind = if parts.len() == 1 { "LineString" } else { "MultiLineString" };
        json!({ "type": kind, "coordinates": parts.iter().map(|part| written_line(part)).collect::<Value>() })
    } else if record.asks("rectangle 40-50N 170E-170W cut") {
        let (west, east) = (record.get("west")?, record.get("east")?);
        let bbox = BoundingBox { west, south: record.get("south")?, east, north: record.get("north")? };
        let rings = cut_rectangle(&bbox);
        let kind = if rings.len() == 1 { "Polygon" } else { "MultiPolygon" };
        let polygons: Value = rings.iter().map(|ring| json!([written_line(ring)])).collect();
        json!({ "type": kind, "coordinates": polygons })
    } else if record.asks("exterior ring as RFC 7946 wants it") {
        let ring = line(record, "ring")?;
        json!({
            "signed_area": real(signed_area(&ring)),
            "exterior_ccw": written_line(&exterior_ring(&ring)),
            "hole_cw": written_line(&hole_ring(&ring)),
        })
    } else {
        return Err(Problem::Unknown);
    };
    Ok(Answer::of(value))
}

/// Which way rings come out, whichever way they went in.
fn winding_rule() -> Result<Value, Problem> {
    let ring = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 0.0]].map(position).to_vec();
    let reversed: Vec<LonLat> = ring.iter().rev().copied().collect();
    let sense = |wound: Vec<LonLat>| if signed_area(&wound) > 0.0 { "ccw" } else { "cw" };
    if sense(exterior_ring(&ring)) != sense(exterior_ring(&reversed)) {
        return failed("the sense of an exterior ring depends on how it came in");
    }
    if sense(hole_ring(&ring)) != sense(hole_ring(&reversed)) {
        return failed("the sense of a hole depends on how it came in");
    }
    let is_kept = exterior_ring(&reversed).len() == reversed.len();
    Ok(json!({
        "exterior": sense(exterior_ring(&ring)),
        "hole": sense(hole_ring(&ring)),
        "reject_wrong": !is_kept,
    }))
}

//! Densities in the plane and on networks.

use std::collections::BTreeMap;

use coilway::analysis::density::DeadEnd;
use coilway::analysis::density::Event;
use coilway::analysis::density::NetworkKernel;
use coilway::analysis::density::NetworkParams;
use coilway::analysis::density::Position;
use coilway::analysis::density::SplitRule;
use coilway::analysis::density::density_at;
use coilway::analysis::density::edge_masses;
use coilway::analysis::density::planar::PlanarKernel;
use coilway::analysis::density::planar::PlanarPoint;
use coilway::analysis::density::planar::pairwise_density;
use coilway::analysis::graph::Edge;
use coilway::analysis::graph::Graph;
use serde_json::json;

use crate::answer::Answer;
use crate::answer::Answered;
use crate::answer::Problem;
use crate::answer::failed;
use crate::answer::real;
use crate::answer::reals;
use crate::record::Record;

pub(crate) fn planar(record: &Record) -> Answered {
    let kernel = if record.asks("intensity (events per unit area), quartic kernel") {
        PlanarKernel::Quartic
    } else if record.asks("intensity, gaussian kernel") {
        PlanarKernel::Gaussian
    } else {
        return Err(Problem::Unknown);
    };
    let (positions, weights): (Vec<[f64; 2]>, Vec<f64>) = (record.get("points")?, record.get("weights")?);
    let points: Vec<PlanarPoint> = positions
        .into_iter()
        .zip(weights)
        .map(|(position_m, weight)| PlanarPoint { position_m, weight })
        .collect();
    let at: Vec<[f64; 2]> = record.get("at")?;
    Ok(Answer::of(reals(pairwise_density(&points, &at, kernel, record.get("bandwidth")?)?)))
}

pub(crate) fn network(record: &Record) -> Answered {
    if record.asks("along a line the quartic constant") {
        let distances_m: Vec<f64> = record.get("d")?;
        let (kernel, bandwidth_m) = (kernel(record)?, record.get("bandwidth")?);
        Ok(Answer::of(reals(distances_m.iter().map(|&d_m| kernel.density_per_m(d_m, bandwidth_m)))))
    } else if record.asks("equal-split") {
        equal_split(record)
    } else if record.asks("NOT a valid estimator") {
        let (graph, event) = graph_and_event(record)?;
        let rules = [SplitRule::Discontinuous, SplitRule::Continuous];
        let params = rules.map(|rule| -> Result<NetworkParams, Problem> {
            let (kernel, bandwidth_m) = (kernel(record)?, record.get("bandwidth")?);
            Ok(NetworkParams { kernel, bandwidth_m, rule, dead_end: DeadEnd::Reflect })
        });
        let mut largest: f64 = 0.0;
        for params in params {
            largest = largest.max(mass(&graph, &[event], &params?)?);
        }
        Ok(Answer::differing(json!({ "mass": real(largest) })))
    } else if record.asks("integral of the density over the whole network") {
        kept_mass(record)
    } else {
        Err(Problem::Unknown)
    }
}

fn equal_split(record: &Record) -> Answered {
    let (graph, event) = graph_and_event(record)?;
    let dead_end = match record.get::<String>("dead_end")?.as_str() {
        "reflect" => DeadEnd::Reflect,
        "absorb" => DeadEnd::Absorb,
        _ => return Err(Problem::Unknown),
    };
    let rule = rule(&record.get::<String>("rule")?)?;
    let params =
        NetworkParams { kernel: kernel(record)?, bandwidth_m: record.get("bandwidth")?, rule, dead_end };
    let at: Vec<(usize, f64)> = record.get("at")?;
    let at: Vec<Position> = at.into_iter().map(|(edge, offset_m)| Position { edge, offset_m }).collect();
    let density = density_at(&graph, &[event], &at, &params)?;
    Ok(Answer::of(json!({ "density": reals(density), "mass": real(mass(&graph, &[event], &params)?) })))
}

/// The mass for each event on a loop with a tail and four arms, where no end is within a bandwidth of an event.
///
/// The record says in words which networks it is about; this one has junctions of degree two, three and five. Dead ends
/// absorb, so that mass which reached one would be missed.
fn kept_mass(record: &Record) -> Answered {
    let rules: Vec<String> = record.get("rules")?;
    let edges = [
        (0, 1, 15.0),
        (1, 2, 3.0),
        (2, 3, 2.0),
        (3, 1, 2.5),
        (2, 4, 9.0),
        (2, 5, 9.0),
        (2, 6, 1.6),
        (6, 7, 9.0),
    ];
    let graph = graph_of(8, &edges)?;
    let events: Vec<Event> = [(0, 13.0, 1.0), (1, 1.2, 2.5), (3, 0.0, 0.5), (6, 0.9, 1.0), (4, 2.0, 3.0)]
        .map(|(edge, offset_m, weight)| Event { position: Position { edge, offset_m }, weight })
        .to_vec();
    let total: f64 = events.iter().map(|event| event.weight).sum();
    let mut farthest = 1.0;
    for name in &rules {
        for kernel in [NetworkKernel::Quartic, NetworkKernel::Epanechnikov, NetworkKernel::Gaussian] {
            let params =
                NetworkParams { kernel, bandwidth_m: 5.0, rule: rule(name)?, dead_end: DeadEnd::Absorb };
            let share = mass(&graph, &events, &params)? / total;
            if (share - 1.0).abs() > f64::abs(farthest - 1.0) {
                farthest = share;
            }
        }
    }
    if rules.is_empty() {
        failed("no rules")
    } else {
        Ok(Answer::of(json!({ "mass_per_event": real(farthest) })))
    }
}

fn mass(graph: &Graph, events: &[Event], params: &NetworkParams) -> Result<f64, Problem> {
    Ok(edge_masses(graph, events, params)?.iter().sum())
}

fn rule(name: &str) -> Result<SplitRule, Problem> {
    match name {
        "esd" => Ok(SplitRule::Discontinuous),
        "esc" => Ok(SplitRule::Continuous),
        _ => Err(Problem::Unknown),
    }
}

fn kernel(record: &Record) -> Result<NetworkKernel, Problem> {
    match record.get::<String>("kernel")?.as_str() {
        "epanechnikov" => Ok(NetworkKernel::Epanechnikov),
        "quartic" => Ok(NetworkKernel::Quartic),
        _ => Err(Problem::Unknown),
    }
}

fn graph_and_event(record: &Record) -> Result<(Graph, Event), Problem> {
    let named: Vec<(String, String, f64)> = record.get("edges")?;
    let mut vertices: BTreeMap<String, usize> = BTreeMap::new();
    let mut edges = Vec::new();
    for (from, to, length_m) in named {
        let [from, to] = [from, to].map(|name| {
            let next = vertices.len();
            *vertices.entry(name).or_insert(next)
        });
        edges.push((from, to, length_m));
    }
    let (edge, offset_m): (usize, f64) = record.get("event")?;
    let event = Event { position: Position { edge, offset_m }, weight: 1.0 };
    Ok((graph_of(vertices.len(), &edges)?, event))
}

fn graph_of(n_vertices: usize, edges: &[(usize, usize, f64)]) -> Result<Graph, Problem> {
    let edges = edges.iter().map(|&(from, to, length_m)| Edge { from, to, length_m }).collect();
    Ok(Graph::new(n_vertices, edges)?)
}

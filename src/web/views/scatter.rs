//! Points in a plane of two like quantities, with both zero lines.

use maud::Markup;
use maud::html;

/// A plot of points.
#[derive(Debug, Clone)]
pub struct Scatter {
    /// What it shows, for those who do not see it.
    pub description: String,
    /// Each point: across, up, and its name.
    pub points: Vec<(f64, f64, String)>,
    /// The words below the axis across.
    pub across: String,
    /// The words above the axis up.
    pub up: String,
}

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 320.0;
const LEFT: f64 = 48.0;
const RIGHT: f64 = 12.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 44.0;

/// Draws it; both axes run as far as the farthest point on either side of zero.
pub fn draw(scatter: &Scatter) -> Markup {
    let reach_of = |pick: fn(&(f64, f64, String)) -> f64| {
        scatter.points.iter().map(|it| pick(it).abs()).fold(1.0, f64::max).ceil()
    };
    let (across, up) = (reach_of(|it| it.0), reach_of(|it| it.1));
    let x = |value: f64| LEFT + (value + across) / (2.0 * across) * (WIDTH - LEFT - RIGHT);
    let y = |value: f64| HEIGHT - BOTTOM - (value + up) / (2.0 * up) * (HEIGHT - TOP - BOTTOM);
    html! {
        svg.chart viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(scatter.description) {
            @for value in [-up, 0.0, up] {
                path.axis d={ "M" (LEFT) " " (one(y(value))) "H" (WIDTH - RIGHT) } {}
                text x=(LEFT - 6.0) y=(one(y(value) + 4.0)) text-anchor="end" { (value) }
            }
            @for value in [-across, 0.0, across] {
                path.axis d={ "M" (one(x(value))) " " (TOP) "V" (HEIGHT - BOTTOM) } {}
                text x=(one(x(value))) y=(HEIGHT - BOTTOM + 18.0) text-anchor="middle" { (value) }
            }
            text x="4" y="12" { (scatter.up) }
            text x=(WIDTH - RIGHT) y=(HEIGHT - 6.0) text-anchor="end" { (scatter.across) }
            @for (at, value, name) in &scatter.points {
                rect.observed x=(one(x(*at) - 3.0)) y=(one(y(*value) - 3.0)) width="6" height="6" { title { (name) } }
            }
        }
    }
}

fn one(value: f64) -> String {
    format!("{value:.1}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zero_lies_in_the_middle_and_points_inside() {
        let scatter = Scatter {
            description: "points".to_owned(),
            points: vec![(-2.5, 0.5, "a".to_owned()), (0.0, 0.0, "b".to_owned())],
            across: "residual".to_owned(),
            up: "neighbours".to_owned(),
        };
        let drawn = draw(&scatter).into_string();
        let middle = format!("x=\"{:.1}\"", LEFT + (WIDTH - LEFT - RIGHT) / 2.0 - 3.0);
        assert!(drawn.contains(&middle), "{drawn}");
        assert!(drawn.contains(">-3<") && drawn.contains(">-1<") && !drawn.contains("NaN"), "{drawn}");
        assert!(!draw(&Scatter { points: Vec::new(), ..scatter }).into_string().contains("inf"));
    }
}

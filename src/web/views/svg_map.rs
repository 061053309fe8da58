//! The server-drawn map: readable without scripts, and what prints.
//!
//! Everything is laid out first, in metres of the area's plane, then drawn; the drawing knows no data.

use std::fmt::Write;

use geo::Coord;
use geo::LineString;
use geo::Simplify;
use maud::Markup;
use maud::PreEscaped;
use maud::html;

/// What the map shows. Coordinates are metres in the area's plane, east then north.
#[derive(Debug, Clone, Default)]
pub struct MapDrawing {
    /// What the picture shows, for those who do not see it.
    pub description: String,
    /// Trails, stretches or segments.
    pub lines: Vec<MapLine>,
    /// Names of trails with the line they belong to.
    pub labels: Vec<MapLabel>,
    /// Places and trailheads.
    pub places: Vec<MapPlace>,
    /// Signs, proposed and in place.
    pub signs: Vec<MapSign>,
    /// Temporary notices in force.
    pub notices: Vec<MapNotice>,
    /// Filled shapes below the lines: density classes, outer ring first, then holes.
    pub shapes: Vec<MapShape>,
    /// Outlines around what stands out.
    pub outlines: Vec<MapOutline>,
}

/// One line, drawn with what is known about it.
#[derive(Debug, Clone)]
pub struct MapLine {
    /// The run of positions.
    pub points: Vec<[f64; 2]>,
    /// How it is drawn.
    pub stroke: Stroke,
    /// Where a click leads, or empty.
    pub href: String,
    /// What it says when pointed at.
    pub title: String,
    /// Whether it is the one picked.
    pub picked: bool,
}

/// The make-up of a line: it carries the uncertainty, the colour carries the class (0 to 4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// Limits fall in one or two classes.
    Narrow(u8),
    /// Limits fall in three classes.
    Wide(u8),
    /// The map makes no statement.
    TooWide,
    /// No walking recorded.
    NoWalking,
    /// The path that a survey track was matched to.
    Matched,
    /// A survey track as recorded.
    Track,
    /// Not told, since it lies near a sensitive place.
    Withheld,
}

/// A name beside a line.
#[derive(Debug, Clone)]
pub struct MapLabel {
    /// Where it is best put.
    pub at: [f64; 2],
    /// The words.
    pub words: String,
}

/// A place or trailhead.
#[derive(Debug, Clone)]
pub struct MapPlace {
    /// Where.
    pub at: [f64; 2],
    /// Its name.
    pub words: String,
    /// Where a click leads.
    pub link: Option<PlaceLink>,
}

/// Where the mark of a place leads.
#[derive(Debug, Clone)]
pub struct PlaceLink {
    /// The address.
    pub href: String,
    /// What a click does, in words.
    pub title: String,
}

/// A sign.
#[derive(Debug, Clone)]
pub struct MapSign {
    /// Where.
    pub at: [f64; 2],
    /// Its number in the list beside the map.
    pub number: usize,
    /// Whether it stands already.
    pub standing: bool,
    /// What it says when pointed at.
    pub title: String,
}

/// A temporary notice about a trail.
#[derive(Debug, Clone)]
pub struct MapNotice {
    /// Somewhere on the trail: the notice is about the whole of it.
    pub at: [f64; 2],
    /// Where a click leads.
    pub href: String,
    /// What it says when pointed at.
    pub title: String,
}

/// A filled shape of one class.
#[derive(Debug, Clone)]
pub struct MapShape {
    /// Rings, outer first.
    pub rings: Vec<Vec<[f64; 2]>>,
    /// The class, 0 to 4.
    pub class: u8,
    /// Opacity, 0 to 1.
    pub opacity: f64,
}

/// An outline of round dots around some lines, lightly filled.
#[derive(Debug, Clone)]
pub struct MapOutline {
    /// Rings, outer ones and holes.
    pub rings: Vec<Vec<[f64; 2]>>,
    /// What it says when pointed at.
    pub title: String,
}

/// The size of the picture in its own units.
pub const WIDTH: f64 = 720.0;
/// See [`WIDTH`].
pub const HEIGHT: f64 = 600.0;
const MARGIN: f64 = 44.0;
/// How many times as large letters and signs are on a phone, as in the style sheet.
const ON_PHONES: f64 = 1.6;
/// Bends smaller than this are not drawn, in picture units.
const FINEST: f64 = 0.4;

/// Metres to picture units.
struct Scale {
    west_m: f64,
    north_m: f64,
    units_per_m: f64,
    left: f64,
    top: f64,
}

impl Scale {
    fn fit(drawing: &MapDrawing) -> Self {
        let points = drawing
            .lines
            .iter()
            .flat_map(|line| line.points.iter())
            .chain(drawing.places.iter().map(|place| &place.at))
            .chain(drawing.signs.iter().map(|sign| &sign.at))
            .chain(drawing.outlines.iter().flat_map(|outline| outline.rings.iter().flatten()));
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for point in points {
            for axis in 0..2 {
                low[axis] = low[axis].min(point[axis]);
                high[axis] = high[axis].max(point[axis]);
            }
        }
        if low[0] > high[0] {
            (low, high) = ([0.0; 2], [1000.0; 2]);
        }
        let size = [(high[0] - low[0]).max(100.0), (high[1] - low[1]).max(100.0)];
        let units_per_m = ((WIDTH - 2.0 * MARGIN) / size[0]).min((HEIGHT - 2.0 * MARGIN) / size[1]);
        let left = (WIDTH - size[0] * units_per_m) / 2.0;
        let top = (HEIGHT - size[1] * units_per_m) / 2.0;
        Self { west_m: low[0], north_m: high[1], units_per_m, left, top }
    }

    fn at(&self, point: [f64; 2]) -> [f64; 2] {
        [
            self.left + (point[0] - self.west_m) * self.units_per_m,
            self.top + (self.north_m - point[1]) * self.units_per_m,
        ]
    }

    /// The way through the points, as straight as the eye can tell.
    fn path(&self, points: &[[f64; 2]]) -> String {
        let line: LineString = points.iter().map(|point| Coord::from(self.at(*point))).collect();
        let mut path = String::with_capacity(32);
        for (idx, at) in line.simplify(FINEST).coords().enumerate() {
            let step = if idx == 0 { 'M' } else { 'L' };
            // Writing to a string cannot fail.
            let _ = write!(path, "{step}{:.1} {:.1}", at.x, at.y);
        }
        path
    }
}

/// Draws the map.
pub fn draw(drawing: &MapDrawing) -> Markup {
    let scale = Scale::fit(drawing);
    let has_links = drawing.lines.iter().any(|line| !line.href.is_empty())
        || drawing.places.iter().any(|place| place.link.is_some());
    let description = if drawing.description.is_empty() { "The trails" } else { &drawing.description };
    let paths: Vec<String> = drawing.lines.iter().map(|line| scale.path(&line.points)).collect();
    html! {
        // A picture hides the links in it from those who do not see it.
        svg.map-svg viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role=(if has_links { "group" } else { "img" }) aria-label=(description)
            preserveAspectRatio="xMidYMid meet" xmlns="http://www.w3.org/2000/svg" {
            @for shape in &drawing.shapes { (draw_shape(shape, &scale)) }
            @for outline in &drawing.outlines { (draw_outline(outline, &scale)) }
            @for (line, path) in drawing.lines.iter().zip(&paths) { @if line.picked { path.picked d=(path) {} } }
            path.halo d=(paths.concat()) {}
            @for (line, path) in drawing.lines.iter().zip(&paths) { (draw_line(line, path)) }
            @for place in drawing.places.iter().filter(|place| place.link.is_none()) { (draw_place(place, &scale)) }
            (draw_labels(drawing, &scale))
            @for sign in &drawing.signs { (draw_sign(sign, &scale)) }
            @for notice in &drawing.notices { (draw_notice(notice, &scale)) }
            // Those that lead somewhere lie above the names, which would take the click.
            @for place in drawing.places.iter().filter(|place| place.link.is_some()) { (draw_place(place, &scale)) }
            (scale_bar(scale.units_per_m))
            (north_arrow())
        }
    }
}

fn round(value: f64) -> String {
    format!("{value:.1}")
}

fn draw_shape(shape: &MapShape, scale: &Scale) -> Markup {
    let path: String = shape.rings.iter().map(|ring| scale.path(ring) + "Z").collect();
    html! { path class={ "f" (shape.class) } fill-rule="evenodd" opacity=(round(shape.opacity)) d=(path) {} }
}

fn draw_outline(outline: &MapOutline, scale: &Scale) -> Markup {
    let path: String = outline.rings.iter().map(|ring| scale.path(ring) + "Z").collect();
    html! {
        path.cluster fill-rule="evenodd" d=(path) { title { (outline.title) } }
    }
}

fn draw_line(line: &MapLine, path: &str) -> Markup {
    let classes: &[(&str, Option<u8>)] = match line.stroke {
        Stroke::Narrow(class) => &[("narrow", Some(class))],
        Stroke::Wide(class) => &[("wide-interval", Some(class))],
        Stroke::TooWide => &[("too-wide", None), ("too-wide-core", None)],
        Stroke::NoWalking => &[("no-walking", None)],
        Stroke::Matched => &[("matched", None)],
        Stroke::Track => &[("track", None)],
        Stroke::Withheld => &[("withheld", None)],
    };
    let drawn = html! {
        @for (name, class) in classes {
            @let class_name = class.map_or_else(|| (*name).to_owned(), |class| format!("{name} c{class}"));
            path class=(class_name) d=(path) {
                @if !line.title.is_empty() { title { (line.title) } }
            }
        }
    };
    if line.href.is_empty() {
        drawn
    } else {
        html! { a href=(line.href) tabindex="-1" { (drawn) } }
    }
}

/// A label before it is known whether there is room for it.
#[derive(Clone, Copy)]
struct Label<'a> {
    /// Where its first letter stands.
    at: [f64; 2],
    words: &'a str,
    class: &'static str,
}

impl Label<'_> {
    /// Its width where letters are so many times as large. An average letter of a 14 px system face is up to 7.8 px wide.
    fn width(&self, times: f64) -> f64 {
        7.8 * times * self.words.chars().count() as f64
    }
}

/// Draws labels, leaving out one that would touch another, a sign or a notice. On a phone, where the whole map is half as large, letters
/// are larger, and only those labels stay that still have room.
fn draw_labels(drawing: &MapDrawing, scale: &Scale) -> Markup {
    let trails = drawing.labels.iter().map(|label| (label.at, &label.words, "trail-label"));
    let places = drawing.places.iter().map(|place| (place.at, &place.words, "place-label"));
    let all = trails.chain(places).map(|(at, words, class)| {
        let [x, y] = scale.at(at);
        let label = Label { at: [x + 8.0, y - 6.0], words, class };
        let x = label.at[0].min(WIDTH - label.width(1.0) - 4.0).max(4.0);
        Label { at: [x, label.at[1]], ..label }
    });
    let marks =
        drawing.signs.iter().map(|sign| sign.at).chain(drawing.notices.iter().map(|notice| notice.at));
    let marks: Vec<[f64; 2]> = marks.map(|at| scale.at(at)).collect();
    let all: Vec<Label<'_>> = all.collect();
    let kept = with_room(&all, &marks, 1.0);
    let labels: Vec<Label<'_>> = kept.iter().map(|idx| all[*idx]).collect();
    let roomy = with_room(&labels, &marks, ON_PHONES);
    html! { @for (idx, label) in labels.iter().enumerate() {
        text .(label.class) data-phone=[(!roomy.contains(&idx)).then_some("no-room")] x=(round(label.at[0])) y=(round(label.at[1])) { (label.words) }
    } }
}

/// Which labels touch nothing where letters and marks are so many times as large; earlier ones go first.
fn with_room(labels: &[Label<'_>], marks: &[[f64; 2]], times: f64) -> Vec<usize> {
    let half = 13.0 * times;
    let mut taken: Vec<[f64; 4]> =
        marks.iter().map(|[x, y]| [x - half, y - half, x + half, y + half]).collect();
    let mut kept = Vec::new();
    for (idx, label) in labels.iter().enumerate() {
        let [x, y] = label.at;
        let area = [x - 2.0, y - 14.0 * times, x + label.width(times) + 2.0, y + 8.0];
        let free = taken.iter().all(|other| {
            area[2] < other[0] || other[2] < area[0] || area[3] < other[1] || other[3] < area[1]
        });
        if free && area[1] > 0.0 && area[2] <= WIDTH {
            taken.push(area);
            kept.push(idx);
        }
    }
    kept
}

/// The mark of a place. As a link it is larger to hit than to see, and reached by keyboard: no table names places.
fn draw_place(place: &MapPlace, scale: &Scale) -> Markup {
    let [x, y] = scale.at(place.at);
    let title = place.link.as_ref().map_or(&place.words, |link| &link.title);
    let mark = html! {
        rect.place-mark x=(round(x - 4.0)) y=(round(y - 4.0)) width="8" height="8" rx="1" { title { (title) } }
    };
    let Some(link) = &place.link else { return mark };
    html! {
        a href=(link.href) aria-label=(title) {
            rect.place-reach x=(round(x - 14.0)) y=(round(y - 14.0)) width="28" height="28" { title { (title) } }
            (mark)
        }
    }
}

fn draw_sign(sign: &MapSign, scale: &Scale) -> Markup {
    let [x, y] = scale.at(sign.at);
    html! {
        g .sign-standing[sign.standing] transform={ "translate(" (round(x)) " " (round(y)) ")" } {
            title { (sign.title) }
            rect.sign-box x="-12" y="-12" width="24" height="24" rx="3" {}
            text.sign-number y="5" { (sign.number) }
        }
    }
}

fn draw_notice(notice: &MapNotice, scale: &Scale) -> Markup {
    let [x, y] = scale.at(notice.at);
    html! {
        a href=(notice.href) tabindex="-1" {
            g.notice-mark transform={ "translate(" (round(x)) " " (round(y)) ")" } {
                title { (notice.title) }
                path d="M0 -14L13 9H-13Z" {}
                text y="6" { "!" }
            }
        }
    }
}

/// The longest round length that takes at most a quarter of the picture.
fn scale_bar(units_per_m: f64) -> Markup {
    let longest_m = WIDTH / 4.0 / units_per_m;
    let steps = [1.0, 2.0, 5.0];
    let length_m = (0..6)
        .flat_map(|power| steps.map(|step| step * 10f64.powi(power)))
        .filter(|length_m| *length_m <= longest_m)
        .fold(1.0, f64::max);
    let width = length_m * units_per_m;
    let words =
        if length_m >= 1000.0 { format!("{} km", length_m / 1000.0) } else { format!("{length_m} m") };
    let (x, y) = (20.0, HEIGHT - 16.0);
    html! {
        path.scale-bar
            d={ "M" (round(x)) " " (round(y - 6.0)) "V" (round(y)) "H" (round(x + width)) "V" (round(y - 6.0)) } {}
        text.scale-text x=(round(x + width / 2.0)) y=(round(y - 8.0)) { (words) }
    }
}

fn north_arrow() -> Markup {
    let (x, y) = (WIDTH - 30.0, HEIGHT - 46.0);
    html! {
        (PreEscaped(format!(r#"<path class="north" d="M{x} {y}l8 24l-8-6l-8 6z"/>"#)))
        text.north-text x=(x) y=(y + 40.0) { "N" }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn label(x: f64, words: &str) -> MapLabel {
        MapLabel { at: [x, 500.0], words: words.to_owned() }
    }

    fn square() -> MapLine {
        MapLine {
            points: vec![[0.0, 0.0], [1000.0, 0.0], [1000.0, 1000.0]],
            stroke: Stroke::Wide(2),
            href: "/stretch/1".to_owned(),
            title: "Mill Path".to_owned(),
            picked: true,
        }
    }

    #[test]
    fn a_label_that_would_touch_another_is_dropped() {
        let drawing = MapDrawing {
            lines: vec![square()],
            labels: vec![label(200.0, "First Trail"), label(210.0, "Second Trail"), label(800.0, "Third")],
            ..MapDrawing::default()
        };
        let drawn = draw(&drawing).into_string();
        assert!(drawn.contains("First Trail") && drawn.contains("Third") && !drawn.contains("Second Trail"));
    }

    #[test]
    fn on_a_phone_only_labels_stay_that_have_room_for_larger_letters() {
        let drawing = MapDrawing {
            lines: vec![square()],
            labels: vec![label(0.0, "First Trail"), label(180.0, "Second"), label(600.0, "Third")],
            ..MapDrawing::default()
        };
        let drawn = draw(&drawing).into_string();
        let is_roomy = |words: &str| {
            let end = drawn.find(&format!(">{words}<")).unwrap();
            !drawn[..end].rsplit("<text").next().unwrap().contains("data-phone=\"no-room\"")
        };
        assert!(is_roomy("First Trail") && !is_roomy("Second") && is_roomy("Third"), "{drawn}");
    }

    #[test]
    fn a_map_with_links_does_not_hide_them_as_a_picture_would() {
        let with_links = MapDrawing { lines: vec![square()], ..MapDrawing::default() };
        assert!(draw(&with_links).into_string().contains("role=\"group\" aria-label=\"The trails\""));
        assert!(draw(&MapDrawing::default()).into_string().contains("role=\"img\""));
    }

    #[test]
    fn names_are_escaped_and_coordinates_finite() {
        let mut line = square();
        line.title = "<script>".to_owned();
        let drawn = draw(&MapDrawing { lines: vec![line], ..MapDrawing::default() }).into_string();
        assert!(drawn.contains("&lt;script&gt;") && !drawn.contains("NaN") && !drawn.contains("inf"));
    }

    #[test]
    fn an_empty_map_still_has_a_scale() {
        assert!(draw(&MapDrawing::default()).into_string().contains("scale-bar"));
    }
}

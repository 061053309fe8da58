//! A drawing of a page as a picture of its own: its rules and colours inside, title above, basis below.
//!
//! The rules are those of the page's style sheet with its light colours filled in, so that a figure in a paper looks as
//! it does on the page.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::LazyLock;

use maud::Markup;
use maud::html;

/// What stands around a drawing.
#[derive(Debug, Clone)]
pub struct Surround {
    /// Title above it.
    pub title: String,
    /// Lines below it.
    pub notes: Vec<String>,
}

const STYLE: &str = include_str!("../assets/style.css");
/// The part of the style sheet that is about drawings lies between these comments.
const DRAWN_FROM: &str = "/* Lines of the map";
const DRAWN_TO: &str = "/* Tables. */";
/// Rules about where a drawing stands on a page.
const PLACING: [&str; 4] = [".chart {", "svg", ".card", "/*"];

const TOP: f64 = 40.0;
const LINE: f64 = 16.0;

static RULES: LazyLock<String> = LazyLock::new(rules);

fn rules() -> String {
    let tokens = tokens();
    let from = STYLE.find(DRAWN_FROM).unwrap_or(0);
    let to = STYLE.find(DRAWN_TO).unwrap_or(STYLE.len());
    let mut rules = String::from("text{font-family:'Open Sans',system-ui,sans-serif}");
    for line in STYLE[from..to].lines().filter(|line| !PLACING.iter().any(|start| line.starts_with(start))) {
        rules.push_str(&filled(line, &tokens));
        rules.push('\n');
    }
    rules
}

/// The light colours by their names.
fn tokens() -> BTreeMap<&'static str, &'static str> {
    let from = STYLE.find(":root {").map_or(0, |at| at + 7);
    let to = STYLE[from..].find('}').map_or(STYLE.len(), |at| from + at);
    let pairs = STYLE[from..to].split(';').filter_map(|pair| pair.trim().split_once(':'));
    pairs
        .map(|(name, value)| (name.trim(), value.trim()))
        .filter(|(name, _)| name.starts_with("--"))
        .collect()
}

fn filled(line: &str, tokens: &BTreeMap<&str, &str>) -> String {
    let mut out = String::new();
    let mut rest = line;
    while let Some((before, after)) = rest.split_once("var(") {
        let (name, beyond) = after.split_once(')').unwrap_or((after, ""));
        out.push_str(before);
        out.push_str(tokens.get(name).copied().unwrap_or("#000"));
        rest = beyond;
    }
    out + rest
}

/// A picture: its SVG and its size.
#[derive(Debug, Clone)]
pub struct Picture {
    /// The SVG, a document of its own.
    pub svg: String,
    /// Width in its own units.
    pub width: f64,
    /// Height in its own units.
    pub height: f64,
}

/// Puts a drawing (one `svg` element with a `viewBox`) into a picture of its own; none where it is no such element.
pub fn picture(drawing: &Markup, ground: &str, surround: &Surround) -> Option<Picture> {
    let drawn = drawing.0.as_str();
    let inner = drawn.strip_prefix("<svg")?;
    let (width, height) = size(drawn)?;
    let bottom = TOP + height + 8.0;
    let notes: Vec<String> = surround.notes.iter().flat_map(|note| wrapped(note, width)).collect();
    let total = bottom + LINE * notes.len() as f64 + 10.0;
    let texts = html! {
        text class="figure-title" x="12" y="26" { (surround.title) }
        @for (idx, note) in notes.iter().enumerate() {
            text class="figure-note" x="12" y=(format!("{:.1}", bottom + LINE * (idx as f64 + 0.7))) { (note) }
        }
    };
    let mut svg = String::with_capacity(drawn.len() + RULES.len() + 1024);
    // Writing to a string cannot fail.
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{total}\" \
         viewBox=\"0 0 {width} {total}\">\n<style>{rules}\
         .figure-title{{font-size:17px;font-weight:700;fill:#1b2226}}.figure-note{{font-size:11px;fill:#545d60}}</style>\n\
         <rect width=\"{width}\" height=\"{total}\" fill=\"#ffffff\"/>\
         <rect y=\"{TOP}\" width=\"{width}\" height=\"{height}\" fill=\"{ground}\"/>{texts}\n\
         <svg x=\"0\" y=\"{TOP}\" width=\"{width}\" height=\"{height}\"{inner}\n</svg>\n",
        rules = *RULES,
        texts = texts.0,
    );
    Some(Picture { svg, width, height: total })
}

/// Lines that fit the width.
fn wrapped(note: &str, width: f64) -> Vec<String> {
    // An average letter of 11 px is about 5.7 px wide.
    let most = ((width - 24.0) / 5.7).max(20.0) as usize;
    let mut lines: Vec<String> = Vec::new();
    for word in note.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + word.chars().count() < most => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

fn size(drawn: &str) -> Option<(f64, f64)> {
    let (_, after) = drawn.split_once("viewBox=\"")?;
    let (view_box, _) = after.split_once('"')?;
    let numbers: Vec<f64> = view_box.split_whitespace().filter_map(|part| part.parse().ok()).collect();
    match numbers[..] {
        [_, _, width, height] => Some((width, height)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_filled_in_and_nothing_is_left_of_the_page() {
        assert!(RULES.contains(".c3 { stroke: #04426b; }"), "{}", *RULES);
        assert!(RULES.contains(".whisker { stroke: #1b2226;"));
        assert!(RULES.contains(".chart .line { fill: none;") && RULES.contains(".cluster { fill: #1b2226;"));
        for word in ["var(", "max-width", "cursor", "@media"] {
            assert!(!RULES.contains(word), "{word} in {}", *RULES);
        }
    }

    #[test]
    fn long_notes_are_wrapped_and_nothing_is_lost() {
        let note = "rates rest on many reports ".repeat(20);
        let lines = wrapped(&note, 560.0);
        assert!(lines.len() > 3 && lines.iter().all(|line| line.chars().count() <= 94), "{lines:?}");
        assert_eq!(lines.join(" "), note.trim());
        assert!(wrapped("", 560.0).is_empty());
    }

    #[test]
    fn a_picture_is_a_document_of_its_own() {
        let drawing = html! { svg.chart viewBox="0 0 560 240" role="img" { text { "a & b" } } };
        let surround =
            Surround { title: "Rates <here>".to_owned(), notes: vec!["one".to_owned(), "two".to_owned()] };
        let picture = picture(&drawing, "#ffffff", &surround).unwrap();
        assert_eq!((picture.width, picture.height), (560.0, 40.0 + 240.0 + 8.0 + 32.0 + 10.0));
        assert!(picture.svg.contains("Rates &lt;here&gt;") && picture.svg.contains("a &amp; b"));
        let mut reader = quick_xml::Reader::from_str(&picture.svg);
        loop {
            match reader.read_event() {
                Ok(quick_xml::events::Event::Eof) => break,
                Ok(_) => {}
                Err(error) => panic!("{error}: {}", picture.svg),
            }
        }
        assert!(super::picture(&html! { p { "no drawing" } }, "#fff", &surround).is_none());
    }
}

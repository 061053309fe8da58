//! Every page struct's samples, drawn and compared with what they looked like before.

use maud::Markup;

use coilway::web::views;
use coilway::web::views::layout::Reader;

/// One tag a line, so that a difference can be read.
fn lines(markup: Markup) -> String {
    markup.into_string().replace("><", ">\n<")
}

pub(crate) fn check(name: &str, pages: impl IntoIterator<Item = Markup>) {
    for (idx, markup) in pages.into_iter().enumerate() {
        let drawn = lines(markup);
        for word in ["NaN", "inf ", "-inf", "undefined"] {
            assert!(!drawn.contains(word), "{name} {idx} says {word}");
        }
        insta::assert_snapshot!(format!("{name}_{idx}"), drawn);
    }
}

#[test]
fn about() {
    check("about", views::about::samples().iter().map(views::about::body));
}

#[test]
fn density() {
    check("density", views::density::samples().iter().map(views::density::body));
}

#[test]
fn effect() {
    check("effect", views::effect::samples().iter().map(views::effect::body));
}

#[test]
fn observers() {
    check("observers", views::observers::samples().iter().map(views::observers::body));
}

#[test]
fn decisions() {
    check("decisions", views::decisions::samples().iter().map(views::decisions::body));
    check("decide", [views::decisions::form_body(&views::decisions::sample_ask())]);
}

#[test]
fn encounters() {
    check("encounters", views::encounters::list_samples().iter().map(views::encounters::list_body));
    check("encounter", views::encounters::one_samples().iter().map(views::encounters::one_body));
}

#[test]
fn imports() {
    check("import", views::import::samples());
}

#[test]
fn map() {
    check("map", views::map::samples().iter().map(views::map::body));
}

#[test]
fn rates() {
    check("rates", views::rates::samples().iter().map(views::rates::body));
}

#[test]
fn reactions() {
    check("latency", views::latency::samples().iter().map(views::latency::body));
    check("sub_tables", views::sub_tables::samples().iter().map(views::sub_tables::body));
    check("reactions", views::reactions::samples().iter().map(views::reactions::body));
}

#[test]
fn route() {
    check("route", views::route::samples().iter().map(views::route::body));
}

#[test]
fn watch() {
    check("watch", views::watch::samples().iter().map(views::watch::body));
    check("notice", views::notice::samples().iter().map(views::notice::body));
}

#[test]
fn season() {
    check("season", views::season::samples().iter().map(views::season::body));
}

#[test]
fn history() {
    check("history", views::history::samples().iter().map(views::history::record_body));
    check("changes", views::history::list_samples().iter().map(views::history::list_body));
}

#[test]
fn settings() {
    check("settings", views::settings::samples().iter().map(views::settings::body));
}

#[test]
fn ties() {
    check("tie", views::ties::samples().iter().map(views::ties::card));
    check("ties", views::ties::list_samples().iter().map(views::ties::list_body));
}

#[test]
fn signs() {
    check("signs", views::signs::samples().iter().map(views::signs::body));
}

#[test]
fn study() {
    check("study", views::study::samples().iter().map(views::study::body));
}

#[test]
fn trails() {
    check("trails", views::trails::samples().iter().map(views::trails::body));
}

#[test]
fn units() {
    check("unit", views::unit::samples().iter().map(views::unit::body));
}

#[test]
fn sign_sheets() {
    check("sign_sheets", views::sign_sheets::samples().iter().map(views::sign_sheets::body));
}

#[test]
fn errors() {
    let all =
        [(404, "There is no stretch 9."), (400, "\"13\" is not a month."), (503, "busy"), (500, "wrong")];
    check("error", all.map(|(status, words)| views::error::body(Reader::Staff, status, words)));
}

#[test]
fn accounts() {
    check("accounts", views::accounts::samples());
}

#[test]
fn public() {
    check("public", views::public::samples().iter().map(views::public::body));
}

#[test]
fn server() {
    check("server", views::server::samples().iter().map(views::server::body));
}

#[test]
fn sign_plans() {
    check("sign_plans", views::sign_plans::samples());
}

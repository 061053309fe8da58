//! Bringing in files: what there is, what went in, what did not and why.

use maud::Markup;
use maud::html;

use crate::domain::batch::Content;
use crate::web::views::charts::thousands;

/// The overview of the data.
#[derive(Debug, Clone)]
pub struct DataPage {
    /// How many rows there are of each kind.
    pub counts: Vec<(String, u64, String)>,
    /// The batches, newest first.
    pub batches: Vec<BatchRow>,
    /// Row errors that wait.
    pub n_open_errors: u64,
    /// How far the computed figures are, in words; empty where nobody follows the data.
    pub progress: String,
    /// Why fewer reports are in figures than there are, in words.
    pub left_out: String,
    /// Whether the reader may see every change.
    pub may_see_changes: bool,
}

/// One batch.
#[derive(Debug, Clone)]
pub struct BatchRow {
    /// Its number.
    pub id: i64,
    /// What its rows are.
    pub content: String,
    /// Its files.
    pub files: String,
    /// Who and when.
    pub by: String,
    /// Rows that went in, were there already, did not go in.
    pub counts: [u64; 3],
    /// Whether it was undone.
    pub undone: bool,
}

/// The overview's body.
pub fn data_body(page: &DataPage) -> Markup {
    html! {
        div.page-head { h1 { "Data" } a.button.main href="/data/import" { "Bring in files" } }
        div.grid {
            section.card {
                h2 { "What there is" }
                table {
                    tbody { @for (words, n, href) in &page.counts { tr {
                        th scope="row" { @if href.is_empty() { (words) } @else { a href=(href) { (words) } } }
                        td.num { (thousands(*n as i64)) }
                    } } }
                }
                @if !page.left_out.is_empty() { p.small.soft { (page.left_out) } }
            }
            section.card {
                h2 { "Rows that did not go in" }
                p { a href="/data/rows" { (waiting(page.n_open_errors)) " to be mended" } }
                @if !page.progress.is_empty() { h2 { "Figures" } p { (page.progress) } }
                h2 { "Decided by hand" }
                ul {
                    li { a href="/data/ambiguous" { "Positions that may lie on either of two segments" } }
                    li { a href="/decisions" { "Decisions" } }
                    li { a href="/data/settings" { "Settings" } }
                    @if page.may_see_changes { li { a href="/history" { "Every change, by whom and why" } } }
                }
                h2 { "Map layers" }
                ul {
                    li { a href="/layers/stretches.geojson" { "Stretches" } }
                    li { a href="/layers/segments.geojson" { "Segments" } }
                    li { a href="/layers/trails.geojson" { "Trails" } }
                    li { a href="/layers/encounters.geojson" { "Encounters" } }
                    li { a href="/layers/density.geojson" { "Density" } }
                    li { a href="/layers/clusters.geojson" { "Clusters" } }
                    li { a href="/layers/signs.geojson" { "Sign locations" } }
                    li { a href="/layers/notices.geojson" { "Temporary notices that stand today" } }
                    li { a href="/layers/walks.geojson" { "Survey walks" } }
                }
                p.small.soft { "GeoJSON, longitude and latitude in WGS 84. In a GIS client, add a layer by the address of its link; with accounts, sign in there with any name and a token as the password: " a href="/account#tokens" { "make a token" } "." }
            }
        }
        section.card {
            h2 { "Batches" }
            @if page.batches.is_empty() { p { "Nothing was brought in yet." } } @else { (batches(&page.batches)) }
        }
    }
}

fn waiting(n_rows: u64) -> String {
    format!("{} {}", thousands(n_rows as i64), if n_rows == 1 { "row waits" } else { "rows wait" })
}

/// What somebody brought in.
pub fn own_body(rows: &[BatchRow]) -> Markup {
    html! {
        div.page-head { h1 { "What you brought in" } a.button.main href="/data/import" { "Bring in files" } }
        section.card {
            @if rows.is_empty() { p { "Nothing yet under this account." } } @else {
                p.soft { "Open a batch to see the rows that did not go in, and to mend them." }
                (batches(rows))
            }
        }
    }
}

fn batches(rows: &[BatchRow]) -> Markup {
    html! {
        table.stack {
            thead { tr {
                th scope="col" { "Batch" } th scope="col" { "Content" } th scope="col" { "Files" } th scope="col" { "By" }
                th.num scope="col" { "Went in" } th.num scope="col" { "There already" } th.num scope="col" { "Did not" } th scope="col" {}
            } }
            tbody { @for row in rows { tr {
                th scope="row" { a href={ "/data/batches/" (row.id) } { (row.id) } }
                td data-label="Content" { (row.content) }
                td data-label="Files" { (row.files) }
                td data-label="By" { (row.by) }
                td.num data-label="Went in" { (thousands(row.counts[0] as i64)) }
                td.num data-label="There already" { (thousands(row.counts[1] as i64)) }
                td.num data-label="Did not" { (thousands(row.counts[2] as i64)) }
                td { @if row.undone { "undone" } }
            } } }
        }
    }
}

/// The form.
#[derive(Debug, Clone, Default)]
pub struct ImportPage {
    /// The content chosen.
    pub content: String,
    /// What is wrong: field and words.
    pub error: Option<(String, String)>,
    /// The largest file taken, in words.
    pub limit: String,
    /// The contents to choose from, with the columns of a table: name, and whether it is needed.
    pub contents: Vec<(Content, Vec<(&'static str, bool)>)>,
    /// Whether what the files say of a review counts.
    pub reviews: bool,
}

/// The form's body.
pub fn import_body(page: &ImportPage) -> Markup {
    let error = |field: &str| page.error.as_ref().filter(|(at, _)| at == field).map(|(_, words)| words);
    html! {
        div.page-head { h1 { "Bring in files" } a.button href="/data/own" { "What you brought in" } }
        p { "CSV (comma, semicolon or tab), GeoJSON or GPX, or photos that say where and when they were taken. Rows that cannot be taken are kept with the reason, and can be mended and tried again; the good rows go in. The same file again changes nothing." }
        @if !page.reviews { p { "Whatever they say of their review, records wait for a manager’s. A record that somebody else brought in stays as it is." } }
        form.card method="post" action="/data/import" enctype="multipart/form-data" {
            div.fields {
                label { "What the file holds"
                    // Nothing is chosen beforehand: a file of encounters read as trails would only make rows that wait.
                    select name="content" required aria-invalid=[error("content").map(|_| "true")] {
                        option value="" selected[page.content.is_empty()] { "– choose –" }
                        @for (content, _) in &page.contents {
                            option value=(content.term()) selected[page.content == content.term()] { (content_words(*content)) }
                        }
                    }
                    @if let Some(words) = error("content") { span.field-error { (words) } }
                }
                label { "File (of photos several), at most " (page.limit)
                    input type="file" name="file" required multiple accept=".csv,.txt,.tsv,.geojson,.json,.gpx,image/jpeg,image/png,image/webp" aria-invalid=[error("file").map(|_| "true")];
                    @if let Some(words) = error("file") { span.field-error { (words) } }
                }
            }
            p { button.main type="submit" { "Bring it in" } }
        }
        section.card {
            h2 { "What a table looks like" }
            p { "The first row names the columns, in any order; columns of other names are kept as they are. Names are those of Darwin Core, the standard for records of animals and plants, where it has one; common spellings are understood (lat, date, species …), and the batch shows what was read as what." }
            @if page.reviews { p { "A new area starts with trails, then trailheads, counters, readings and calibrations, then survey walks and encounters." } }
            @for (content, columns) in page.contents.iter().filter(|(content, _)| *content != Content::Photos) {
                details {
                    summary { (content_words(*content)) }
                    @if let Some(words) = help(*content) { p { (words) } }
                    p { "Needed: " (list(columns, true)) "." }
                    @if columns.iter().any(|(_, is_needed)| !is_needed) { p { "Also understood: " (list(columns, false)) "." } }
                }
            }
        }
        section.card {
            h2 { "Photos" }
            p { "JPEG, PNG or WebP, up to 200 at once. A photo is added to the encounter that was met then and there, within five minutes and within the accuracy of both positions; where there is none it makes a new one, of no known effort, for somebody to say what it shows. Only the picture is kept, and the file's name only where a camera gave it." }
        }
    }
}

/// What a table of a content says, where its columns do not say it by themselves.
fn help(content: Content) -> Option<&'static str> {
    match content {
        Content::SignWatches => Some(
            "One row a watch: somebody stands at a sign, or at a place without one to compare with, and counts parties, not people. The locality is the sign’s name, or a name for the place. partiesRead is of those that passed, and stays empty where no sign stands; asked says in a few words what is asked of walkers, the same words wherever it is to be compared; watcher is seen or unseen, by walkers.",
        ),
        Content::DoubleObserver => Some(
            "One row an encounter on a walk of two observers, or one row without occurrenceID where neither saw any. protocol is independent or lead-follow; byFirst and bySecond are yes or no. firstObserverKind and secondObserverKind are surveyor, ranger, volunteer or visitor, and may stay empty; what any row of a walk says holds for the walk, so that the same file with them, or one row more, adds them later; rows that say them must agree. What pairs of one kind notice is shown for that kind alone.",
        ),
        Content::PartySizes => Some(
            "One row a mean: how many people a party has, counted at a trailhead, on a trail, or anywhere in the area. A row names a trailhead, or a trail, or neither for the whole area, never both. On a trail with a mean of its own, all who walk there are turned into parties by it, wherever they started. from and until are dates; without them it holds always. parties is how many were counted.",
        ),
        Content::Closures => Some(
            "One row a time in which people were not to walk: name is that of a trail or a trailhead, or the words whole area where everything was closed. from and until are days, which are then meant as a whole, or days with a time; until stays empty while it is still closed. reason is a few words. Zeros that a counter reads while its trail was closed are then no outage. Closures may overlap. A name that is on no trail or trailhead is kept, and named on the page about walking.",
        ),
        _ => None,
    }
}

/// "`name`, `kind`": the columns that are needed, or those that are not.
fn list(columns: &[(&'static str, bool)], needed: bool) -> Markup {
    let names: Vec<_> =
        columns.iter().filter(|(_, is_needed)| *is_needed == needed).map(|(name, _)| name).collect();
    html! { @for (idx, name) in names.iter().enumerate() { @if idx > 0 { ", " } code { (name) } } }
}

/// What the rows of a file are, as people say it.
pub fn content_words(content: Content) -> &'static str {
    match content {
        Content::Encounters => "Encounters",
        Content::Walks => "Survey walks",
        Content::DoubleObserver => "What each of two observers noticed",
        Content::SignInspections => "Inspections of signs",
        Content::SignWatches => "Watches at signs: who passed, read and did as asked",
        Content::Photos => "Photos",
        Content::Trails => "Trails",
        Content::Trailheads => "Trailheads",
        Content::Places => "Places (car parks, campsites, buildings)",
        Content::SensitivePlaces => "Sensitive places",
        Content::Species => "Species of the area",
        Content::Counters => "Counters",
        Content::Readings => "Counter readings",
        Content::Calibrations => "Counter calibrations",
        Content::PartySizes => "Party sizes",
        Content::Closures => "Closures of trails, trailheads or the whole area",
        Content::Signs => "Places where signs may or may not go",
        Content::SignsInPlace => "Signs in place",
        Content::DailyWeather => "Highest temperature of each day",
        Content::Form => "Sent by the form",
    }
}

/// One batch, after it came in.
#[derive(Debug, Clone)]
pub struct BatchPage {
    /// The batch.
    pub row: BatchRow,
    /// For each file: name, format, encoding, and which header was read as which field.
    pub files: Vec<FileRow>,
    /// The first rows that did not go in.
    pub errors: Vec<ErrorRow>,
    /// How many there are in all.
    pub n_errors: u64,
    /// When it was brought in, where the same file has just come again.
    pub brought_in_before: Option<String>,
    /// Rows that changed a record that was there.
    pub n_changed: u64,
    /// What it added that is there, and would be taken out: content and records.
    pub holds: Vec<(String, u64)>,
    /// Who took it back, when and why.
    pub taken_back: Option<String>,
    /// Of the encounters that went in: how many have no position, how many no day, and how many of those of a survey no walk.
    pub lacking: (u64, u64, u64),
    /// Whether the reader may take it back.
    pub may_undo: bool,
}

/// One file.
#[derive(Debug, Clone)]
pub struct FileRow {
    /// Its name.
    pub name: String,
    /// Its format and encoding.
    pub format: String,
    /// Header and field.
    pub mapping: Vec<(String, String)>,
}

/// The state of a row that waits.
pub const OPEN: &str = "open";

/// One row that did not go in.
#[derive(Debug, Clone)]
pub struct ErrorRow {
    /// Its number.
    pub id: i64,
    /// The file.
    pub file: String,
    /// The row.
    pub row_number: u64,
    /// The field.
    pub field: String,
    /// The value.
    pub value: String,
    /// The reason.
    pub reason: String,
    /// The hint.
    pub hint: String,
    /// Open, mended or set aside.
    pub state: String,
}

/// The batch's body.
pub fn batch_body(page: &BatchPage) -> Markup {
    let [accepted, unchanged, refused] = page.row.counts;
    html! {
        div.page-head {
            div { h1 { "Batch " (page.row.id) ": " (page.row.content) } p.soft { (page.row.by) } }
        }
        @if let Some(when) = &page.brought_in_before {
            p.notice role="status" { "This file was brought in before, on " (when) " as batch " (page.row.id) ": nothing changed." }
        }
        @if page.row.undone {
            p.notice { "This batch was undone: its rows no longer count." @if let Some(words) = &page.taken_back { " " (words) "." } }
        }
        p.card {
            strong { (thousands(accepted as i64)) } " rows went in"
            @if page.n_changed > 0 {
                " (" (thousands(accepted.saturating_sub(page.n_changed) as i64)) " new, " (thousands(page.n_changed as i64)) " changed a record that was there)"
            }
            ", " strong { (thousands(unchanged as i64)) } " were there already, "
            strong { (thousands(refused as i64)) } " did not go in."
            @for words in lacking(page.lacking) { br; (words) }
        }
        @for file in &page.files {
            details.card {
                summary { (file.name) " · " (file.format) }
                table { thead { tr { th scope="col" { "Header" } th scope="col" { "Read as" } } }
                    tbody { @for (header, field) in &file.mapping { tr { td { (header) } td { (field) } } } } }
            }
        }
        @if !page.errors.is_empty() {
            (error_table(&page.errors))
            (first_of(page.errors.len(), page.n_errors, ""))
        }
        @if page.may_undo && !page.row.undone && accepted > 0 { (undo(page)) }
    }
}

/// Asks first, with what is taken out.
fn undo(page: &BatchPage) -> Markup {
    html! {
        details.card {
            summary { "Undo this batch" }
            p { "That takes out what the batch added, and every figure is computed again without it:" }
            ul {
                @for (content, n) in &page.holds { li { (content) ": " (thousands(*n as i64)) } }
                @if page.holds.is_empty() { li { "nothing that is still there" } }
                @if page.n_changed > 0 {
                    li { "Put back to what they were before: " (thousands(page.n_changed as i64)) ", where nobody has changed them since" }
                }
            }
            p.small.soft { "The batch stays in the list as undone, and its file can be brought in again. Rows of it that wait can be mended no longer." }
            form method="post" action={ "/data/batches/" (page.row.id) "/undo" } {
                div.fields { label { "Reason (may stay empty; it is kept in the history)" input name="reason" maxlength="500"; } }
                p { button type="submit" { "Take it out" } }
            }
        }
    }
}

/// What the encounters of a batch lack, and what follows from that.
fn lacking((n_without_position, n_without_day, n_without_walk): (u64, u64, u64)) -> Vec<String> {
    let record = |n: u64| {
        if n == 1 {
            "1 record that went in has".to_owned()
        } else {
            format!("{} records that went in have", thousands(n as i64))
        }
    };
    let mut lines = Vec::new();
    if n_without_position > 0 {
        lines.push(format!(
            "{} no position: counted among the area's records, but on no map and in no rate.",
            record(n_without_position)
        ));
    }
    if n_without_day > 0 {
        lines.push(format!(
            "{} no day: their part of the season is shared out by what is known of the others.",
            record(n_without_day)
        ));
    }
    if n_without_walk > 0 {
        lines.push(format!(
            "{} the effort survey and no walk (eventID of a survey walk): no kilometres belong to it, so it is in no rate.",
            record(n_without_walk)
        ));
    }
    lines
}

/// All rows that wait.
#[derive(Debug, Clone)]
pub struct RowsPage {
    /// The rows.
    pub rows: Vec<ErrorRow>,
    /// How many there are.
    pub n_open: u64,
}

/// The body of the list of rows that wait.
pub fn rows_body(page: &RowsPage) -> Markup {
    html! {
        h1 { "Rows that did not go in" }
        p { (waiting(page.n_open)) ". Each is kept whole: mend it and try it again, or set it aside." }
        @if page.rows.is_empty() { p.card { "Nothing waits." } } @else { (error_table(&page.rows)) }
        (first_of(page.rows.len(), page.n_open, " The others follow as these are mended or set aside."))
    }
}

/// Says so where the table ends before the rows do.
fn first_of(n_shown: usize, n: u64, others: &str) -> Markup {
    html! {
        @if (n_shown as u64) < n {
            p.small.soft { "These are the first " (thousands(n_shown as i64)) " of " (thousands(n as i64)) "." (others) }
        }
    }
}

fn error_table(rows: &[ErrorRow]) -> Markup {
    html! {
        div.card { table.stack {
            caption { "File, row, field, value, reason, and what would mend it" }
            thead { tr {
                th scope="col" { "File and row" } th scope="col" { "Field" } th scope="col" { "Value" } th scope="col" { "Reason" } th scope="col" { "What would mend it" } th scope="col" {}
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (row.file) ", row " (row.row_number) }
                td data-label="Field" { (row.field) }
                td data-label="Value" { code { (row.value) } }
                td data-label="Reason" { (row.reason) }
                td data-label="Mend" { (row.hint) }
                td { @if row.state == OPEN { a.button href={ "/data/rows/" (row.id) } { "Mend" } } @else { (row.state) } }
            } } }
        } }
    }
}

/// One row being mended.
#[derive(Debug, Clone)]
pub struct MendPage {
    /// The row.
    pub row: ErrorRow,
    /// Its cells.
    pub fields: Vec<MendField>,
}

/// One cell of a row being mended.
#[derive(Debug, Clone)]
pub struct MendField {
    /// The header.
    pub header: String,
    /// The value; empty where it is withheld.
    pub value: String,
    /// Whether the reader may not see it.
    pub is_withheld: bool,
}

/// The body of the form that mends a row.
pub fn mend_body(page: &MendPage) -> Markup {
    html! {
        h1 { (page.row.file) ", row " (page.row.row_number) }
        p.notice { strong { (page.row.field) } ": " (page.row.reason) @if !page.row.hint.is_empty() { "; " (page.row.hint) } "." }
        form.card method="post" action={ "/data/rows/" (page.row.id) } {
            @for field in &page.fields {
                @let is_wrong = field.header == page.row.field;
                label { (field.header)
                    input name=(field.header) value=(field.value) placeholder=[field.is_withheld.then_some("withheld; leave empty to keep")] aria-invalid=[is_wrong.then_some("true")];
                    @if is_wrong { span.field-error { (page.row.reason) } }
                }
            }
            p { button.main type="submit" name="coilway-action" value="retry" { "Try again" } " " button type="submit" name="coilway-action" value="set-aside" { "Set aside" } }
            p.small.soft { "A row that is set aside is kept as it is, but waits no longer and counts nowhere." }
        }
    }
}

fn sample_error() -> ErrorRow {
    ErrorRow {
        id: 7,
        file: "visitor-book.csv".to_owned(),
        row_number: 9,
        field: "coordinateUncertaintyInMeters".to_owned(),
        value: "0".to_owned(),
        reason: "zero is not a valid uncertainty".to_owned(),
        hint: "leave it empty if it is not known".to_owned(),
        state: "open".to_owned(),
    }
}

fn sample_batch() -> BatchRow {
    BatchRow {
        id: 3,
        content: "encounters".to_owned(),
        files: "visitor-book.csv".to_owned(),
        by: "staff, 2024-06-01".to_owned(),
        counts: [7, 0, 25],
        undone: false,
    }
}

/// All pages of this file, made up for tests and previews.
pub fn samples() -> Vec<Markup> {
    let row = sample_batch();
    let file = FileRow {
        name: "visitor-book.csv".to_owned(),
        format: "CSV, UTF-8".to_owned(),
        mapping: vec![("Latitude".to_owned(), "decimalLatitude".to_owned())],
    };
    let contents = vec![
        (Content::Trailheads, vec![("name", true), ("relativeVolume", false)]),
        (Content::Calibrations, vec![("counter", true)]),
        (Content::PartySizes, vec![("trail", false), ("meanWalkers", true)]),
        (Content::SignWatches, vec![("eventID", true), ("partiesRead", false)]),
        (Content::Photos, Vec::new()),
    ];
    let form = ImportPage { limit: "2 GiB".to_owned(), contents, reviews: true, ..ImportPage::default() };
    let wrong =
        ImportPage { error: Some(("file".to_owned(), "the file is empty".to_owned())), ..form.clone() };
    vec![
        data_body(&DataPage {
            counts: vec![("Encounters".to_owned(), 1500, "/encounters".to_owned())],
            batches: vec![row.clone()],
            n_open_errors: 25,
            left_out: "Of the 1,500 reports 1,262 may be in figures; the others, 238 of species that the area’s list says are not venomous, are in none.".to_owned(),
            progress: "Being computed: step 3 of 9, drawing how people walk.".to_owned(),
            may_see_changes: true,
        }),
        import_body(&form),
        import_body(&wrong),
        batch_body(&BatchPage {
            row: row.clone(),
            files: vec![file],
            errors: vec![sample_error()],
            n_errors: 1,
            brought_in_before: Some("2024-06-01 08:12 UTC".to_owned()),
            n_changed: 2,
            holds: vec![("Encounters".to_owned(), 5)],
            taken_back: None,
            lacking: (12, 1, 3),
            may_undo: true,
        }),
        batch_body(&BatchPage {
            row: BatchRow { undone: true, ..row },
            files: Vec::new(),
            errors: vec![ErrorRow { state: "undone with its batch".to_owned(), ..sample_error() }],
            n_errors: 2000,
            brought_in_before: None,
            n_changed: 0,
            holds: Vec::new(),
            taken_back: Some("A. Warden, 2024-06-02 09:00 UTC: batch 3 undone: the wrong file".to_owned()),
            lacking: (0, 0, 0),
            may_undo: true,
        }),
        rows_body(&RowsPage { rows: vec![sample_error()], n_open: 1 }),
        mend_body(&MendPage {
            row: sample_error(),
            fields: vec![
                MendField {
                    header: "coordinateUncertaintyInMeters".to_owned(),
                    value: "0".to_owned(),
                    is_withheld: false,
                },
                MendField { header: "outcome".to_owned(), value: String::new(), is_withheld: true },
            ],
        }),
    ]
}

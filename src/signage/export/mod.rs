//! A sheet drawn as PDF bytes: a template with its data, or a figure that is SVG already.
//!
//! The same input gives the same bytes: no clock, no fonts of the machine, no files but those handed in.

#[cfg(feature = "print")]
mod world;

/// A template with the files it reads.
#[derive(Debug, Clone)]
pub struct Document {
    /// The template, in the markup of typst.
    pub template: String,
    /// The files it may read, by name.
    pub files: Vec<(String, Vec<u8>)>,
}

/// Why there is no PDF.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ExportError {
    /// The program was built without the feature `print`.
    #[error("this program was built without printing (feature \"print\"): there are no PDF files")]
    NotBuiltIn,
    /// The template does not compile, or what it makes cannot be written.
    #[error("the template cannot be printed: {0}")]
    Template(String),
}

/// Whether this program can print.
pub const CAN_PRINT: bool = cfg!(feature = "print");

const FIGURE: &str = r#"#let data = json("data.json")
#set document(title: data.title)
#set text(font: "Open Sans", lang: "en")
#set page(width: auto, height: auto, margin: 0pt)
#image("figure.svg", alt: data.description, width: data.width * 1pt)
"#;

/// A document as a tagged PDF.
///
/// # Errors
/// [`ExportError`] when printing is not built in, or the template or its data are wrong.
#[cfg(feature = "print")]
pub fn pdf(document: &Document) -> Result<Vec<u8>, ExportError> {
    world::pdf(document)
}

/// A document as a tagged PDF.
///
/// # Errors
/// [`ExportError::NotBuiltIn`], always.
#[cfg(not(feature = "print"))]
pub fn pdf(_document: &Document) -> Result<Vec<u8>, ExportError> {
    Err(ExportError::NotBuiltIn)
}

/// A figure as a PDF of one page of its own size, `width_pt` points wide.
///
/// # Errors
/// [`ExportError`] when printing is not built in or the figure is not SVG.
pub fn figure_pdf(svg: &str, title: &str, description: &str, width_pt: f64) -> Result<Vec<u8>, ExportError> {
    let data = serde_json::json!({ "title": title, "description": description, "width": width_pt });
    pdf(&Document {
        template: FIGURE.to_owned(),
        files: vec![
            ("data.json".to_owned(), data.to_string().into_bytes()),
            ("figure.svg".to_owned(), svg.as_bytes().to_vec()),
        ],
    })
}

//! What a template can see: its own files and the fonts carried inside.

use std::collections::HashMap;
use std::sync::LazyLock;

use typst::Library;
use typst::LibraryExt;
use typst::World;
use typst::diag::FileError;
use typst::diag::FileResult;
use typst::diag::SourceDiagnostic;
use typst::foundations::Bytes;
use typst::foundations::Datetime;
use typst::foundations::Duration;
use typst::syntax::FileId;
use typst::syntax::RootedPath;
use typst::syntax::Source;
use typst::syntax::VirtualPath;
use typst::syntax::VirtualRoot;
use typst::text::Font;
use typst::text::FontBook;
use typst::utils::LazyHash;
use typst_layout::PagedDocument;
use typst_pdf::PdfOptions;

use crate::signage::export::Document;
use crate::signage::export::ExportError;

const FONTS: [&[u8]; 3] = [
    include_bytes!("../../../templates/fonts/OpenSans-Regular.ttf"),
    include_bytes!("../../../templates/fonts/OpenSans-Bold.ttf"),
    include_bytes!("../../../templates/fonts/OpenSans-Italic.ttf"),
];

/// What all documents share.
struct Kit {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
}

static KIT: LazyLock<Kit> = LazyLock::new(|| {
    let fonts: Vec<Font> = FONTS.iter().flat_map(|font| Font::iter(Bytes::new(*font))).collect();
    let book = FontBook::from_fonts(&fonts);
    Kit { library: LazyHash::new(Library::default()), book: LazyHash::new(book), fonts }
});

/// How many documents later what was remembered of one is forgotten.
const REMEMBERED: usize = 8;

/// One document's files.
struct Files {
    main: Source,
    files: HashMap<FileId, Bytes>,
}

pub(super) fn pdf(document: &Document) -> Result<Vec<u8>, ExportError> {
    let main = Source::new(file_id("main.typ")?, document.template.clone());
    let mut files = HashMap::new();
    for (name, bytes) in &document.files {
        files.insert(file_id(name)?, Bytes::new(bytes.clone()));
    }
    let compiled = typst::compile::<PagedDocument>(&Files { main, files }).output;
    let printed = compiled.and_then(|laid_out| typst_pdf::pdf(&laid_out, &PdfOptions::default()));
    typst::comemo::evict(REMEMBERED);
    printed.map_err(|problems| ExportError::Template(words(&problems)))
}

fn words(problems: &[SourceDiagnostic]) -> String {
    problems.iter().map(|problem| problem.message.to_string()).collect::<Vec<_>>().join("; ")
}

fn file_id(name: &str) -> Result<FileId, ExportError> {
    let path = VirtualPath::new(name).map_err(|_| ExportError::Template(format!("no file name: {name}")))?;
    Ok(RootedPath::new(VirtualRoot::Project, path).intern())
}

impl World for Files {
    fn library(&self) -> &LazyHash<Library> {
        &KIT.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &KIT.book
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.main.id() { Ok(self.main.clone()) } else { Err(missing(id)) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.files.get(&id).cloned().ok_or_else(|| missing(id))
    }

    fn font(&self, index: usize) -> Option<Font> {
        KIT.fonts.get(index).cloned()
    }

    fn today(&self, _offset: Option<Duration>) -> Option<Datetime> {
        None
    }
}

fn missing(id: FileId) -> FileError {
    FileError::NotFound(id.get().vpath().get_without_slash().into())
}

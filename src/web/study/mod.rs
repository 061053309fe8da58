//! What the study page, its downloads, the archive and the command line share: figures, methods, archive, check.

pub mod archive;
pub mod check;
mod density_figures;
pub mod figures;
pub mod methods;
mod more_figures;
mod reaction_figures;

use crate::derived::DeriveError;
use crate::derived::study::Layers;
use crate::signage::export::ExportError;

/// Why a study cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum StudyError {
    /// A layer failed.
    #[error(transparent)]
    Derive(#[from] DeriveError),
    /// A figure cannot be printed.
    #[error(transparent)]
    Export(#[from] ExportError),
    /// A table or the archive cannot be written.
    #[error("{0}")]
    Write(String),
    /// The archive cannot be read.
    #[error("this is no study archive: {0}")]
    Read(String),
}

/// The archive of the present revision as bytes.
///
/// # Errors
/// [`StudyError`] when a layer fails or a file cannot be written.
pub fn archive(layers: &Layers) -> Result<Vec<u8>, StudyError> {
    archive::pack(&archive::files(layers)?)
}

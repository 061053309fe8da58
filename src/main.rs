//! The program: see [`coilway::cli`].
fn main() -> anyhow::Result<()> {
    let folder = std::path::PathBuf::from(std::env::args().nth(2).unwrap_or_default());
    let size = match std::env::args().nth(1).unwrap_or_default().as_str() {
        "large" => coilway::cli::generate::Size::Large,
        "medium" => coilway::cli::generate::Size::Medium,
        _ => coilway::cli::generate::Size::Demo,
    };
    coilway::cli::generate::generate(size, 7, &folder)
}

//! Makes an empty database from the migrations, so that the compiler checks every SQL statement against it.

use std::env;
use std::error::Error;
use std::fs;
use std::path::PathBuf;

use sqlx::ConnectOptions;
use sqlx::Connection;
use sqlx::migrate::Migrator;
use sqlx::sqlite::SqliteConnectOptions;

fn main() -> Result<(), Box<dyn Error>> {
    println!("cargo::rerun-if-changed=migrations");
    let folder = PathBuf::from(env::var("CARGO_MANIFEST_DIR")?).join("migrations");
    let database = PathBuf::from(env::var("OUT_DIR")?).join("schema.db");
    if database.exists() {
        fs::remove_file(&database)?;
    }
    tokio::runtime::Builder::new_current_thread().enable_all().build()?.block_on(make(&folder, &database))?;
    println!("cargo::rustc-env=DATABASE_URL=sqlite://{}", database.display());
    Ok(())
}

async fn make(folder: &std::path::Path, database: &std::path::Path) -> Result<(), Box<dyn Error>> {
    let options = SqliteConnectOptions::new().filename(database).create_if_missing(true);
    let mut connection = options.connect().await?;
    Migrator::new(folder).await?.run(&mut connection).await?;
    connection.close().await?;
    Ok(())
}

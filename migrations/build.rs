//! Makes an empty database from the migrations, so that the compiler checks every SQL statement against it.

use std::error::Error;
use std::fs;
use std::path::Path;

use sqlx::ConnectOptions;
use sqlx::Connection;
use sqlx::migrate::Migrator;
use sqlx::sqlite::SqliteConnectOptions;

/// Makes `schema.db` in `out` and tells the compiler where it is.
pub(crate) fn make_database(root: &Path, out: &Path) -> Result<(), Box<dyn Error>> {
    println!("cargo::rerun-if-changed=migrations");
    let database = out.join("schema.db");
    if database.exists() {
        fs::remove_file(&database)?;
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(migrate(&root.join("migrations"), &database))?;
    println!("cargo::rustc-env=DATABASE_URL=sqlite://{}", database.display());
    Ok(())
}

async fn migrate(migrations: &Path, database: &Path) -> Result<(), Box<dyn Error>> {
    let options = SqliteConnectOptions::new().filename(database).create_if_missing(true);
    let mut connection = options.connect().await?;
    Migrator::new(migrations).await?.run(&mut connection).await?;
    connection.close().await?;
    Ok(())
}

//! The commands.

mod bench;
mod data;
mod demo;
mod effect;
mod figures;
pub mod generate;
mod keep;
mod outlook;
mod serve;
mod study;
mod table;
mod user;

use std::net::IpAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::PoisonError;
use std::time::Duration;

use anyhow::Context;
use clap::Parser;
use clap::Subcommand;

use crate::app::App;
use crate::app::Clock;
use crate::config::Config;
use crate::config::Front;
use crate::config::PublicAddress;
use crate::store::Store;

/// Turns GPS-tagged meetings between people and venomous snakes into trail risk maps and sign plans.
#[derive(Debug, Parser)]
#[command(name = "coilway", version)]
struct Arguments {
    /// How log lines are written to standard error.
    #[arg(long, global = true, value_enum, default_value_t, env = "COILWAY_LOG_FORMAT")]
    log_format: LogFormat,
    #[command(subcommand)]
    command: Command,
}

/// How log lines are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
enum LogFormat {
    /// For people.
    #[default]
    Text,
    /// One JSON object a line, for collectors of logs.
    Json,
}

impl LogFormat {
    /// Sends log lines to standard error; which ones, `RUST_LOG` says.
    fn start(self) {
        let filter = tracing_subscriber::EnvFilter::try_from_default_env()
            .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info,sqlx=warn"));
        let lines = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
        match self {
            Self::Text => lines.init(),
            Self::Json => lines.json().flatten_event(true).init(),
        }
    }
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Fill a database with the invented park and serve it.
    Demo {
        /// The database file; made if it is not there.
        #[arg(long, default_value = "coilway-demo.db")]
        database: PathBuf,
        #[command(flatten)]
        listen: Listen,
        /// Only fill the database.
        #[arg(long)]
        no_serve: bool,
    },
    /// Serve a database.
    Serve {
        #[command(flatten)]
        database: DatabaseFile,
        #[command(flatten)]
        listen: Listen,
    },
    /// Create the area, or change it.
    Area(data::AreaArguments),
    /// Change a setting of the area.
    Set {
        #[command(flatten)]
        database: DatabaseFile,
        /// The setting, as the about page lists it; all are listed when left out.
        key: Option<String>,
        /// Its value.
        #[arg(allow_hyphen_values = true)]
        value: Option<String>,
    },
    /// Bring in files.
    Import(data::ImportArguments),
    /// List, mend or set aside rows that did not go in.
    Rows(data::RowsArguments),
    /// List the batches.
    Batches {
        #[command(flatten)]
        database: DatabaseFile,
    },
    /// Take back a whole batch.
    Undo {
        #[command(flatten)]
        database: DatabaseFile,
        /// The batch's number.
        batch: i64,
        /// Who takes it back.
        #[arg(long, default_value = "command line")]
        actor: String,
    },
    /// Print encounter rates with intervals and counts as CSV.
    Rates(figures::RatesArguments),
    /// Print clusters of reports, given the walking, as CSV.
    Clusters(figures::ClustersArguments),
    /// Print a sign plan with reasons as CSV.
    Plan(figures::PlanArguments),
    /// Print what signs in place did to survey encounters as CSV.
    Effect(effect::EffectArguments),
    /// Print what to expect on a walk, or on every trail, as CSV.
    Forecast(outlook::ForecastArguments),
    /// Print this season week by week against what former years lead to expect, as CSV.
    Watch(outlook::WatchArguments),
    /// Write every table and figure of a study into one archive, or check one.
    Study(study::StudyArguments),
    /// Write the one-page fact sheet about reactions as PDF.
    FactSheet(study::FactSheetArguments),
    /// Write a backup; a server may be at work meanwhile.
    Backup {
        #[command(flatten)]
        database: DatabaseFile,
        /// The file to write.
        out: PathBuf,
    },
    /// Put a backup in the place of a database that nobody serves; what was there is kept beside it.
    Restore {
        #[command(flatten)]
        database: DatabaseFile,
        /// The backup.
        from: PathBuf,
    },
    /// Check that a database or a backup is whole.
    Check {
        #[command(flatten)]
        database: DatabaseFile,
    },
    /// Apply the rule for personal data: empty names and remarks that have been kept long enough.
    Retention {
        #[command(flatten)]
        database: DatabaseFile,
        /// Only say what it would do.
        #[arg(long)]
        dry_run: bool,
    },
    /// Make accounts and one-time links, list accounts, disable them.
    User(user::UserArguments),
    /// Print the register of decisions, and the stretches that wait for one.
    Decisions(figures::DecisionArguments),
    /// Make an invented park as files.
    Generate {
        /// How much.
        #[arg(long, value_enum, default_value = "demo")]
        size: generate::Size,
        /// The same size and seed give the same bytes.
        #[arg(long, default_value_t = 7)]
        seed: u64,
        /// The folder; made if it is not there.
        #[arg(long)]
        out: PathBuf,
    },
    /// Time the main work at one size and print JSON lines.
    Bench(bench::BenchArguments),
}

/// How long the program waits at its end for computations under way.
const LONGEST_END: Duration = Duration::from_secs(2);

/// The database file.
#[derive(Debug, clap::Args)]
struct DatabaseFile {
    /// The database file; made if it is not there.
    #[arg(long, env = "COILWAY_DATABASE")]
    database: PathBuf,
}

/// Where to listen.
#[derive(Debug, clap::Args)]
struct Listen {
    /// The port; 0 takes any free one.
    #[arg(long, default_value_t = Config::PORT)]
    port: u16,
    /// The address: a loopback address, or any once there are accounts.
    #[arg(long)]
    host: Option<IpAddr>,
    /// A proxy in front speaks TLS with readers and passes on their address in X-Forwarded-For.
    #[arg(long)]
    behind_tls: bool,
    /// Under which address readers know the server, scheme and host: for links, and to answer under no
    /// other.
    #[arg(long)]
    address: Option<PublicAddress>,
    /// A folder with texts for visitors in place of those that come with the program, laid out as templates/ is:
    /// cautions/en.toml, wording/en.toml, notices/en.toml, fact-sheet/en.toml and the same in es.
    #[arg(long, env = "COILWAY_TEXTS")]
    texts: Option<PathBuf>,
}

impl Listen {
    fn config(&self, database: PathBuf) -> Config {
        let front = if self.behind_tls { Front::Tls } else { Front::None };
        let new = Config::new(database, self.host, self.port);
        Config { front, address: self.address.clone(), texts: self.texts.clone(), ..new }
    }
}

/// Runs the command that the program's arguments name.
pub fn run() -> ExitCode {
    let arguments = Arguments::parse();
    arguments.log_format.start();
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            eprintln!("coilway: cannot start: {error}");
            return ExitCode::FAILURE;
        }
    };
    let done = runtime.block_on(async {
        let done = dispatch(arguments.command).await;
        close_all().await;
        done
    });
    // A computation nobody waits for any more must not hold up the end.
    runtime.shutdown_timeout(LONGEST_END);
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("coilway: {error:#}");
            ExitCode::FAILURE
        }
    }
}

async fn dispatch(command: Command) -> anyhow::Result<()> {
    match command {
        Command::Demo { database, listen, no_serve } => demo::run(database, &listen, no_serve).await,
        Command::Serve { database, listen } => serve::run(database.database, &listen).await,
        Command::Area(arguments) => data::area(arguments).await,
        Command::Set { database, key, value } => data::set(&database, key, value).await,
        Command::Import(arguments) => data::import(arguments).await,
        Command::Rows(arguments) => data::rows(arguments).await,
        Command::Batches { database } => data::batches(&database).await,
        Command::Undo { database, batch, actor } => data::undo(&database, batch, &actor).await,
        Command::Rates(arguments) => figures::rates(arguments).await,
        Command::Clusters(arguments) => figures::clusters(arguments).await,
        Command::Plan(arguments) => figures::plan(arguments).await,
        Command::Effect(arguments) => effect::effect(arguments).await,
        Command::Forecast(arguments) => outlook::forecast(arguments).await,
        Command::Watch(arguments) => outlook::watch(arguments).await,
        Command::Study(arguments) => study::study(arguments).await,
        Command::FactSheet(arguments) => study::sheet(arguments).await,
        Command::Backup { database, out } => keep::backup(database.database, out).await,
        Command::Restore { database, from } => keep::restore(database.database, from).await,
        Command::Check { database } => keep::check(database.database).await,
        Command::Retention { database, dry_run } => keep::retention(database.database, dry_run).await,
        Command::User(arguments) => user::run(arguments).await,
        Command::Decisions(arguments) => figures::decisions(arguments).await,
        Command::Generate { size, seed, out } => {
            std::fs::create_dir_all(&out)
                .with_context(|| format!("cannot make the folder {}", out.display()))?;
            generate::generate(size, seed, &out)
        }
        Command::Bench(arguments) => bench::run(arguments).await,
    }
}

/// What commands have opened: closed before the program ends, whatever became of the command, so that everything
/// acknowledged stands in the one file that people copy, and nothing in a log beside it.
static OPENED: Mutex<Vec<Store>> = Mutex::new(Vec::new());

/// Opens a database for a command that does not serve.
async fn open(database: PathBuf) -> anyhow::Result<App> {
    let app = App::open(Config::new(database, None, 0), Clock::System).await?;
    OPENED.lock().unwrap_or_else(PoisonError::into_inner).push(app.store().clone());
    Ok(app)
}

async fn close_all() {
    let opened = std::mem::take(&mut *OPENED.lock().unwrap_or_else(PoisonError::into_inner));
    for store in opened {
        store.close().await;
    }
}

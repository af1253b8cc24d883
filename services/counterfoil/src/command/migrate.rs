//! `migrate`.

use clap::Args;
use store::Store;

use crate::cli::Global;
use crate::embedded::Database;
use crate::exit::{Exit, Stop};
use crate::out::Out;

/// For whom.
#[derive(Args)]
pub(crate) struct MigrateArgs {
    /// Let this login of the PostgreSQL server serve the database: it may add to the log and read it, and
    /// nothing else, and can become nobody who may
    #[arg(long, value_name = "LOGIN")]
    serving: Option<String>,
}

/// Brings the tables to what this program knows.
pub(crate) async fn run(
    global: &Global,
    args: &MigrateArgs,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    if global.server.is_some() {
        return Err(Stop::usage("a database is migrated where it is: leave --server out"));
    }
    let url = match Database::parse(&global.database)? {
        Database::Sqlite(path) if args.serving.is_some() => {
            return Err(Stop::usage(format!(
                "--serving: {} is a file, which is served by whoever may open it",
                path.display()
            )));
        }
        Database::Sqlite(path) => format!("sqlite:{}", path.display()),
        Database::Postgres(url) => url,
    };
    Store::migrate(&url, args.serving.as_deref()).await?;
    out.line("The tables are those of this program.")?;
    if let Some(login) = &args.serving {
        out.line(format!("{login} may serve them, and change nothing that is recorded."))?;
    }
    Ok(Exit::Done)
}

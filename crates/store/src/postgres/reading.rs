//! A database that is only read: the source of a move, and a read replica.
//!
//! Its connections work as `counterfoil_reader`, which may read and nothing else, in transactions that
//! are read-only besides. Nothing is migrated.

use std::str::FromStr as _;
use std::time::Duration;

use domain::ids::FirmId;
use log::StoreError;
use proof::Hash;
use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions as _, Connection as _, Row as _};
use tokio::sync::Mutex;

use super::connect::{
    READERS_PER_CORE, STATEMENT_TIMEOUT, is_up_to_date, named, place, pool, prepare_reader,
    unreachable_server, working_as,
};
use super::error::failed;
use super::statements::STANDING;
use super::together::{Grown, Leases};
use super::{Postgres, malformed, unsigned};
use crate::engine::{RowsRead, Standing};
use crate::error::OpenError;

const READER: &str = "counterfoil_reader";
/// How long a reader waits for a connection: there is another place to ask.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(2);

impl Postgres {
    /// A database to read, which has to be there with the tables that this program knows.
    pub(crate) async fn connect_to_read(url: &str) -> Result<Self, OpenError> {
        let store = Self::to_read(url)?;
        let options = parsed(url)?;
        let unreachable = |source| unreachable_server(&store.place, source);
        let mut connection = options.connect().await.map_err(unreachable)?;
        let ready = is_up_to_date(&mut connection).await.map_err(unreachable)?;
        if let Err(error) = connection.close().await {
            tracing::warn!(%error, "a connection did not close cleanly");
        }
        if ready { Ok(store) } else { Err(OpenError::OtherTables { place: store.place.clone() }) }
    }

    /// The same without looking whether anybody answers.
    pub(crate) fn to_read(url: &str) -> Result<Self, OpenError> {
        let options = parsed(url)?;
        let place = place(&options);
        let options = working_as(READER, &options, STATEMENT_TIMEOUT)
            .options([("default_transaction_read_only", "on")]);
        let readers = pool(READERS_PER_CORE)
            .acquire_timeout(ACQUIRE_TIMEOUT)
            .after_connect(|connection, _| Box::pin(prepare_reader(connection)));
        let readers = readers.connect_lazy_with(options);
        // What would write fails as reading with it would: by its role.
        let (log, projection, aside) = (readers.clone(), readers.clone(), readers.clone());
        let grown = Grown::over(aside.clone());
        let leading = Mutex::new(Leases::over(aside.clone()));
        let rows_read = RowsRead::default();
        Ok(Self {
            place,
            only_read: true,
            readers,
            rows_read,
            log,
            projection,
            aside,
            grown,
            leading,
        })
    }
}

/// Where it stands with a firm's log.
pub(super) async fn standing(postgres: &Postgres, firm: FirmId) -> Result<Standing, StoreError> {
    let mut reader = postgres.reader(firm).await?;
    let query = sqlx::query(STANDING).bind(firm.0);
    let row = query.fetch_one(&mut *reader).await.map_err(failed)?;
    let leaf: Option<&[u8]> = row.try_get(2).map_err(failed)?;
    let leaf: Option<Result<[u8; 32], _>> = leaf.map(TryInto::try_into);
    let leaf = leaf.transpose().map_err(|_| malformed("a leaf hash"))?;
    Ok(Standing {
        follows: row.try_get(0).map_err(failed)?,
        position: unsigned(row.try_get(1).map_err(failed)?)?,
        leaf: leaf.map(Hash::from),
    })
}

fn parsed(url: &str) -> Result<PgConnectOptions, OpenError> {
    let options = PgConnectOptions::from_str(url)
        .map_err(|source| OpenError::Url { source: Box::new(source) })?;
    Ok(named(options))
}

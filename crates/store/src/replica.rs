//! A read replica: a streaming standby of the database that the service writes to.

use domain::ids::FirmId;
use log::StoreError;

use crate::postgres::Postgres;
pub use crate::postgres::Standing;
use crate::store::{Behind, OpenError, POSTGRES_SCHEMES, SQLITE_SCHEME, Store};

/// A database that is read instead of the one that is written to.
///
/// It is behind by as much as the replication is, and whether it still follows, and the same log, has
/// to be asked ([`Replica::standing`]): a standby that was promoted goes on answering, from a history
/// of its own.
#[derive(Debug)]
pub struct Replica {
    store: Store,
    place: String,
}

impl Replica {
    /// The replica of that name. Nobody is connected to yet: it may come later, and come back.
    pub fn at(url: &str) -> Result<Self, OpenError> {
        if url.starts_with(SQLITE_SCHEME) {
            return Err(OpenError::NoReplica);
        }
        if !POSTGRES_SCHEMES.iter().any(|scheme| url.starts_with(scheme)) {
            return Err(OpenError::Scheme);
        }
        let postgres = Postgres::to_read(url)?;
        let place = postgres.place().to_owned();
        Ok(Self { store: Store::over(Behind::Postgres(postgres)), place })
    }

    /// Its log and read models.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Where it is, without a password.
    pub fn place(&self) -> &str {
        &self.place
    }

    /// Where it stands with a firm's log.
    pub async fn standing(&self, firm: FirmId) -> Result<Standing, StoreError> {
        match &self.store.engine {
            Behind::Postgres(postgres) => postgres.standing(firm).await,
            Behind::Sqlite(_) => Err(StoreError::internal("a file has no replica")),
        }
    }
}

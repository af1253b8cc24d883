//! A read replica: a streaming standby of the database that the service writes to.

use domain::ids::FirmId;
use log::StoreError;

use crate::engine::Standing;
use crate::error::OpenError;
use crate::open::{Named, named};
use crate::postgres::Postgres;
use crate::store::Store;

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
        let Named::Postgres(url) = named(url)? else { return Err(OpenError::NoReplica) };
        let postgres = Postgres::to_read(url)?;
        let place = postgres.place().to_owned();
        Ok(Self { store: Store::over(postgres), place })
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
        self.store.engine.standing(firm).await
    }
}

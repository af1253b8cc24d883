//! How busy the connections are, for whoever exports metrics.

/// The engine behind a store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EngineKind {
    /// A file.
    Sqlite,
    /// A database of a server.
    Postgres,
}

impl EngineKind {
    /// The stable word.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Sqlite => "sqlite",
            Self::Postgres => "postgresql",
        }
    }
}

/// Connections that one kind of work shares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pool {
    /// Which work: `log`, `projection`, `readers`, `aside`.
    pub name: &'static str,
    /// Connections that somebody holds now.
    pub in_use: u64,
    /// Most there may be.
    pub most: u64,
}

impl Pool {
    /// A pool of sqlx's as it is now.
    pub(crate) fn of<DB: sqlx::Database>(name: &'static str, pool: &sqlx::Pool<DB>) -> Self {
        let idle = u64::try_from(pool.num_idle()).unwrap_or(u64::MAX);
        Self {
            name,
            in_use: u64::from(pool.size()).saturating_sub(idle),
            most: u64::from(pool.options().get_max_connections()),
        }
    }
}

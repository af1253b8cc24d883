//! How busy the connections are.

use super::Postgres;
use crate::pools::Pool;

impl Postgres {
    pub(crate) fn pools(&self) -> Vec<Pool> {
        vec![
            Pool::of("log", &self.log),
            Pool::of("projection", &self.projection),
            Pool::of("readers", &self.readers),
            Pool::of("aside", &self.aside),
        ]
    }
}

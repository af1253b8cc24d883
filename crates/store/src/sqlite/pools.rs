//! How busy the connections are.

use super::Sqlite;
use crate::pools::Pool;

impl Sqlite {
    pub(crate) fn pools(&self) -> Vec<Pool> {
        vec![Pool::of("readers", &self.readers)]
    }
}

//! How long a campaign goes on: as long as `./ops/test` has time for, or whole with `ops/soak`.

use std::str::FromStr;

/// The number that a variable of the environment gives, if there is one: `COUNTERFOIL_SEEDS=10000`.
///
/// # Panics
/// If it is no number: a campaign that was asked for is never cut to the usual in silence.
pub fn from_environment<N: FromStr>(name: &str) -> Option<N> {
    let value = std::env::var(name).ok()?;
    Some(value.parse().unwrap_or_else(|_| panic!("{name} must be a number")))
}

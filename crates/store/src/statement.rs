//! SQL text: made once, from constants and the tables' own lists of columns, never from values.

use std::sync::LazyLock;

/// A statement of the read side.
pub(crate) type Statement = LazyLock<String>;

/// Rows of the firm `$1` in its active generation: the condition every query begins with. It is
/// part of the statement, so that a switch of generations never shows halves of two.
pub(crate) fn active(alias: &str) -> String {
    format!(
        "{alias}.firm = $1 AND {alias}.generation = \
         (SELECT p.generation FROM projection p WHERE p.firm = $1 AND p.active)"
    )
}

/// Rows of the firm and generation of another row.
pub(crate) fn beside(alias: &str, other: &str) -> String {
    format!("{alias}.firm = {other}.firm AND {alias}.generation = {other}.generation")
}

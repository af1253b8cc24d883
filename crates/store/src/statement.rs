//! SQL text: made once, from constants and the tables' own lists of columns, never from values.

use std::sync::LazyLock;

use crate::value::Value;

/// A statement of the read side.
pub(crate) type Statement = LazyLock<String>;

/// The statements of a module, and the list of them by which a test prepares them all.
macro_rules! statements {
    ($($NAME:ident = $text:expr;)*) => {
        $(static $NAME: $crate::statement::Statement =
            ::std::sync::LazyLock::new(|| $text.to_owned());)*
        #[cfg(test)]
        pub(crate) static STATEMENTS: &[&$crate::statement::Statement] = &[$(&$NAME),*];
    };
}
pub(crate) use statements;

/// Rows of the firm `$1` in its active generation: the condition every query begins with. It is
/// part of the statement, so that a switch of generations never shows halves of two.
pub(crate) fn active(alias: &str) -> String {
    format!(
        "{alias}.firm = $1 AND {alias}.generation = \
         (SELECT p.generation FROM projection p WHERE p.firm = $1 AND p.active)"
    )
}

/// The position that the rows of the firm `$1` are at, as the last column beside each of them: it is read in the statement
/// that reads the rows.
pub(crate) const POSITION: &str =
    "(SELECT p.position FROM projection p WHERE p.firm = $1 AND p.active)";

/// Rows of the firm and generation of another row.
pub(crate) fn beside(alias: &str, other: &str) -> String {
    format!("{alias}.firm = {other}.firm AND {alias}.generation = {other}.generation")
}

/// Whether a column is one of some words, or none are named: both engines know this of a text, and of a list
/// each in its own way. No word holds a space.
pub(crate) fn listed(column: &str, words: &str) -> String {
    format!("({words} = '' OR REPLACE({words}, ' ' || {column} || ' ', '') <> {words})")
}

/// The words as one parameter.
pub(crate) fn listed_values(words: &[&str]) -> Value {
    let apart: Vec<String> = words.iter().map(|word| format!(" {word} ")).collect();
    Value::Text(apart.concat())
}

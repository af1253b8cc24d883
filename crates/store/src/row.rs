//! Rows of the read model: how a struct names its table and columns, and how two sets of rows differ.

use std::cmp::Ordering;
use std::collections::HashMap;

use domain::ids::{AccountId, CaseId, RequestId};
use proof::Hash;
use uuid::Uuid;

use crate::value::{Kind, Malformed, Value};

/// Values of one row, in the order they were selected.
pub(crate) type Values<'a> = &'a mut dyn Iterator<Item = Value>;

/// Something that a query selects.
pub(crate) trait Selected: Sized {
    /// The kinds of its columns, in order.
    fn kinds(out: &mut Vec<Kind>);
    /// Reads its columns, in order.
    fn take(values: Values<'_>) -> Result<Self, Malformed>;
}

impl<A: Selected, B: Selected> Selected for (A, B) {
    fn kinds(out: &mut Vec<Kind>) {
        A::kinds(out);
        B::kinds(out);
    }
    fn take(values: Values<'_>) -> Result<Self, Malformed> {
        Ok((A::take(values)?, B::take(values)?))
    }
}

/// Columns that are selected by themselves.
macro_rules! alone {
    ($($Type:ty),*) => {$(
        impl Selected for $Type {
            fn kinds(out: &mut Vec<Kind>) {
                out.push(<Self as crate::value::Column>::KIND);
            }
            fn take(values: Values<'_>) -> Result<Self, Malformed> {
                next(values)
            }
        }
    )*};
}

alone!(u64, Uuid, CaseId, RequestId, Option<AccountId>, Hash, Vec<u8>);

/// The next column.
pub(crate) fn next<T: crate::value::Column>(values: Values<'_>) -> Result<T, Malformed> {
    T::take(values.next().ok_or(Malformed { wanted: "there" })?)
}

/// Rows that one statement read, and where they are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RowsAt<R> {
    /// The rows.
    pub rows: Vec<R>,
    /// The position of the log that they are at: a stream that is folded up to there is what its rows say, neither earlier nor
    /// later. Where there is no row, nothing says it.
    pub position: Option<u64>,
}

impl<R> RowsAt<R> {
    /// No rows.
    pub(crate) const fn none() -> Self {
        Self { rows: Vec::new(), position: None }
    }
}

/// A table of the read model. `firm` and `generation` come before the key of every one.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Table {
    /// Its name.
    pub(crate) name: &'static str,
    /// The key after firm and generation. The first is the stream the row is made from, so that a
    /// generation can be dropped stream by stream.
    pub(crate) keys: &'static [&'static str],
    /// The other columns.
    pub(crate) values: &'static [&'static str],
    /// What the columns hold, key first.
    pub(crate) kinds: &'static [Kind],
}

impl Table {
    /// All columns, key first.
    pub(crate) fn columns(&self) -> impl Iterator<Item = &'static str> {
        self.keys.iter().chain(self.values).copied()
    }

    /// All columns, qualified, as a SELECT lists them.
    pub(crate) fn selected(&self, alias: &str) -> String {
        let columns: Vec<String> =
            self.columns().map(|column| format!("{alias}.{column}")).collect();
        columns.join(", ")
    }
}

impl Table {
    /// Counts the rows of generation `$2` of the firm `$1` that generation `$3` does not have alike, and
    /// those that it has beyond them.
    pub(crate) fn compared(&self) -> String {
        let Self { name, keys, values, kinds: _ } = self;
        let of = |alias: &str, at: u8| format!("{alias}.firm = $1 AND {alias}.generation = ${at}");
        let one = |columns: &[&str], is: &str| {
            let each = columns.iter().map(|column| format!(" AND b.{column} {is} a.{column}"));
            each.collect::<Vec<_>>().concat()
        };
        let (same_key, same_values) = (one(keys, "="), one(values, "IS NOT DISTINCT FROM"));
        format!(
            "SELECT (SELECT COUNT(*) FROM {name} a WHERE {} AND NOT EXISTS \
             (SELECT 1 FROM {name} b WHERE {}{same_key}{same_values})) \
             + (SELECT COUNT(*) FROM {name} a WHERE {} AND NOT EXISTS \
             (SELECT 1 FROM {name} b WHERE {}{same_key}))",
            of("a", 2),
            of("b", 3),
            of("a", 3),
            of("b", 2)
        )
    }
}

/// A row of a table.
pub(crate) trait Row: PartialEq {
    /// Its table.
    const TABLE: &'static Table;
    /// Adds its key.
    fn put_key(&self, out: &mut Vec<Value>);
    /// Adds its other columns.
    fn put_values(&self, out: &mut Vec<Value>);
    /// Which of two comes first, by key.
    fn compare_key(&self, other: &Self) -> Ordering;
}

/// Declares what a query selects: a struct whose fields are its columns.
macro_rules! selected {
    ($(#[$meta:meta])* pub struct $Name:ident { $($(#[$fmeta:meta])* $field:ident : $ty:ty),* $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Debug, PartialEq, Eq)]
        pub struct $Name { $($(#[$fmeta])* pub $field: $ty),* }

        impl $crate::row::Selected for $Name {
            fn kinds(out: &mut Vec<$crate::value::Kind>) {
                out.extend([$(<$ty as $crate::value::Column>::KIND),*]);
            }
            fn take(values: $crate::row::Values<'_>) -> Result<Self, $crate::value::Malformed> {
                Ok(Self { $($field: $crate::row::next(values)?),* })
            }
        }
    };
}

/// Declares a row and its table together.
macro_rules! row {
    (
        $(#[$meta:meta])* pub struct $Name:ident in $table:literal
        key { $($(#[$kmeta:meta])* $key:ident : $kty:ty),* $(,)? }
        values { $($(#[$vmeta:meta])* $value:ident : $vty:ty),* $(,)? }
    ) => {
        $crate::row::selected! {
            $(#[$meta])*
            pub struct $Name { $($(#[$kmeta])* $key: $kty,)* $($(#[$vmeta])* $value: $vty),* }
        }

        impl $crate::row::Row for $Name {
            const TABLE: &'static $crate::row::Table = &$crate::row::Table {
                name: $table,
                keys: &[$(stringify!($key)),*],
                values: &[$(stringify!($value)),*],
                kinds: &[
                    $(<$kty as $crate::value::Column>::KIND,)*
                    $(<$vty as $crate::value::Column>::KIND,)*
                ],
            };
            fn put_key(&self, out: &mut Vec<$crate::value::Value>) {
                let _ = &out; // a table of one row per firm has no key of its own
                $(out.push($crate::value::Column::put(&self.$key));)*
            }
            fn put_values(&self, out: &mut Vec<$crate::value::Value>) {
                let _ = &out; // nor has every table another column
                $(out.push($crate::value::Column::put(&self.$value));)*
            }
            fn compare_key(&self, other: &Self) -> std::cmp::Ordering {
                let _ = other;
                std::cmp::Ordering::Equal$(.then_with(|| self.$key.cmp(&other.$key)))*
            }
        }
    };
}

pub(crate) use {row, selected};

/// What changes in one table.
#[derive(Debug, Default)]
pub(crate) struct Changed {
    /// Whole rows to write, one after the other.
    pub(crate) upserts: Vec<Value>,
    /// Keys of rows that are gone, one after the other.
    pub(crate) deletes: Vec<Value>,
}

/// What changes, table by table.
#[derive(Debug, Default)]
pub(crate) struct Changes {
    by_table: HashMap<&'static str, Changed>,
}

impl Changes {
    /// Takes what changed in a table.
    pub(crate) fn remove(&mut self, table: &Table) -> Option<Changed> {
        self.by_table.remove(table.name)
    }

    /// Adds the difference between the rows of one stream before and after: rows that differ are
    /// written, rows that are gone are deleted, the others are left alone.
    pub(crate) fn compare<R: Row>(&mut self, mut before: Vec<R>, mut after: Vec<R>) {
        if before == after {
            return;
        }
        before.sort_by(Row::compare_key);
        after.sort_by(Row::compare_key);
        let changed = self.by_table.entry(R::TABLE.name).or_default();
        let mut old = before.iter().peekable();
        for row in &after {
            while let Some(gone) = old.next_if(|old| old.compare_key(row) == Ordering::Less) {
                gone.put_key(&mut changed.deletes);
            }
            let known = old.next_if(|old| old.compare_key(row) == Ordering::Equal);
            if known != Some(row) {
                row.put_key(&mut changed.upserts);
                row.put_values(&mut changed.upserts);
            }
        }
        for gone in old {
            gone.put_key(&mut changed.deletes);
        }
    }
}

#[cfg(test)]
#[allow(unreachable_pub, reason = "the macro declares public rows")]
mod tests {
    use super::*;

    row! {
        /// A row.
        pub struct Sample in "sample"
        key {
            /// Key.
            at: u32,
        }
        values {
            /// Value.
            word: String,
        }
    }

    fn rows(rows: &[(u32, &str)]) -> Vec<Sample> {
        rows.iter().map(|(at, word)| Sample { at: *at, word: (*word).into() }).collect()
    }

    fn difference(before: &[(u32, &str)], after: &[(u32, &str)]) -> (Vec<Value>, Vec<Value>) {
        let mut changes = Changes::default();
        changes.compare(rows(before), rows(after));
        let changed = changes.remove(Sample::TABLE).unwrap_or_default();
        (changed.upserts, changed.deletes)
    }

    #[test]
    fn only_what_differs_is_written() {
        let number = Value::Integer;
        let word = |word: &str| Value::Text(word.into());
        let (upserts, deletes) =
            difference(&[(1, "a"), (2, "b"), (4, "d")], &[(5, "e"), (4, "D"), (1, "a")]);
        assert_eq!(upserts, [number(4), word("D"), number(5), word("e")]);
        assert_eq!(deletes, [number(2)]);
        assert_eq!(difference(&[(1, "a")], &[(1, "a")]), (vec![], vec![]));
        assert_eq!(difference(&[(1, "a")], &[]), (vec![], vec![number(1)]));
    }
}

//! SQL of this engine alone, and statements of several rows made once for each number of rows.

use std::collections::HashMap;
use std::sync::LazyLock;

use crate::read::TABLES;
use crate::row::Table;

/// Rows that one statement has room for. Few sizes, so that each is prepared once.
const SIZES: [usize; 9] = [1, 2, 4, 8, 16, 32, 64, 128, 256];
/// Most rows of one statement.
pub(super) const ROWS_MAX: usize = SIZES[SIZES.len() - 1];

pub(super) const BEGIN: &str = "BEGIN IMMEDIATE";
pub(super) const COMMIT: &str = "COMMIT";
pub(super) const ROLLBACK: &str = "ROLLBACK";

/// Takes the write lock, and reads the head, the last event and what is known of requests, in one round trip.
pub(super) const OPENING: &str = "BEGIN IMMEDIATE; SELECT h.position, h.invoices, h.recorded_at, h.frontier, \
    h.root, e.position, e.body, r.request_id, r.fingerprint, r.checked, r.first_position, r.events, r.answer \
    FROM (SELECT 1) LEFT JOIN log_head h ON h.firm = $1 LEFT JOIN event e ON e.firm = $1 \
    AND e.position = (SELECT MAX(l.position) FROM event l WHERE l.firm = $1) \
    LEFT JOIN request r ON r.firm = $1 AND r.request_id IN (SELECT unhex(j.value) FROM json_each($2) j)";
/// What others wrote between a position that a writer knew and the head.
pub(super) const SINCE: &str = "SELECT position, body FROM event \
    WHERE firm = $1 AND position > $2 AND position <= $3 ORDER BY position";
pub(super) const MOVED: &str = "SELECT stream FROM stream WHERE firm = $1 AND last_position > $2";
pub(super) const SET_HEAD: &str = "INSERT INTO log_head (firm, position, invoices, recorded_at, frontier, root) \
    VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (firm) DO UPDATE SET position = excluded.position, \
    invoices = excluded.invoices, recorded_at = excluded.recorded_at, frontier = excluded.frontier, root = excluded.root";
/// The head and the last event, as of one moment.
pub(super) const HEAD: &str = "SELECT h.position, h.invoices, h.recorded_at, h.frontier, h.root, \
    e.position, e.body \
    FROM (SELECT 1) LEFT JOIN log_head h ON h.firm = $1 LEFT JOIN event e ON e.firm = $1 \
    AND e.position = (SELECT MAX(l.position) FROM event l WHERE l.firm = $1)";
/// Many events in one row: a row costs the driver several microseconds, a byte next to nothing.
pub(super) const READ: &str = "SELECT group_concat(position, ' '), group_concat(octet_length(body), ' '), \
    CAST(group_concat(body, '') AS BLOB) FROM (SELECT position, body FROM event \
    WHERE firm = $1 AND position > $2 ORDER BY position LIMIT $3)";
pub(super) const LEAVES: &str = "SELECT group_concat(position, ' '), group_concat(octet_length(leaf), ' '), \
    CAST(group_concat(leaf, '') AS BLOB) FROM (SELECT position, leaf FROM event \
    WHERE firm = $1 AND position > $2 ORDER BY position LIMIT $3)";
/// The leaf hash, and behind it in one line everything else that is kept beside an event.
pub(super) const BESIDE: &str = "SELECT group_concat(position, ' '), group_concat(octet_length(line), ' '), \
    CAST(group_concat(line, '') AS BLOB) FROM (SELECT position, leaf || previous || ' ' || type \
    || ' ' || occurred_on AS line FROM event \
    WHERE firm = $1 AND position > $2 ORDER BY position LIMIT $3)";
pub(super) const REMEMBERED: &str = "SELECT request_id, fingerprint, checked, first_position, events, answer \
    FROM request WHERE firm = $1 AND request_id IN (SELECT unhex(j.value) FROM json_each($2) j)";
/// What refuses changes, with its text.
pub(super) const GUARDS: &str =
    "SELECT tbl_name || '.' || name, sql FROM sqlite_schema WHERE type = 'trigger' ORDER BY 1";
/// Those with a head and those with events: one without the other has to be found, not overlooked.
pub(super) const FIRMS: &str = "WITH RECURSIVE logged (firm) AS (SELECT MIN(firm) FROM event UNION ALL \
    SELECT (SELECT MIN(e.firm) FROM event e WHERE e.firm > l.firm) FROM logged l WHERE l.firm IS NOT NULL) \
    SELECT firm FROM logged WHERE firm IS NOT NULL UNION SELECT firm FROM log_head ORDER BY firm";
/// Each stream named with its person: where to start folding it, and the person's key.
pub(super) const SNAPSHOTS: &str = "SELECT j.key, s.version, s.body, p.wrapped_key, s.position \
    FROM json_each($2) j \
    LEFT JOIN snapshot s ON s.firm = $1 AND s.stream = json_extract(j.value, '$[0]') \
    AND s.state_version = $3 AND s.position <= $4 \
    LEFT JOIN person p ON p.firm = $1 AND p.person = unhex(json_extract(j.value, '$[1]'))";
pub(super) const PEOPLE: &str = "SELECT person, wrapped_key, phone_key, address_key, card_key, word_keys, \
    complete FROM person \
    WHERE firm = $1 AND person IN (SELECT unhex(j.value) FROM json_each($2) j)";
pub(super) const BY_WORDS: &str = "SELECT person FROM person_word \
    WHERE firm = $1 AND word_key IN (SELECT unhex(j.value) FROM json_each($2) j) \
    GROUP BY person HAVING COUNT(*) = $3 ORDER BY person LIMIT $4";
pub(super) const INCOMPLETE: &str = "SELECT person, wrapped_key, phone_key, address_key, card_key, \
    word_keys, complete FROM person WHERE firm = $1 AND complete = 0 ORDER BY person LIMIT $2";
/// Words that one of both has and the other has not.
pub(super) const MISFILED: &str = "WITH said AS (SELECT p.person, substr(p.word_keys, 1 + 32 * j.value, 32) AS word \
    FROM person p JOIN json_each('[0,1,2,3,4,5,6,7,8,9,10,11]') j ON 32 * j.value < length(p.word_keys) \
    WHERE p.firm = $1), filed AS (SELECT person, word_key AS word FROM person_word WHERE firm = $1) \
    SELECT DISTINCT person FROM (SELECT * FROM (SELECT * FROM said EXCEPT SELECT * FROM filed) \
    UNION ALL SELECT * FROM (SELECT * FROM filed EXCEPT SELECT * FROM said)) ORDER BY person LIMIT $2";
pub(super) const ERASE_PERSON: &str = "DELETE FROM person WHERE firm = $1 AND person = $2";
pub(super) const ERASE_SNAPSHOTS: &str =
    "DELETE FROM snapshot WHERE firm = $1 AND stream IN ($2, $3)";
/// Empties the write-ahead log, in which a page that was deleted from still lies as it was.
pub(super) const FOLD_AND_EMPTY: &str = "PRAGMA wal_checkpoint(TRUNCATE)";
/// Each stream named by its key, with the position after which its events are wanted, or with none for its last
/// alone. From where it ends each event leads to the one before it, which stands before it whatever it says.
/// Not sorted here: the reader has one list per stream, and sorting bodies costs more than loading them.
pub(super) const STREAMS: &str = "WITH RECURSIVE chain (place, after, position, previous, body) AS ( \
    SELECT j.key, json_extract(j.value, '$[1]'), e.position, e.previous, e.body FROM json_each($2) j \
    CROSS JOIN stream s ON s.firm = $1 AND s.stream = unhex(json_extract(j.value, '$[0]')) \
    CROSS JOIN event e ON e.firm = $1 AND e.position = s.last_position \
    UNION ALL SELECT c.place, c.after, e.position, e.previous, e.body FROM chain c \
    CROSS JOIN event e ON e.firm = $1 AND e.position = c.previous AND e.position < c.position \
    WHERE c.previous > COALESCE(c.after, 0) AND (c.after IS NOT NULL OR c.position > $3)) \
    SELECT place, position, body FROM chain WHERE position > COALESCE(after, 0) AND position <= $3";

/// The active generation, or another if none is active, which is a fault.
pub(super) const CHECKPOINT: &str = "SELECT generation, position, active FROM projection \
    WHERE firm = $1 ORDER BY active DESC, generation DESC LIMIT 1";
pub(super) const POSITION: &str =
    "SELECT position FROM projection WHERE firm = $1 AND generation = $2 AND position >= 0";
/// Takes the write lock and moves the checkpoint, if it stands where the step begins.
pub(super) const ADVANCE: &str = "BEGIN IMMEDIATE; UPDATE projection SET position = $4 \
    WHERE firm = $1 AND generation = $2 AND position = $3 RETURNING position";
pub(super) const FIRST_GENERATION: &str = "INSERT INTO projection (firm, generation, position, active) \
    SELECT $1, $2, $3, 1 WHERE NOT EXISTS (SELECT 1 FROM projection WHERE firm = $1)";
pub(super) const NEW_GENERATION: &str = "INSERT INTO projection (firm, generation, position, active) \
    SELECT $1, MAX(generation) + 1, 0, 0 FROM projection WHERE firm = $1 RETURNING generation";
pub(super) const UNFINISHED: &str =
    "SELECT generation FROM projection WHERE firm = $1 AND active = 0 AND generation < $2";
pub(super) const DEACTIVATE: &str =
    "UPDATE projection SET active = 0 WHERE firm = $1 AND active = 1";
pub(super) const ACTIVATE: &str =
    "UPDATE projection SET active = 1 WHERE firm = $1 AND generation = $2 AND position >= 0";
/// Nobody writes to it any more. The newest keeps its number, so that none is given out twice: rows of
/// the first would be dropped from under the second.
pub(super) const FORGET_GENERATION: &str =
    "UPDATE projection SET position = -1 WHERE firm = $1 AND generation = $2 AND active = 0";
pub(super) const FORGET_OLDER: &str = "DELETE FROM projection WHERE firm = $1 AND generation = $2 \
    AND active = 0 AND generation < (SELECT MAX(generation) FROM projection WHERE firm = $1)";
pub(super) const SET_SNAPSHOT: &str = "INSERT INTO snapshot (firm, stream, version, position, \
    state_version, body) VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT (firm, stream) DO UPDATE SET \
    version = excluded.version, position = excluded.position, \
    state_version = excluded.state_version, body = excluded.body \
    WHERE excluded.version > snapshot.version OR excluded.state_version <> snapshot.state_version";

/// Every constant, so that a test can prepare them all.
#[cfg(test)]
pub(super) const ALL: &[&str] = &[
    OPENING,
    SINCE,
    MOVED,
    HEAD,
    READ,
    LEAVES,
    BESIDE,
    REMEMBERED,
    FIRMS,
    SNAPSHOTS,
    PEOPLE,
    BY_WORDS,
    INCOMPLETE,
    MISFILED,
    GUARDS,
    ERASE_PERSON,
    ERASE_SNAPSHOTS,
    FOLD_AND_EMPTY,
    STREAMS,
    CHECKPOINT,
    POSITION,
    ADVANCE,
    FIRST_GENERATION,
    NEW_GENERATION,
    UNFINISHED,
    DEACTIVATE,
    ACTIVATE,
    FORGET_GENERATION,
    FORGET_OLDER,
    SET_SNAPSHOT,
];

/// One statement for each of [`SIZES`].
///
/// Parameters are unnamed and every row binds all of its columns: looking up the name of one of
/// thousands of `$n` takes SQLite a walk over all before it, and sqlx asks for each. Rows whose first
/// column is NULL are left out, so that any number of rows goes into the next larger statement.
pub(super) struct Sized {
    texts: [String; SIZES.len()],
}

impl Sized {
    fn new(insert: &str, columns: usize, conflict: &str) -> Self {
        Self::of(insert, "*", columns, conflict)
    }

    /// The same of what is made of a row's values.
    fn of(insert: &str, made: &str, columns: usize, conflict: &str) -> Self {
        let row = format!("({})", vec!["?"; columns].join(", "));
        let text = |rows: usize| {
            let rows = vec![&*row; rows].join(", ");
            format!(
                "{insert} SELECT {made} FROM (VALUES {rows}) WHERE column1 IS NOT NULL{conflict}"
            )
        };
        Self { texts: SIZES.map(text) }
    }

    /// The smallest statement with room for so many rows, at most [`ROWS_MAX`], and that room.
    pub(super) fn with_room_for(&self, rows: usize) -> (&str, usize) {
        let place = size_for(rows);
        (&self.texts[place], SIZES[place])
    }

    #[cfg(test)]
    pub(super) fn texts(&self) -> impl Iterator<Item = &str> {
        self.texts.iter().map(String::as_str)
    }
}

fn size_for(rows: usize) -> usize {
    SIZES.iter().position(|size| rows <= *size).unwrap_or(SIZES.len() - 1)
}

/// How the log is written.
pub(super) struct LogStatements {
    /// Inserts events.
    pub(super) events: Sized,
    /// Inserts what is kept of answers.
    pub(super) requests: Sized,
    /// Moves the ends of streams; after their events, which ask where the streams ended.
    pub(super) ends: Sized,
    /// Keeps people.
    pub(super) people: Sized,
    /// All of a batch that is not large, in one round trip: by size of the events and of the ends, which are no
    /// more, then of the answers.
    whole: Vec<String>,
}

/// Values of an event, of which one names its stream.
pub(super) const EVENT_VALUES: usize = 8;
pub(super) const REQUEST_COLUMNS: usize = 7;
/// Values of a stream's end, of which one counts its events in the batch.
pub(super) const END_VALUES: usize = 5;
pub(super) const PERSON_COLUMNS: usize = 8;

pub(super) static LOG: LazyLock<LogStatements> = LazyLock::new(|| {
    let events = Sized::of(
        "INSERT OR ROLLBACK INTO event (firm, position, previous, type, occurred_on, leaf, body)",
        "column1, column2, COALESCE(column3, (SELECT s.last_position FROM stream s \
         WHERE s.firm = column1 AND s.stream = column4), 0), column5, column6, column7, column8",
        EVENT_VALUES,
        "",
    );
    let requests = "INSERT OR ROLLBACK INTO request (firm, request_id, fingerprint, checked, \
                    first_position, events, answer)";
    let requests = Sized::new(requests, REQUEST_COLUMNS, "");
    // A stream that is not where the batch was decided has no version to write.
    let ends = Sized::of(
        "INSERT OR ROLLBACK INTO stream (firm, stream, last_position, version)",
        "column1, column2, column3, CASE WHEN column4 - column5 = COALESCE((SELECT s.version \
         FROM stream s WHERE s.firm = column1 AND s.stream = column2), 0) THEN column4 END",
        END_VALUES,
        " ON CONFLICT (firm, stream) DO UPDATE SET last_position = excluded.last_position, \
         version = excluded.version",
    );
    let people = "INSERT OR ROLLBACK INTO person (firm, person, wrapped_key, phone_key, address_key, card_key, \
         word_keys, complete)";
    let people = Sized::new(
        people,
        PERSON_COLUMNS,
        " ON CONFLICT (firm, person) DO UPDATE SET wrapped_key = excluded.wrapped_key, \
         phone_key = COALESCE(excluded.phone_key, person.phone_key), \
         address_key = COALESCE(excluded.address_key, person.address_key), \
         card_key = COALESCE(excluded.card_key, person.card_key), \
         word_keys = COALESCE(excluded.word_keys, person.word_keys)",
    );
    let mut whole = Vec::new();
    for (events, ends) in events.texts.iter().zip(&ends.texts) {
        let all = |requests: &String| format!("{events}; {requests}; {ends}; {SET_HEAD}");
        whole.extend(requests.texts.iter().map(all));
    }
    LogStatements { events, requests, ends, people, whole }
});

impl LogStatements {
    /// The statements that write a whole batch, and the room in them: for events and ends, and for answers.
    pub(super) fn whole(&self, events: usize, requests: usize) -> (&str, usize, usize) {
        let (events, requests) = (size_for(events), size_for(requests));
        (&self.whole[events * SIZES.len() + requests], SIZES[events], SIZES[requests])
    }

    #[cfg(test)]
    pub(super) fn texts(&self) -> impl Iterator<Item = &str> {
        let many = [&self.events, &self.requests, &self.ends, &self.people];
        many.into_iter().flat_map(Sized::texts).chain([SET_HEAD])
    }
}

/// How one table of the read model is written.
pub(super) struct TableStatements {
    /// Writes whole rows.
    pub(super) upsert: Sized,
    /// Deletes one row.
    pub(super) delete: String,
    /// Deletes the rows of the first streams of a generation that is dropped.
    pub(super) drop: String,
    /// Counts the rows in which two generations differ.
    pub(super) compare: String,
}

/// Streams whose rows are dropped in one transaction.
pub(super) const DROP_STREAMS: i64 = 1_000;

static BY_TABLE: LazyLock<HashMap<&'static str, TableStatements>> = LazyLock::new(|| {
    TABLES.iter().map(|table| (table.name, TableStatements::new(table))).collect()
});

impl TableStatements {
    /// A table's statements.
    pub(super) fn of(table: &Table) -> &'static Self {
        BY_TABLE.get(table.name).expect("every table is in the list of tables")
    }

    fn new(table: &Table) -> Self {
        let Table { name, keys, values, kinds: _ } = table;
        let key_list = [&["firm", "generation"], *keys].concat().join(", ");
        let columns: Vec<&str> =
            ["firm", "generation"].into_iter().chain(table.columns()).collect();
        let sets: Vec<String> = values.iter().map(|v| format!("{v} = excluded.{v}")).collect();
        let action = if sets.is_empty() {
            "NOTHING".to_owned()
        } else {
            format!("UPDATE SET {}", sets.join(", "))
        };
        let insert = format!("INSERT OR ROLLBACK INTO {name} ({})", columns.join(", "));
        let conflict = format!(" ON CONFLICT ({key_list}) DO {action}");
        let of_one: Vec<String> = (1..)
            .zip(columns.iter().take(2 + keys.len()))
            .map(|(at, key)| format!("{key} = ${at}"))
            .collect();
        let first = keys.first().map_or(String::new(), |stream| {
            format!(
                " AND {stream} <= COALESCE((SELECT f.{stream} FROM {name} f WHERE f.firm = $1 \
                 AND f.generation = $2 ORDER BY f.{stream} LIMIT 1 OFFSET $3), \
                 X'FFFFFFFFFFFFFFFFFFFFFFFFFFFFFFFF')"
            )
        });
        Self {
            compare: table.compared(),
            upsert: Sized::new(&insert, columns.len(), &conflict),
            delete: format!("DELETE FROM {name} WHERE {}", of_one.join(" AND ")),
            drop: format!("DELETE FROM {name} WHERE firm = $1 AND generation = $2{first}"),
        }
    }
}

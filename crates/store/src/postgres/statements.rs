//! SQL of this engine alone. One statement writes any number of rows: each column is one array.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::sync::LazyLock;

use domain::ids::{FirmId, RequestId};

use crate::read::TABLES;
use crate::row::Table;
use crate::value::Kind;

/// Names the firm that the fence between firms lets through, until another is named.
pub(super) fn name_firm(firm: FirmId) -> String {
    format!("SET counterfoil.firm = '{}'", firm.0.hyphenated())
}

/// For the one statement that is about no firm.
pub(super) const NAME_NOBODY: &str = "SET counterfoil.firm = ''";

/// Begins, and names the firm.
pub(super) fn begin(firm: FirmId) -> String {
    format!("BEGIN; SET LOCAL counterfoil.firm = '{}'", firm.0.hyphenated())
}

/// The same to compare whole tables as they are at one moment, for however long that takes.
pub(super) fn begin_comparing(firm: FirmId) -> String {
    format!(
        "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY; SET LOCAL statement_timeout = 0; \
         SET LOCAL counterfoil.firm = '{}'",
        firm.0.hyphenated()
    )
}

pub(super) const COMMIT: &str = "COMMIT";
pub(super) const ROLLBACK: &str = "ROLLBACK";

/// What is kept of requests that are listed.
macro_rules! remembered {
    ($listed:literal) => {
        concat!(
            "SELECT r.* FROM ",
            $listed,
            " u (id) CROSS JOIN LATERAL (SELECT r.request_id, r.fingerprint, r.checked, r.first_position, \
             r.events, r.answer FROM request r WHERE r.firm = $1 AND r.request_id = u.id LIMIT 1) r"
        )
    };
}

/// Prepared on each connection that writes the log, so that [`opening`] can name several in one round
/// trip. The lock is a statement of its own: one that locked and read the answers at once would read
/// them in a snapshot older than the lock, and miss what another process wrote while it waited.
///
/// The answers are looked up one by one: with a list beside it, a planner that thinks firms small, as
/// it does without statistics or where most of them are, reads every answer that the firm ever got.
pub(super) const PREPARED: &[&str] = &[
    "PREPARE locked_head (uuid) AS SELECT position, invoices, recorded_at, frontier, root FROM log_head \
     WHERE firm = $1 FOR UPDATE",
    "PREPARE last_event (uuid) AS SELECT position AS last_position, body FROM event \
     WHERE firm = $1 ORDER BY position DESC LIMIT 1",
    concat!("PREPARE known_answers (uuid, uuid[]) AS ", remembered!("UNNEST($2)")),
];

/// Prepared on each connection that reads, for [`event_and_tile`].
pub(super) const PREPARED_TO_READ: &[&str] = &[
    "PREPARE event_at (uuid, bigint) AS SELECT position, body, true FROM event \
     WHERE firm = $1 AND position = $2",
    "PREPARE leaves_at (uuid, bigint) AS SELECT root, hashes FROM tile \
     WHERE firm = $1 AND level = 0 AND tile_index = $2",
];
/// Columns of an event there, by which its row is told from a tile's.
pub(super) const EVENT_COLUMNS: usize = 3;

/// Names the firm, and reads an event and a full tile of leaves.
pub(super) fn event_and_tile(firm: FirmId, position: i64, tile: i64) -> String {
    let (name, firm) = (name_firm(firm), firm.0.hyphenated());
    format!("{name}; EXECUTE event_at('{firm}', {position}); EXECUTE leaves_at('{firm}', {tile})")
}

/// Begins, names the firm, takes the lock, and reads the head and what is known of requests, in one round trip. Ids
/// are hexadecimal digits and hyphens, so that nothing in them ends a literal.
pub(super) fn opening(firm: FirmId, requests: &[RequestId]) -> String {
    format!("{}; {}", begin(firm), locked(firm, requests))
}

/// The lock and the answers, inside a transaction that has begun.
pub(super) fn locked(firm: FirmId, requests: &[RequestId]) -> String {
    let firm = firm.0.hyphenated();
    let mut text = format!(
        "EXECUTE locked_head('{firm}'); EXECUTE last_event('{firm}'); \
         EXECUTE known_answers('{firm}', '{{"
    );
    for (at, request) in requests.iter().enumerate() {
        let comma = if at == 0 { "" } else { "," };
        write!(text, "{comma}{}", request.0.simple()).expect("a string takes any text");
    }
    text.push_str("}')");
    text
}

/// Another process may make the row at the same time: the later one waits for the earlier.
pub(super) const MAKE_HEAD: &str = "INSERT INTO log_head (firm, position, invoices, frontier, root) \
    VALUES ($1, 0, 0, $2, $3) ON CONFLICT (firm) DO NOTHING";
pub(super) const MOVED: &str = "SELECT stream FROM stream WHERE firm = $1 AND last_position > $2";
/// What becomes of a person who is kept already: a new key, and what they are compared by if that is said.
macro_rules! keeping_people {
    () => {
        "ON CONFLICT (firm, person) DO UPDATE SET wrapped_key = excluded.wrapped_key, \
         phone_key = COALESCE(excluded.phone_key, person.phone_key), \
         address_key = COALESCE(excluded.address_key, person.address_key), \
         card_key = COALESCE(excluded.card_key, person.card_key), \
         word_keys = COALESCE(excluded.word_keys, person.word_keys)"
    };
}

/// The head, events, answers, ends of streams and people of one batch. The head moves only from where the batch was
/// decided, to the root, and the rest is written only if it moved: it is joined to the row that did.
/// Whoever moves the head names the firm, so that the statement is also a transaction by itself, in one
/// journey and without a lock before it. Two who meet at the head take turns, and the later one finds
/// it elsewhere. A stream that is not where the batch was decided has no version to write.
pub(super) const APPEND: &str = concat!(
    "WITH moved AS (UPDATE log_head \
    SET position = $19, invoices = $20, frontier = $21, root = $22, recorded_at = $32 \
    WHERE firm = $1 AND position = $23 AND root = $24 \
    RETURNING firm, set_config('counterfoil.firm', firm::text, TRUE)), \
    events AS (INSERT INTO event (firm, position, previous, type, occurred_on, leaf, body) \
    SELECT m.firm, u.position, COALESCE(u.previous, s.last_position, 0), u.type, u.occurred_on, u.leaf, \
    u.body FROM moved m CROSS JOIN UNNEST($2::bigint[], $3::bigint[], $4::bytea[], $5::text[], \
    $6::date[], $7::bytea[], $8::bytea[]) u (position, previous, stream, type, occurred_on, leaf, body) \
    LEFT JOIN LATERAL (SELECT s.last_position FROM stream s WHERE s.firm = m.firm \
    AND s.stream = u.stream AND u.previous IS NULL LIMIT 1) s ON TRUE), \
    answers AS (INSERT INTO request (firm, request_id, fingerprint, checked, first_position, events, answer) \
    SELECT m.firm, u.* FROM moved m CROSS JOIN UNNEST($9::uuid[], $10::bytea[], $11::bigint[], \
    $12::bigint[], $13::bigint[], $14::bytea[]) u), \
    ends AS (INSERT INTO stream (firm, stream, last_position, version) \
    SELECT m.firm, u.stream, u.last_position, \
    CASE WHEN u.version - u.events = COALESCE(s.version, 0) THEN u.version END \
    FROM moved m CROSS JOIN UNNEST($15::bytea[], $16::bigint[], $17::bigint[], $18::bigint[]) \
    u (stream, last_position, version, events) LEFT JOIN LATERAL (SELECT s.version FROM stream s \
    WHERE s.firm = m.firm AND s.stream = u.stream LIMIT 1) s ON TRUE \
    ON CONFLICT (firm, stream) DO UPDATE SET last_position = excluded.last_position, \
    version = excluded.version), \
    people AS (INSERT INTO person (firm, person, wrapped_key, phone_key, address_key, card_key, \
    word_keys, complete) SELECT m.firm, u.* FROM moved m CROSS JOIN UNNEST($25::uuid[], \
    $26::bytea[], $27::bytea[], $28::bytea[], $29::bytea[], $30::bytea[], $31::boolean[]) u ",
    keeping_people!(),
    ") SELECT COUNT(*) FROM moved"
);

/// The head and the last event, as of one moment.
pub(super) const HEAD: &str = "SELECT h.position, h.invoices, h.recorded_at, h.frontier, h.root, \
    e.position, e.body FROM (SELECT 1) one LEFT JOIN log_head h ON h.firm = $1 \
    LEFT JOIN LATERAL (SELECT l.position, l.body FROM event l WHERE l.firm = $1 \
    ORDER BY l.position DESC LIMIT 1) e ON TRUE";
/// The log is dense, so that a page is a range. A limit would say the same, but a planner that thinks
/// firms small would read to the end of the log and sort, to give the first rows.
pub(super) const READ: &str = "SELECT position, body FROM event \
    WHERE firm = $1 AND position > $2 AND position <= $3 ORDER BY position";
pub(super) const LEAVES: &str = "SELECT position, leaf FROM event \
    WHERE firm = $1 AND position > $2 AND position <= $3 ORDER BY position";
pub(super) const BESIDE: &str = "SELECT position, leaf, previous, type, occurred_on FROM event \
    WHERE firm = $1 AND position > $2 AND position <= $3 ORDER BY position";
/// The first position after one: the next, unless somebody has taken events away.
pub(super) const NEXT: &str = "SELECT MIN(position) FROM event WHERE firm = $1 AND position > $2";
pub(super) const REMEMBERED: &str = remembered!("UNNEST($2::uuid[])");
/// What refuses changes and is in force: table, trigger, function, when it fires, and the function's text.
pub(super) const GUARDS: &str = "SELECT format('%s.%s', c.relname, t.tgname), p.proname::text, \
    t.tgtype::bigint, p.prosrc FROM pg_trigger t JOIN pg_class c ON c.oid = t.tgrelid \
    JOIN pg_proc p ON p.oid = t.tgfoid WHERE c.relnamespace = 'counterfoil'::regnamespace \
    AND NOT t.tgisinternal AND t.tgenabled IN ('O', 'A') ORDER BY 1";
/// Those with a head and those with events: one without the other has to be found, not overlooked. A head
/// at 0 belongs to nobody: it was made for a request that was refused.
pub(super) const FIRMS: &str = "SELECT firm FROM log_head WHERE position > 0 \
    UNION SELECT firm FROM logged_firms() firm ORDER BY firm";
/// Each stream named with its person: where to start folding it, and the person's key. Looked up one by
/// one, for the reason that answers are.
pub(super) const SNAPSHOTS: &str = "SELECT u.place, s.version, s.body, p.wrapped_key, s.position \
    FROM UNNEST($2::text[], $5::uuid[]) WITH ORDINALITY u (stream, person, place) \
    LEFT JOIN LATERAL (SELECT s.version, s.body, s.position FROM snapshot s WHERE s.firm = $1 \
    AND s.stream = u.stream AND s.state_version = $3 AND s.position <= $4 LIMIT 1) s ON TRUE \
    LEFT JOIN LATERAL (SELECT p.wrapped_key FROM person p WHERE p.firm = $1 \
    AND p.person = u.person LIMIT 1) p ON TRUE";
pub(super) const PEOPLE: &str = "SELECT p.person, p.wrapped_key, p.phone_key, p.address_key, \
    p.card_key, p.word_keys, p.complete FROM UNNEST($2::uuid[]) u (id) CROSS JOIN LATERAL (SELECT \
    p.person, p.wrapped_key, p.phone_key, p.address_key, p.card_key, p.word_keys, p.complete \
    FROM person p WHERE p.firm = $1 AND p.person = u.id LIMIT 1) p";
pub(super) const KEEP_PEOPLE: &str = concat!(
    "INSERT INTO person (firm, person, wrapped_key, phone_key, \
    address_key, card_key, word_keys, complete) SELECT $1, u.* FROM UNNEST($2::uuid[], $3::bytea[], \
    $4::bytea[], $5::bytea[], $6::bytea[], $7::bytea[], $8::boolean[]) u ",
    keeping_people!()
);
pub(super) const BY_WORDS: &str = "SELECT w.person FROM person_word w \
    WHERE w.firm = $1 AND w.word_key = ANY($2) GROUP BY w.person HAVING COUNT(*) = $3 \
    ORDER BY w.person LIMIT $4";
pub(super) const INCOMPLETE: &str = "SELECT person, wrapped_key, phone_key, address_key, card_key, \
    word_keys, complete FROM person WHERE firm = $1 AND NOT complete ORDER BY person LIMIT $2";
/// Words that one of both has and the other has not.
pub(super) const MISFILED: &str = "WITH said AS (SELECT p.person, substring(p.word_keys FROM 1 + 32 * n FOR 32) AS word \
    FROM person p CROSS JOIN LATERAL generate_series(0, octet_length(p.word_keys) / 32 - 1) n \
    WHERE p.firm = $1), filed AS (SELECT person, word_key AS word FROM person_word WHERE firm = $1) \
    SELECT DISTINCT person FROM ((SELECT * FROM said EXCEPT SELECT * FROM filed) \
    UNION ALL (SELECT * FROM filed EXCEPT SELECT * FROM said)) d ORDER BY person LIMIT $2";
pub(super) const ERASE_PEOPLE: &str = "DELETE FROM person WHERE firm = $1 AND person = ANY($2)";
pub(super) const ERASE_SNAPSHOTS: &str =
    "DELETE FROM snapshot WHERE firm = $1 AND stream = ANY($2)";
/// Each stream named by its key, with the position after which its events are wanted, or with none for its last
/// alone. From where it ends each event leads to the one before it, which stands before it whatever it says. Each
/// is looked up by itself, for the reason that answers are.
pub(super) const STREAMS: &str = "WITH RECURSIVE chain (place, after, position, previous, body) AS ( \
    SELECT u.place, u.after, e.position, e.previous, e.body \
    FROM UNNEST($2::bytea[], $3::bigint[]) WITH ORDINALITY u (stream, after, place) \
    CROSS JOIN LATERAL (SELECT s.last_position FROM stream s WHERE s.firm = $1 \
    AND s.stream = u.stream LIMIT 1) s \
    CROSS JOIN LATERAL (SELECT e.position, e.previous, e.body FROM event e WHERE e.firm = $1 \
    AND e.position = s.last_position LIMIT 1) e \
    UNION ALL SELECT c.place, c.after, e.position, e.previous, e.body FROM chain c \
    CROSS JOIN LATERAL (SELECT e.position, e.previous, e.body FROM event e WHERE e.firm = $1 \
    AND e.position = c.previous AND e.position < c.position LIMIT 1) e \
    WHERE c.previous > COALESCE(c.after, 0) AND (c.after IS NOT NULL OR c.position > $4)) \
    SELECT place, position, body FROM chain WHERE position > COALESCE(after, 0) AND position <= $4";

/// Whether the server follows another, and the end of a firm's log there, as of one moment.
pub(super) const STANDING: &str = "SELECT pg_is_in_recovery(), COALESCE(h.position, 0), e.leaf \
    FROM (SELECT 1) one LEFT JOIN log_head h ON h.firm = $1 \
    LEFT JOIN event e ON e.firm = $1 AND e.position = h.position";

/// The active generation, or another if none is active, which is a fault.
pub(super) const CHECKPOINT: &str = "SELECT generation, position, active FROM projection \
    WHERE firm = $1 ORDER BY active DESC, generation DESC LIMIT 1";
pub(super) const POSITION: &str =
    "SELECT position FROM projection WHERE firm = $1 AND generation = $2 AND position >= 0";
/// Moves the checkpoint, if it stands where the step begins, and holds its row to the end.
pub(super) const ADVANCE: &str = "UPDATE projection SET position = $4 \
    WHERE firm = $1 AND generation = $2 AND position = $3";
pub(super) const FIRST_GENERATION: &str = "INSERT INTO projection (firm, generation, position, active) \
    SELECT $1::uuid, $2::bigint, $3::bigint, TRUE \
    WHERE NOT EXISTS (SELECT 1 FROM projection WHERE firm = $1) ON CONFLICT DO NOTHING";
/// Holds a firm's generations, so that two who change them take turns.
pub(super) const LOCK_GENERATIONS: &str =
    "SELECT generation FROM projection WHERE firm = $1 ORDER BY generation FOR UPDATE";
pub(super) const NEW_GENERATION: &str = "INSERT INTO projection (firm, generation, position, active) \
    SELECT $1::uuid, MAX(generation) + 1, 0, FALSE FROM projection WHERE firm = $1 \
    RETURNING generation";
pub(super) const UNFINISHED: &str =
    "SELECT generation FROM projection WHERE firm = $1 AND NOT active AND generation < $2";
pub(super) const DEACTIVATE: &str =
    "UPDATE projection SET active = FALSE WHERE firm = $1 AND active";
pub(super) const ACTIVATE: &str =
    "UPDATE projection SET active = TRUE WHERE firm = $1 AND generation = $2 AND position >= 0";
/// Nobody writes to it any more. The newest keeps its number, so that none is given out twice: rows of
/// the first would be dropped from under the second.
pub(super) const FORGET_GENERATION: &str =
    "UPDATE projection SET position = -1 WHERE firm = $1 AND generation = $2 AND NOT active";
pub(super) const FORGET_OLDER: &str = "DELETE FROM projection WHERE firm = $1 AND generation = $2 \
    AND NOT active AND generation < (SELECT MAX(generation) FROM projection WHERE firm = $1)";
pub(super) const SET_SNAPSHOTS: &str = "INSERT INTO snapshot (firm, stream, version, position, \
    state_version, body) SELECT $1, u.* FROM UNNEST($2::text[], $3::bigint[], $4::bigint[], \
    $5::bigint[], $6::bytea[]) u ON CONFLICT (firm, stream) DO UPDATE SET \
    version = excluded.version, position = excluded.position, \
    state_version = excluded.state_version, body = excluded.body \
    WHERE excluded.version > snapshot.version OR excluded.state_version <> snapshot.state_version";

/// Where hints are told. Any role of the server may listen, so that one says which firm and no more.
pub(super) const CHANNEL: &str = "counterfoil_log";
pub(super) const TELL: &str =
    "SELECT pg_notify('counterfoil_log', firm) FROM UNNEST($1::text[]) u (firm)";
/// Holds an advisory lock until the connection ends, unless another one holds it.
pub(super) const HOLD: &str = "SELECT pg_try_advisory_lock($1)";
/// That the connection answers at all says that it still holds what it held.
pub(super) const STILL_HELD: &str = "SELECT $1::bigint IS NOT NULL";

/// Every constant, so that a test can prepare them all.
#[cfg(test)]
pub(super) const ALL: &[&str] = &[
    MAKE_HEAD,
    MOVED,
    APPEND,
    HEAD,
    READ,
    LEAVES,
    BESIDE,
    REMEMBERED,
    NEXT,
    FIRMS,
    SNAPSHOTS,
    PEOPLE,
    KEEP_PEOPLE,
    BY_WORDS,
    INCOMPLETE,
    MISFILED,
    GUARDS,
    ERASE_PEOPLE,
    ERASE_SNAPSHOTS,
    STREAMS,
    STANDING,
    CHECKPOINT,
    POSITION,
    ADVANCE,
    FIRST_GENERATION,
    LOCK_GENERATIONS,
    NEW_GENERATION,
    UNFINISHED,
    DEACTIVATE,
    ACTIVATE,
    FORGET_GENERATION,
    FORGET_OLDER,
    SET_SNAPSHOTS,
    TELL,
    HOLD,
    STILL_HELD,
];

/// How one table of the read model is written.
pub(super) struct TableStatements {
    /// Writes whole rows.
    pub(super) upsert: String,
    /// Deletes rows by key; nothing for a table of one row per generation.
    pub(super) delete: Option<String>,
    /// Deletes some rows of a generation that is dropped.
    pub(super) drop: String,
    /// Counts the rows in which two generations differ.
    pub(super) compare: String,
}

/// Rows that are dropped in one transaction: no statement runs into its timeout, however large a
/// generation is.
pub(super) const DROP_ROWS: i64 = 10_000;

static BY_TABLE: LazyLock<HashMap<&'static str, TableStatements>> = LazyLock::new(|| {
    TABLES.iter().map(|table| (table.name, TableStatements::new(table))).collect()
});

/// The type of a column.
pub(super) const fn type_of(kind: Kind) -> &'static str {
    match kind {
        Kind::Bool => "boolean",
        Kind::Integer => "bigint",
        Kind::Text => "text",
        Kind::Id => "uuid",
        Kind::Date => "date",
        Kind::Hash | Kind::Bytes => "bytea",
        Kind::Time => "timestamp with time zone",
    }
}

impl TableStatements {
    /// A table's statements.
    pub(super) fn of(table: &Table) -> &'static Self {
        BY_TABLE.get(table.name).expect("every table is in the list of tables")
    }

    fn new(table: &Table) -> Self {
        let Table { name, keys, values, kinds } = table;
        let arrays = |columns: usize| {
            let arrays = (3..).zip(kinds.iter().take(columns));
            let arrays: Vec<String> =
                arrays.map(|(at, kind)| format!("${at}::{}[]", type_of(*kind))).collect();
            arrays.join(", ")
        };
        let columns: Vec<&str> = table.columns().collect();
        let sets: Vec<String> = values.iter().map(|v| format!("{v} = excluded.{v}")).collect();
        let action = if sets.is_empty() {
            "NOTHING".to_owned()
        } else {
            format!("UPDATE SET {}", sets.join(", "))
        };
        let of_one: Vec<String> = keys.iter().map(|key| format!("t.{key} = u.{key}")).collect();
        let delete = (!keys.is_empty()).then(|| {
            format!(
                "DELETE FROM {name} t USING UNNEST({}) u ({}) \
                 WHERE t.firm = $1 AND t.generation = $2 AND {}",
                arrays(keys.len()),
                keys.join(", "),
                of_one.join(" AND ")
            )
        });
        Self {
            compare: table.compared(),
            upsert: format!(
                "INSERT INTO {name} (firm, generation, {}) SELECT $1, $2, u.* FROM UNNEST({}) u \
                 ON CONFLICT ({}) DO {action}",
                columns.join(", "),
                arrays(columns.len()),
                [&["firm", "generation"], *keys].concat().join(", ")
            ),
            delete,
            drop: format!(
                "DELETE FROM {name} WHERE ctid = ANY (ARRAY(SELECT t.ctid FROM {name} t \
                 WHERE t.firm = $1 AND t.generation = $2 LIMIT $3))"
            ),
        }
    }
}

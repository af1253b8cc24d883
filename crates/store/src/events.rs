//! Events of the log by what is asked of them: of one stream from its end back, or of a stretch of the log.

use calendar::CivilDate;
use domain::event::StreamId;
use domain::ids::FirmId;
use log::{StoreError, Stored};

use crate::read::limit;
use crate::row::{Selected, Values, next};
use crate::statement::{listed, listed_values, statements};
use crate::store::Store;
use crate::value::{Column, Kind, Malformed, Value};

/// Which events are wanted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EventsWanted {
    /// Only of this stream.
    pub stream: Option<StreamId>,
    /// Only of these types; of all if empty.
    pub types: Vec<&'static str>,
    /// Only what happened on this day or later.
    pub from: Option<CivilDate>,
    /// Only what happened on this day or before.
    pub through: Option<CivilDate>,
}

impl Selected for Stored {
    fn kinds(out: &mut Vec<Kind>) {
        out.extend([u64::KIND, <Vec<u8> as Column>::KIND]);
    }
    fn take(values: Values<'_>) -> Result<Self, Malformed> {
        Ok(Self { position: next(values)?, bytes: next(values)? })
    }
}

fn select(from: &str) -> String {
    format!(
        "SELECT t.position, t.body FROM {from} t.firm = $1 AND t.position > $2 AND t.position <= $3 \
         AND (t.occurred_on >= $4 OR $4 IS NULL) AND (t.occurred_on <= $5 OR $5 IS NULL) AND {} \
         ORDER BY t.position LIMIT $7",
        listed("t.type", "$6")
    )
}

/// The events of the stream `$8`, from its last back to where the page begins. Each stands before the one that
/// leads to it.
const CHAIN: &str = "WITH RECURSIVE chain (position, previous) AS (SELECT e.position, e.previous \
    FROM stream s JOIN event e ON e.firm = $1 AND e.position = s.last_position \
    WHERE s.firm = $1 AND s.stream = $8 UNION ALL SELECT e.position, e.previous FROM chain c \
    JOIN event e ON e.firm = $1 AND e.position = c.previous AND e.position < c.position \
    WHERE c.previous > $2)";

statements! {
    OF_STREAM = format!("{CHAIN} {}", select("chain c JOIN event t ON t.position = c.position WHERE"));
    OF_LOG = select("event t WHERE");
}

impl Store {
    /// Events after one position and up to another, in order: at most so many.
    pub async fn list_events(
        &self,
        firm: FirmId,
        wanted: &EventsWanted,
        (after, up_to): (u64, u64),
        rows: u32,
    ) -> Result<Vec<Stored>, StoreError> {
        let mut arguments = vec![Value::Id(firm.0), after.put(), up_to.put()];
        arguments.extend([wanted.from.put(), wanted.through.put()]);
        arguments.extend([listed_values(&wanted.types), limit(rows)]);
        match wanted.stream {
            None => self.fetch(&OF_LOG, arguments).await,
            Some(stream) => {
                arguments.push(Value::Bytes(stream.key().to_vec()));
                self.fetch(&OF_STREAM, arguments).await
            }
        }
    }
}

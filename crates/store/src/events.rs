//! Events of the log by what is asked of them: of one stream by its index, or of a stretch of the log.

use calendar::CivilDate;
use domain::event::StreamId;
use domain::ids::FirmId;
use log::{StoreError, Stored};

use crate::Store;
use crate::read::limit;
use crate::row::{Selected, Values, next};
use crate::statement::{listed, listed_values, statements};
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

fn select(of: &str, order: &str) -> String {
    format!(
        "SELECT t.position, t.body FROM event t WHERE t.firm = $1 AND t.position > $2 AND t.position <= $3 \
         AND (t.occurred_on >= $4 OR $4 IS NULL) AND (t.occurred_on <= $5 OR $5 IS NULL) AND {} {of} \
         ORDER BY t.{order} LIMIT $7",
        listed("t.type", "$6")
    )
}

statements! {
    // Where a page began with an event of the stream, as all but the first do, so does the search.
    OF_STREAM = select(
        "AND t.stream = $8 AND t.stream_version > COALESCE((SELECT b.stream_version FROM event b \
         WHERE b.firm = $1 AND b.position = $2 AND b.stream = $8), 0)",
        "stream_version",
    );
    OF_LOG = select("", "position");
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
                arguments.push(stream.to_string().put());
                self.fetch(&OF_STREAM, arguments).await
            }
        }
    }
}

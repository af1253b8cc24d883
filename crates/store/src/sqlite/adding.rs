//! The values of statements that write.

use domain::ids::{FirmId, RequestId};
use log::{AnswerRow, AppendRow, Head, Outcome, Remembered, StoreError, StreamEnd};
use sqlx::sqlite::SqliteArguments;
use sqlx::{Arguments as _, SqliteConnection};

use super::error::failed;
use super::signed;
use super::statements::{END_VALUES, EVENT_VALUES, REQUEST_COLUMNS};

pub(super) async fn execute(
    connection: &mut SqliteConnection,
    statement: &'static str,
    values: impl FnOnce(&mut Adding) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    let mut adding = Adding::default();
    values(&mut adding)?;
    let query = sqlx::query_with(statement, adding.0);
    query.execute(connection).await.map_err(failed).map(|_| ())
}

/// The values of a statement, as they are gathered.
#[derive(Default)]
pub(super) struct Adding(SqliteArguments);

impl Adding {
    pub(super) fn value<'t, T>(&mut self, value: T) -> Result<(), StoreError>
    where
        T: sqlx::Encode<'t, sqlx::Sqlite> + sqlx::Type<sqlx::Sqlite>,
    {
        let added = self.0.add(value);
        added.map_err(|source| StoreError::Internal {
            what: "a value to bind".into(),
            source: Some(source),
        })
    }

    /// The room that no row fills.
    pub(super) fn nothing(&mut self, values: usize) -> Result<(), StoreError> {
        (0..values).try_for_each(|_| self.value(None::<i64>))
    }

    pub(super) fn events(
        &mut self,
        firm: FirmId,
        rows: &[AppendRow],
        previous: &[Option<u64>],
        room: usize,
    ) -> Result<(), StoreError> {
        self.0.reserve(room * EVENT_VALUES, 0);
        for (row, previous) in rows.iter().zip(previous) {
            let recorded = &row.recorded;
            let body = std::str::from_utf8(&row.bytes)
                .map_err(|_| StoreError::internal("canonical bytes are UTF-8 and these are not"))?;
            self.value(firm.0.as_bytes().to_vec())?;
            self.value(signed(recorded.position)?)?;
            self.value(previous.map(signed).transpose()?)?;
            self.value(recorded.stream.key().to_vec())?;
            self.value(recorded.event.type_name())?;
            self.value(recorded.occurred_on.to_string())?;
            self.value(row.leaf.as_bytes().to_vec())?;
            self.value(body)?;
        }
        self.nothing((room - rows.len()) * EVENT_VALUES)
    }

    pub(super) fn requests(
        &mut self,
        firm: FirmId,
        rows: &[(RequestId, Outcome)],
        room: usize,
    ) -> Result<(), StoreError> {
        self.0.reserve(room * REQUEST_COLUMNS, 0);
        for (request, outcome) in rows {
            self.request(firm, *request, Remembered::of(outcome).to_row(*request))?;
        }
        self.nothing((room - rows.len()) * REQUEST_COLUMNS)
    }

    /// The same of rows of any firms.
    pub(super) fn answers(
        &mut self,
        rows: Vec<(FirmId, RequestId, AnswerRow)>,
        room: usize,
    ) -> Result<(), StoreError> {
        let empty = room - rows.len();
        for (firm, request, row) in rows {
            self.request(firm, request, row)?;
        }
        self.nothing(empty * REQUEST_COLUMNS)
    }

    fn request(
        &mut self,
        firm: FirmId,
        request: RequestId,
        row: AnswerRow,
    ) -> Result<(), StoreError> {
        self.value(firm.0.as_bytes().to_vec())?;
        self.value(request.0.as_bytes().to_vec())?;
        self.value(row.fingerprint)?;
        self.value(row.checked)?;
        self.value(row.first)?;
        self.value(row.events)?;
        self.value(row.answer)
    }

    pub(super) fn ends(
        &mut self,
        firm: FirmId,
        ends: &[(StreamEnd, u64)],
        room: usize,
    ) -> Result<(), StoreError> {
        self.0.reserve(room * END_VALUES, 0);
        for (end, events) in ends {
            self.value(firm.0.as_bytes().to_vec())?;
            self.value(end.stream.key().to_vec())?;
            self.value(signed(end.last)?)?;
            self.value(signed(end.version)?)?;
            self.value(signed(*events)?)?;
        }
        self.nothing((room - ends.len()) * END_VALUES)
    }

    pub(super) fn head(&mut self, firm: FirmId, head: &Head) -> Result<(), StoreError> {
        self.value(firm.0.as_bytes().to_vec())?;
        self.value(signed(head.position)?)?;
        self.value(signed(head.invoices)?)?;
        self.value(head.recorded_at.0)?;
        self.value(head.frontier.to_bytes())?;
        self.value(head.frontier.root().as_bytes().to_vec())
    }
}

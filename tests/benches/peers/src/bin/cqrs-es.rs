//! cqrs-es on postgres-es.

use std::sync::Arc;

use counterfoil_peers::{Asked, Message};
use cqrs_es::event_sink::EventSink;
use cqrs_es::{Aggregate, AggregateError, DomainEvent};
use postgres_es::postgres_cqrs;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// The library's own table, as its documentation gives it.
const TABLE: &str = "CREATE TABLE IF NOT EXISTS events (aggregate_type text NOT NULL, \
    aggregate_id text NOT NULL, sequence bigint CHECK (sequence >= 0) NOT NULL, \
    event_type text NOT NULL, event_version text NOT NULL, payload json NOT NULL, \
    metadata json NOT NULL, PRIMARY KEY (aggregate_type, aggregate_id, sequence))";

#[derive(Default, Serialize, Deserialize)]
struct Case {
    messages: u64,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Event {
    MessageLogged(Message),
}

impl DomainEvent for Event {
    fn event_type(&self) -> String {
        "message_logged".into()
    }

    fn event_version(&self) -> String {
        "1".into()
    }
}

#[derive(Debug, thiserror::Error)]
#[error("a message says something")]
struct Empty;

impl Aggregate for Case {
    const TYPE: &'static str = "case";
    type Command = Message;
    type Event = Event;
    type Error = Empty;
    type Services = ();

    async fn handle(
        &mut self,
        message: Message,
        _: &(),
        sink: &EventSink<Self>,
    ) -> Result<(), Empty> {
        if message.text.is_empty() {
            return Err(Empty);
        }
        sink.write(Event::MessageLogged(message), self).await;
        Ok(())
    }

    fn apply(&mut self, _: Event) {
        self.messages += 1;
    }
}

#[tokio::main]
async fn main() {
    let asked = Asked::from_arguments();
    let pool = asked.pool(None).await;
    sqlx::query(TABLE).execute(&pool).await.expect("the library's table");
    let cases = Arc::new(postgres_cqrs::<Case>(pool, vec![], ()));
    let command = move |message| {
        let cases = Arc::clone(&cases);
        async move {
            match cases.execute(&Uuid::now_v7().to_string(), message).await {
                Ok(()) => true,
                Err(AggregateError::AggregateConflict) => false,
                Err(error) => panic!("{error}"),
            }
        }
    };
    asked.measure(command).await;
}

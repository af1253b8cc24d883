//! disintegrate on disintegrate-postgres.

use std::sync::Arc;

use counterfoil_peers::{Asked, Message};
use disintegrate::serde::json::Json;
use disintegrate::{Decision, Event, NoSnapshot, StateMutate, StateQuery};
use disintegrate_postgres::{PgEventStore, decision_maker};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// The library's own function, but for one literal that it writes in hexadecimal: servers before 16
/// do not read those. Its value is the same.
const BEGIN_EPOCH: &str = "CREATE OR REPLACE FUNCTION event_store_begin_epoch() RETURNS void AS $$ \
    DECLARE id BIGINT; db_id INT; BEGIN \
    SELECT last_value INTO id FROM seq_event_event_id; \
    SELECT oid INTO db_id FROM pg_database WHERE datname = current_database(); \
    PERFORM pg_try_advisory_xact_lock_shared(db_id, 0); \
    PERFORM pg_try_advisory_xact_lock_shared(1, (id & 4294967295)::bit(32)::integer); \
    PERFORM pg_try_advisory_xact_lock_shared(2, (id >> 32)::bit(32)::integer); \
    END; $$ LANGUAGE plpgsql";
/// The first server version that reads the library's function.
const READS_HEXADECIMAL: i32 = 160_000;

#[derive(Clone, Debug, PartialEq, Eq, Event, Serialize, Deserialize)]
#[stream(CaseEvent, [MessageLogged])]
enum Recorded {
    MessageLogged {
        #[id]
        case_id: Uuid,
        message: Message,
    },
}

#[derive(Clone, Default, StateQuery, Serialize, Deserialize)]
#[state_query(CaseEvent)]
struct Case {
    #[id]
    case_id: Uuid,
    messages: u64,
}

impl StateMutate for Case {
    fn mutate(&mut self, CaseEvent::MessageLogged { .. }: Self::Event) {
        self.messages += 1;
    }
}

#[derive(Debug, thiserror::Error)]
#[error("a message says something")]
struct Empty;

struct LogMessage(Uuid, Message);

impl Decision for LogMessage {
    type Event = Recorded;
    type StateQuery = Case;
    type Error = Empty;

    fn state_query(&self) -> Case {
        Case { case_id: self.0, ..Case::default() }
    }

    fn process(&self, _: &Case) -> Result<Vec<Recorded>, Empty> {
        let Self(case_id, message) = self;
        if message.text.is_empty() {
            return Err(Empty);
        }
        Ok(vec![Recorded::MessageLogged { case_id: *case_id, message: message.clone() }])
    }
}

#[tokio::main]
async fn main() {
    let asked = Asked::from_arguments();
    // Unchecked, so that an older server takes the function as it is until it is replaced below.
    let pool = asked.pool(Some(("check_function_bodies", "off"))).await;
    let store = PgEventStore::<Recorded, Json<Recorded>>::try_new(pool.clone(), Json::default());
    let store = store.await.expect("the library's tables");
    let version: i32 = sqlx::query_scalar("SELECT current_setting('server_version_num')::integer")
        .fetch_one(&pool)
        .await
        .expect("a server says its version");
    if version < READS_HEXADECIMAL {
        sqlx::query(BEGIN_EPOCH).execute(&pool).await.expect("the library's function");
    }
    let decisions = Arc::new(decision_maker(store, NoSnapshot));
    let command = move |message| {
        let decisions = Arc::clone(&decisions);
        async move {
            let Err(error) = decisions.make(LogMessage(Uuid::now_v7(), message)).await else {
                return true;
            };
            let error = format!("{error:?}");
            assert!(error.contains("Concurrency") || error.contains("40001"), "{error}");
            false
        }
    };
    asked.measure(command).await;
}

//! The real server, on a database of its own and a clock that is stepped.

use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use api::v1::administration_client::AdministrationClient;
use api::{name, scalar, v1};
use ledger::gateway::FileOutbox;
use ledger::{Ledger, Listening, ServerConfig};
use log::{Engine, Settings, SteppedClock, UuidV7Ids};
use serde_json::Value;
use store::Store;

use super::script::{Call, Numbered, Script, request_id};
use crate::cli::Global;
use crate::keys;

/// The call that the firm begins with.
const REGISTER: &str = "RegisterFirm";
/// What the demo's own token is called.
const TOKEN_LABEL: &str = "demo";

/// A server that runs.
pub(super) struct Server {
    ledger: Ledger,
    store: Arc<Store>,
    listening: Listening,
}

impl Server {
    /// Starts it on a database that it makes, with charges going to a folder.
    pub(super) async fn start(
        database: &Path,
        outbox: &Path,
        clock: Arc<SteppedClock>,
    ) -> anyhow::Result<Self> {
        let opened = Store::open(database).await;
        let store =
            Arc::new(opened.with_context(|| format!("cannot make {}", database.display()))?);
        let engine = Engine::new(
            store.clone(),
            clock.clone(),
            Arc::new(UuidV7Ids::new()),
            keys::of_file(database, true)?,
            Settings::default(),
        );
        engine.start().await?;
        let gateway = Arc::new(FileOutbox::new(outbox));
        let ledger = Ledger::new(engine, store.clone(), clock, gateway, ledger::Limits::default());
        let listening = ledger.serve(&ServerConfig::loopback(0)).await?;
        Ok(Self { ledger, store, listening })
    }

    /// Where it listens.
    pub(super) fn url(&self) -> String {
        format!("http://{}", self.listening.local_addr)
    }

    /// Registers the firm from inside the process, where no token is needed, and makes a token for
    /// the way over the network that everything else goes.
    pub(super) async fn register(&self, script: &mut Script) -> anyhow::Result<Global> {
        let channel = self.ledger.connect_in_process().await?;
        let mut administration = AdministrationClient::new(channel);
        administration.register_firm(registration(script)?).await?;
        let scopes = [v1::Scope::Record, v1::Scope::Read, v1::Scope::Bill, v1::Scope::Administer];
        let create = v1::CreateTokenRequest {
            parent: name::firm(script.firm),
            request_id: request_id(Numbered::Call, 0),
            occurred_on: Some(scalar::date_message(script.first_day)),
            token: Some(v1::Token {
                label: TOKEN_LABEL.to_owned(),
                scopes: scopes.into_iter().map(i32::from).collect(),
                expires_on: Some(scalar::date_message(script.last_day)),
                ..v1::Token::default()
            }),
        };
        let secret = administration.create_token(create).await?.into_inner().secret;
        Ok(Global {
            key_file: None,
            firm_keys: None,
            database: String::new(),
            evidence: None,
            server: Some(self.url()),
            token: Some(secret),
            token_file: None,
            ca: None,
            firm: Some(script.firm.0),
            json: false,
            quiet: false,
        })
    }

    /// Lets what is under way end, and closes the database.
    pub(super) async fn stop(self) -> anyhow::Result<()> {
        let Self { ledger, store, listening } = self;
        anyhow::ensure!(ledger.shutdown().await, "the server did not drain in time");
        listening.ended().await?;
        store.close().await;
        Ok(())
    }
}

/// The registration, taken out of the first day's calls.
fn registration(script: &mut Script) -> anyhow::Result<v1::RegisterFirmRequest> {
    let calls = script.days.get_mut(&script.first_day).map(|day| &mut day.calls);
    let calls = calls.context("nothing happens on the first day")?;
    let at = calls
        .iter()
        .position(|(_, call)| call.rpc == REGISTER)
        .context("the firm is not registered")?;
    let (number, Call { mut request, .. }) = calls.remove(at);
    let members = request.as_object_mut().context("a registration is a JSON object")?;
    members.insert("requestId".into(), Value::String(request_id(Numbered::Call, number)));
    let text = script.named(&request.to_string());
    Ok(api::json::from_json(&text, "counterfoil.v1.RegisterFirmRequest")?)
}

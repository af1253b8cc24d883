//! The real server, on a database of its own and a clock that is stepped.

use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use api::v1::administration_client::AdministrationClient;
use api::{name, scalar, v1};
use calendar::CivilDate;
use chrono::Days;
use domain::firm::TOKEN_DAYS_MAX;
use ledger::gateway::FileOutbox;
use ledger::{Ledger, Listening, ServerConfig};
use log::{Engine, Settings, SteppedClock, UuidV7Ids};
use serde_json::Value;
use store::Store;
use tonic::transport::Channel;

use super::script::{Call, Numbered, Script, request_id};
use crate::cli::Global;
use crate::keys;

/// The call that the firm begins with.
const REGISTER: &str = "RegisterFirm";
/// Who does what in the demo: nobody corrects who records or bills.
#[derive(Clone, Copy)]
pub(super) enum Holder {
    /// Everything else.
    Desk,
    /// Corrections.
    Corrector,
}

impl Holder {
    const fn label(self) -> &'static str {
        match self {
            Self::Desk => "demo",
            Self::Corrector => "demo corrections",
        }
    }

    fn scopes(self) -> &'static [v1::Scope] {
        match self {
            Self::Desk => {
                &[v1::Scope::Record, v1::Scope::Read, v1::Scope::Bill, v1::Scope::Administer]
            }
            Self::Corrector => &[v1::Scope::Correct, v1::Scope::Read],
        }
    }
}

/// A token, as commands are told of it.
pub(super) struct Token {
    pub(super) global: Global,
    pub(super) last_day: CivilDate,
}

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
            store.ports(),
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

    /// Registers the firm from inside the process, where no token is needed.
    pub(super) async fn register(&self, script: &mut Script) -> anyhow::Result<()> {
        let registration = registration(script)?;
        self.administration().await?.register_firm(registration).await?;
        Ok(())
    }

    /// Gives out a token for the way over the network that everything else goes, from a day on and for as long
    /// as a token may last.
    pub(super) async fn token(
        &self,
        script: &Script,
        holder: Holder,
        number: u64,
        on: CivilDate,
    ) -> anyhow::Result<Token> {
        let most = on.checked_add_days(Days::new(TOKEN_DAYS_MAX)).context("the calendar ends")?;
        let last_day = script.last_day.min(most);
        let create = v1::CreateTokenRequest {
            parent: name::firm(script.firm),
            request_id: request_id(Numbered::Token, number),
            occurred_on: Some(scalar::date_message(on)),
            token: Some(v1::Token {
                label: holder.label().to_owned(),
                scopes: holder.scopes().iter().map(|&scope| scope.into()).collect(),
                expires_on: Some(scalar::date_message(last_day)),
                ..v1::Token::default()
            }),
        };
        let made = self.administration().await?.create_token(create).await?.into_inner();
        let global = Global {
            key_file: None,
            firm_keys: None,
            database: String::new(),
            evidence: None,
            server: Some(self.url()),
            token: Some(made.secret),
            token_file: None,
            ca: None,
            firm: Some(script.firm.0),
            json: false,
            quiet: false,
        };
        Ok(Token { global, last_day })
    }

    async fn administration(&self) -> anyhow::Result<AdministrationClient<Channel>> {
        Ok(AdministrationClient::new(self.ledger.connect_in_process().await?))
    }

    /// Lets what is under way end, and closes the database.
    pub(super) async fn stop(self) -> anyhow::Result<()> {
        let Self { ledger, store, listening } = self;
        anyhow::ensure!(ledger.shutdown().await, "the server did not drain in time");
        listening.ended().await;
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

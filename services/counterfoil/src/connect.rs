//! The way to the ledger: over the network to a server, or through a pipe inside this process.

use std::path::Path;
use std::time::Duration;

use anyhow::Context;
use api::v1::accounts_client::AccountsClient;
use api::v1::administration_client::AdministrationClient;
use api::v1::audit_client::AuditClient;
use api::v1::billing_client::BillingClient;
use api::v1::books_client::BooksClient;
use api::v1::case_ledger_client::CaseLedgerClient;
use api::v1::evidence_client::EvidenceClient;
use api::v1::privacy_client::PrivacyClient;
use api::{name, v1};
use calendar::{CivilDate, Zone};
use domain::ids::{CaseId, FirmId};
use domain::money::Currency;
use ledger::Ledger;
use log::{Clock, Ids as _};
use sha2::{Digest as _, Sha256};
use store::Store;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint};
use tonic::{Code, Request, Status};
use uuid::Uuid;

use crate::cli::Global;
use crate::embedded::{self, Database};
use crate::evidence;
use crate::exit::Stop;
use crate::find;
use crate::keys;
use crate::secrets;
use vault::{FirmKey, FirmKeys};

/// How long a connection may take to come about.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(10);
/// Most bytes of an answer: what the service sends at most, and room.
const ANSWER_BYTES_MAX: usize = 16 << 20;

/// How long a run over the whole firm may take: the longest that the service allows.
const LONG_RUN_TIMEOUT: Duration = ledger::REQUEST_TIMEOUT_MAX;

/// A request that may take so long.
pub(crate) fn patient<M>(message: M) -> Request<M> {
    let mut request = Request::new(message);
    request.set_timeout(LONG_RUN_TIMEOUT);
    request
}

/// Puts the bearer token on every request.
#[derive(Clone)]
pub(crate) struct Bearer(Option<MetadataValue<Ascii>>);

impl Interceptor for Bearer {
    fn call(&mut self, mut request: Request<()>) -> Result<Request<()>, Status> {
        if let Some(header) = &self.0 {
            request.metadata_mut().insert("authorization", header.clone());
        }
        Ok(request)
    }
}

type Wire = InterceptedService<Channel, Bearer>;

/// What to do about a database that is not there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Missing {
    /// Make it.
    Make,
    /// Say so: a misspelt path must not become an empty ledger.
    Refuse,
    /// Say so; but a log that is damaged is opened all the same, to look at it or to mend what can be.
    RefuseThatAlone,
}

/// The typed clients of one command, and which firm it is about.
pub(crate) struct Session {
    /// Cases.
    pub(crate) cases: CaseLedgerClient<Wire>,
    /// Accounts.
    pub(crate) accounts: AccountsClient<Wire>,
    /// Fees.
    pub(crate) billing: BillingClient<Wire>,
    /// The books.
    pub(crate) books: BooksClient<Wire>,
    /// The firm itself.
    pub(crate) administration: AdministrationClient<Wire>,
    /// Personal values.
    pub(crate) privacy: PrivacyClient<Wire>,
    /// Scans and letters.
    pub(crate) evidence: EvidenceClient<Wire>,
    /// Proof of the log.
    pub(crate) audit: AuditClient<Wire>,
    /// The end of the log when the command began: reads wait for it.
    pub(crate) position: i64,
    firm: Option<FirmId>,
    choice: Option<Choice>,
    registered: Option<v1::Firm>,
    ledger: Option<Ledger>,
}

impl Session {
    /// Opens the way the global options name.
    pub(crate) async fn open(
        global: &Global,
        outbox: Option<&Path>,
        missing: Missing,
    ) -> anyhow::Result<Self> {
        if let Some(url) = &global.server {
            return Self::over_network(global, url, missing).await;
        }
        let database = Database::parse(&global.database)?;
        if missing != Missing::Make {
            must_be_there(&database)?;
        }
        let firm_keys = keys::firm_keys(global, &database)?;
        let firm = global.firm.map(FirmId);
        let (mut session, firms) = Self::on(&database, firm_keys, firm, outbox).await?;
        // A head that another tool took away, or gave to somebody else, makes no new firm and no choice of
        // firms; only what registers one may name a firm that is not there.
        let looked_at = match firm {
            Some(firm) if missing != Missing::Make => vec![firm],
            Some(_) | None => firms,
        };
        for firm in looked_at {
            session.find_position(firm, missing).await?;
        }
        session.keep_evidence(global, &database)?;
        Ok(session)
    }

    /// Keeps evidence where that of a database is kept.
    pub(crate) fn keep_evidence(&self, global: &Global, database: &Database) -> anyhow::Result<()> {
        if let (Some(ledger), Some(store)) = (&self.ledger, evidence::store_of(global, database)?) {
            ledger.keep_evidence_in(store);
        }
        Ok(())
    }

    /// The ledger inside this process, for what is done where the database is and nowhere else.
    pub(crate) fn own_ledger(&self) -> anyhow::Result<&Ledger> {
        let elsewhere =
            "signing keys and witnesses are managed where the database is: leave --server out";
        self.ledger.as_ref().ok_or_else(|| Stop::usage(elsewhere))
    }

    /// The ledger inside this process, for a firm that is there.
    pub(crate) async fn in_process(
        database: &Database,
        firm_keys: FirmKeys,
        firm: Option<FirmId>,
    ) -> anyhow::Result<Self> {
        let (mut session, _) = Self::on(database, firm_keys, firm, None).await?;
        if let Some(firm) = session.firm {
            session.find_position(firm, Missing::Refuse).await?;
        }
        Ok(session)
    }

    /// The ledger inside this process, on a database that is only read. Without firm keys nothing personal
    /// can be opened, and nothing has to be: a log is verified as it is sealed.
    pub(crate) async fn to_read(
        database: &Database,
        firm_keys: Option<FirmKeys>,
        firm: Option<FirmId>,
    ) -> anyhow::Result<Self> {
        let nobodys = || FirmKeys::new(FirmKey::from_bytes(log::UuidV7Ids::new().key()));
        let firm_keys = firm_keys.unwrap_or_else(nobodys);
        let (ledger, store) = embedded::open_to_read(database, firm_keys).await?;
        let (mut session, firms) = Self::around(database, ledger, &store, firm).await?;
        for firm in firm.map_or(firms, |firm| vec![firm]) {
            session.find_position(firm, Missing::RefuseThatAlone).await?;
        }
        Ok(session)
    }

    /// The ledger inside this process, and the firms that are there.
    async fn on(
        database: &Database,
        firm_keys: FirmKeys,
        firm: Option<FirmId>,
        outbox: Option<&Path>,
    ) -> anyhow::Result<(Self, Vec<FirmId>)> {
        let (ledger, store) =
            embedded::open(database, firm_keys, outbox, embedded::own_limits()).await?;
        Self::around(database, ledger, &store, firm).await
    }

    async fn around(
        database: &Database,
        ledger: Ledger,
        store: &Store,
        firm: Option<FirmId>,
    ) -> anyhow::Result<(Self, Vec<FirmId>)> {
        let firms = store.firms().await.with_context(|| format!("cannot read {database}"))?;
        let firm = choose(&firms, firm);
        let channel =
            ledger.connect_in_process().await.context("cannot serve inside the process")?;
        Ok((Self::over(&channel, &Bearer(None), firm, Some(ledger)), firms))
    }

    async fn over_network(global: &Global, url: &str, missing: Missing) -> anyhow::Result<Self> {
        let channel = dial(url, global.ca.as_deref()).await?;
        let token = secrets::token(global)?;
        let token = token.as_ref().map(|token| token.as_str());
        let bearer = token.map(bearer).transpose()?;
        // A token names its firm, so that nobody has to say it twice.
        let of_token = || token.and_then(firm_of_token);
        let firm = global.firm.or_else(of_token).map(FirmId).ok_or(Choice::NotSaid);
        let mut session = Self::over(&channel, &Bearer(bearer), firm, None);
        if let Some(firm) = session.firm {
            session.find_position(firm, missing).await?;
        }
        Ok(session)
    }

    fn over(
        channel: &Channel,
        bearer: &Bearer,
        firm: Result<FirmId, Choice>,
        ledger: Option<Ledger>,
    ) -> Self {
        macro_rules! client {
            ($client:ident) => {
                $client::with_interceptor(channel.clone(), bearer.clone())
                    .max_decoding_message_size(ANSWER_BYTES_MAX)
            };
        }
        let (firm, choice) = match firm {
            Ok(firm) => (Some(firm), None),
            Err(choice) => (None, Some(choice)),
        };
        Self {
            cases: client!(CaseLedgerClient),
            accounts: client!(AccountsClient),
            billing: client!(BillingClient),
            books: client!(BooksClient),
            administration: client!(AdministrationClient),
            privacy: client!(PrivacyClient),
            audit: client!(AuditClient),
            evidence: client!(EvidenceClient),
            position: 0,
            firm,
            choice,
            registered: None,
            ledger,
        }
    }

    /// Says that the firm is not there, before anything is asked of it. A token that may not read the head
    /// still reads what it may, only without waiting.
    async fn find_position(&mut self, firm: FirmId, missing: Missing) -> anyhow::Result<()> {
        let request = v1::GetHeadRequest { parent: name::firm(firm) };
        match self.administration.get_head(request).await {
            Ok(answer) if self.firm == Some(firm) => self.position = answer.into_inner().position,
            Ok(_) => {}
            Err(status) if status.code() == Code::PermissionDenied => {}
            Err(status)
                if status.code() == Code::DataLoss && missing == Missing::RefuseThatAlone => {}
            Err(status) => return Err(status.into()),
        }
        Ok(())
    }

    /// The firm the command is about.
    pub(crate) fn firm_id(&self) -> anyhow::Result<FirmId> {
        self.firm.ok_or_else(|| match &self.choice {
            Some(choice) => choice.stop(),
            None => Choice::NotSaid.stop(),
        })
    }

    /// Its resource name.
    pub(crate) fn firm(&self) -> anyhow::Result<String> {
        self.firm_id().map(name::firm)
    }

    /// The firm as it is registered.
    pub(crate) async fn registered(&mut self) -> anyhow::Result<v1::Firm> {
        if let Some(firm) = &self.registered {
            return Ok(firm.clone());
        }
        let request = v1::GetFirmRequest { name: self.firm()?, at_least_position: self.position };
        let answer = self.administration.get_firm(request).await?.into_inner();
        let firm = answer.firm.context("the service answered without a firm")?;
        self.registered = Some(firm.clone());
        Ok(firm)
    }

    /// The currency of the firm's books.
    pub(crate) async fn currency(&mut self) -> anyhow::Result<Currency> {
        let firm = self.registered().await?;
        Currency::parse(&firm.currency_code).context("the firm's currency is not known")
    }

    /// The day asked for, or today in the firm's zone.
    pub(crate) async fn day(&mut self, asked: Option<CivilDate>) -> anyhow::Result<CivilDate> {
        match asked {
            Some(day) => Ok(day),
            None => today(&self.registered().await?.time_zone),
        }
    }

    /// A case by its name, its id, the beginning or end of the id, or its client's name.
    pub(crate) async fn case(&mut self, asked: &str) -> anyhow::Result<String> {
        if name::parse_case(asked).is_some() {
            return Ok(asked.to_owned());
        }
        match Uuid::try_parse(asked) {
            Ok(id) => Ok(name::case(self.firm_id()?, CaseId(id))),
            Err(_) => find::case(self, asked).await,
        }
    }

    /// Cases, each by what [`Self::case`] takes.
    pub(crate) async fn cases_named(&mut self, asked: &[String]) -> anyhow::Result<Vec<String>> {
        let mut names = Vec::with_capacity(asked.len());
        for case in asked {
            names.push(self.case(case).await?);
        }
        Ok(names)
    }

    /// Lets what is under way be answered and closes the database.
    pub(crate) async fn close(self) {
        let Self {
            cases,
            accounts,
            billing,
            books,
            administration,
            privacy,
            audit,
            evidence,
            ledger,
            ..
        } = self;
        drop((cases, accounts, billing, books, administration, privacy, audit, evidence));
        let Some(ledger) = ledger else { return };
        if !ledger.shutdown().await {
            tracing::warn!("the database was closed before everything had been drained");
        }
        ledger.store().close().await;
    }
}

/// Refuses a file that is not there, and says how one is made.
pub(crate) fn must_be_there(database: &Database) -> anyhow::Result<()> {
    match database.missing_file() {
        Some(path) => Err(Stop::usage(format!(
            "there is no database at {}; make one: counterfoil firm register FILE.json, or name another \
             with --database",
            path.display()
        ))),
        None => Ok(()),
    }
}

/// Today in a zone.
pub(crate) fn today(zone: &str) -> anyhow::Result<CivilDate> {
    let zone = Zone::parse(zone).context("the firm's time zone is not known")?;
    Ok(zone.date_at(log::SystemClock.now().0))
}

/// A new request id, or the one of an earlier try.
pub(crate) fn request_id(earlier: Option<Uuid>) -> String {
    earlier.unwrap_or_else(Uuid::now_v7).to_string()
}

/// The id of a request that follows from what it is about: version 8 of RFC 9562, SHA-256 over the parts, cut.
pub(crate) fn derived_request_id(parts: &[&[u8]]) -> String {
    let mut hash = Sha256::new();
    for part in parts {
        hash.update(part);
    }
    let digest: [u8; 32] = hash.finalize().into();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid().to_string()
}

/// Why no firm is chosen.
#[derive(Debug, PartialEq, Eq)]
enum Choice {
    NoneThere,
    Many(Vec<FirmId>),
    NotSaid,
}

impl Choice {
    fn stop(&self) -> anyhow::Error {
        match self {
            Self::NoneThere => Stop::usage(
                "no firm is registered in this database; register one: counterfoil firm register \
                 FILE.json, or name another database with --database",
            ),
            Self::Many(firms) => {
                let list: Vec<_> = firms.iter().map(|firm| format!("  {firm}")).collect();
                Stop::usage(format!(
                    "several firms are in this database; choose one with --firm or \
                     COUNTERFOIL_FIRM:\n{}",
                    list.join("\n")
                ))
            }
            Self::NotSaid => Stop::usage("name the firm with --firm or COUNTERFOIL_FIRM"),
        }
    }
}

fn choose(firms: &[FirmId], asked: Option<FirmId>) -> Result<FirmId, Choice> {
    match (asked, firms) {
        (Some(firm), _) => Ok(firm),
        (None, [firm]) => Ok(*firm),
        (None, []) => Err(Choice::NoneThere),
        (None, many) => Err(Choice::Many(many.to_vec())),
    }
}

/// `cf_FIRM_ACCESS_SECRET`.
fn firm_of_token(token: &str) -> Option<Uuid> {
    Uuid::try_parse(token.split('_').nth(1)?).ok()
}

fn bearer(token: &str) -> anyhow::Result<MetadataValue<Ascii>> {
    // The parser's own words would echo the token.
    let mut header: MetadataValue<Ascii> = format!("Bearer {token}")
        .parse()
        .map_err(|_| Stop::usage("the token is not one that counterfoil gives out"))?;
    header.set_sensitive(true);
    Ok(header)
}

/// A connection to a server.
pub(crate) async fn dial(url: &str, ca: Option<&Path>) -> anyhow::Result<Channel> {
    let endpoint = Endpoint::from_shared(url.to_owned())
        .map_err(|_| Stop::usage("--server must be a URL such as https://ledger.example:7411"))?
        .connect_timeout(CONNECT_TIMEOUT);
    let endpoint = match (url.starts_with("https:"), ca) {
        (false, _) => endpoint,
        (true, Some(ca)) => {
            let pem = std::fs::read(ca).with_context(|| format!("cannot read {}", ca.display()))?;
            let tls = ClientTlsConfig::new().ca_certificate(Certificate::from_pem(pem));
            endpoint.tls_config(tls).context("the certificate cannot be used")?
        }
        (true, None) => {
            return Err(Stop::usage(
                "https needs --ca FILE.pem or COUNTERFOIL_CA: the certificates to trust, such as \
                 those of your system",
            ));
        }
    };
    endpoint.connect().await.map_err(|error| {
        tracing::debug!(%error, "cannot connect");
        Stop::unavailable(format!("no service answers at {url}; start one: counterfoil serve"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_only_firm_needs_no_name() {
        let firms = [FirmId(Uuid::from_u128(1)), FirmId(Uuid::from_u128(2))];
        assert_eq!(choose(&firms[..1], None), Ok(firms[0]));
        assert_eq!(choose(&firms, Some(firms[1])), Ok(firms[1]));
        assert_eq!(choose(&[], None), Err(Choice::NoneThere));
        assert!(choose(&firms, None).unwrap_err().stop().to_string().contains("0002"));
    }

    #[test]
    fn a_token_names_its_firm_and_is_never_echoed() {
        let firm = Uuid::from_u128(7);
        assert_eq!(firm_of_token(&format!("cf_{}_x_y", firm.simple())), Some(firm));
        assert_eq!(firm_of_token("other"), None);
        assert!(!bearer("se\ncret").unwrap_err().to_string().contains("cret"));
    }
}

//! How charges and refunds leave the service and what became of them comes back, as files.
//!
//! There is no live processor here and nothing that pretends to be one. Charges and refunds are put in a
//! folder for whatever talks to the processor; its results are read from a file of the same form, or come
//! by `RecordPayment`.

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use async_trait::async_trait;
use domain::ids::{AccountId, CardToken, FirmId, ProcessorRef, RequestId};
use domain::money::Money;
use serde::{Deserialize, Serialize};

use crate::leftover;

/// One charge to hand to a processor.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChargeRequest {
    /// The invoice it pays.
    pub invoice: u64,
    /// The account.
    pub account: AccountId,
    /// The processor's token of the card on file.
    pub card_token: CardToken,
    /// How much.
    pub amount: Money,
    /// Counted from 1. Firm, invoice and attempt together are the processor's idempotency key.
    pub attempt: u32,
}

/// The charges of one request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChargeRun {
    /// The firm.
    pub firm: FirmId,
    /// The request: the same one is handed over once, however often it is repeated.
    pub request_id: RequestId,
    /// The charges, by invoice.
    pub charges: Vec<ChargeRequest>,
}

/// One refund to hand to a processor: it goes back to where the payment came from, whatever card is on file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefundOrder {
    /// The account.
    pub account: AccountId,
    /// Counted from 1 in the account. Firm, account and number together are the processor's idempotency key.
    pub number: u32,
    /// The payment it comes from.
    pub payment: ProcessorRef,
    /// How much.
    pub amount: Money,
}

/// The refunds of one request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefundRun {
    /// The firm.
    pub firm: FirmId,
    /// The request, as that of charges.
    pub request_id: RequestId,
    /// The refunds.
    pub refunds: Vec<RefundOrder>,
}

/// Charges or refunds cannot be handed over. What is recorded as asked is handed over by the next request.
#[derive(Debug, thiserror::Error)]
#[error("nothing can be handed over at {}", path.display())]
pub struct GatewayError {
    /// Where.
    pub path: PathBuf,
    /// What the system said.
    #[source]
    pub source: io::Error,
}

/// The way to a payment processor.
#[async_trait]
pub trait PaymentGateway: Send + Sync + 'static {
    /// Whether charges can be handed over, as far as that can be told before there are any.
    async fn check(&self) -> Result<(), GatewayError>;

    /// Hands over the charges of one request. It may be called again with the same ones.
    async fn request(&self, run: &ChargeRun) -> Result<(), GatewayError>;

    /// Hands over the refunds of one request. It may be called again with the same ones.
    async fn refund(&self, run: &RefundRun) -> Result<(), GatewayError>;
}

/// How a file of charges or refunds is called until it is whole.
const UNFINISHED: &str = ".charges-";

/// Writes one file of JSON lines per request into a folder, complete or not at all.
#[derive(Clone, Debug)]
pub struct FileOutbox {
    folder: PathBuf,
}

/// A charge as a line of the file: the form is part of the interface.
#[derive(Serialize)]
struct ChargeLine {
    firm: String,
    account: String,
    invoice: u64,
    attempt: u32,
    idempotency_key: String,
    card_token: String,
    amount_minor: String,
    currency: String,
}

/// A refund as a line of its file, a form of its own.
#[derive(Serialize)]
struct RefundLine {
    firm: String,
    account: String,
    refund: u32,
    idempotency_key: String,
    payment: String,
    amount_minor: String,
    currency: String,
}

impl FileOutbox {
    /// An outbox in a folder, which is made when the first charge is written.
    pub fn new(folder: impl Into<PathBuf>) -> Self {
        Self { folder: folder.into() }
    }

    /// The file of one request.
    pub fn path_of(&self, firm: FirmId, request_id: RequestId) -> PathBuf {
        self.folder.join(format!("charges-{firm}-{request_id}.jsonl"))
    }

    /// The file of the refunds of one request.
    pub fn path_of_refunds(&self, firm: FirmId, request_id: RequestId) -> PathBuf {
        self.folder.join(format!("refunds-{firm}-{request_id}.jsonl"))
    }

    async fn write(&self, path: PathBuf, text: String) -> Result<(), GatewayError> {
        let to = path.clone();
        let written = tokio::task::spawn_blocking(move || write_whole(&to, &text)).await;
        let written = written.unwrap_or_else(|ended| Err(io::Error::other(ended)));
        written.map_err(|source| GatewayError { path, source })
    }
}

#[async_trait]
impl PaymentGateway for FileOutbox {
    async fn check(&self) -> Result<(), GatewayError> {
        let path = self.folder.clone();
        let folder = path.clone();
        let checked = tokio::task::spawn_blocking(move || check_folder(&folder)).await;
        let checked = checked.unwrap_or_else(|ended| Err(io::Error::other(ended)));
        checked.map_err(|source| GatewayError { path, source })
    }

    async fn request(&self, run: &ChargeRun) -> Result<(), GatewayError> {
        if run.charges.is_empty() {
            return Ok(());
        }
        let lines = run.charges.iter().map(|charge| ChargeLine {
            firm: run.firm.to_string(),
            account: charge.account.to_string(),
            invoice: charge.invoice,
            attempt: charge.attempt,
            idempotency_key: format!("{}-{}-{}", run.firm, charge.invoice, charge.attempt),
            card_token: charge.card_token.to_string(),
            amount_minor: charge.amount.minor().to_string(),
            currency: charge.amount.currency().as_str().to_owned(),
        });
        self.write(self.path_of(run.firm, run.request_id), text_of(lines)).await
    }

    async fn refund(&self, run: &RefundRun) -> Result<(), GatewayError> {
        if run.refunds.is_empty() {
            return Ok(());
        }
        let lines = run.refunds.iter().map(|refund| RefundLine {
            firm: run.firm.to_string(),
            account: refund.account.to_string(),
            refund: refund.number,
            idempotency_key: format!("{}-{}-refund-{}", run.firm, refund.account, refund.number),
            payment: refund.payment.to_string(),
            amount_minor: refund.amount.minor().to_string(),
            currency: refund.amount.currency().as_str().to_owned(),
        });
        self.write(self.path_of_refunds(run.firm, run.request_id), text_of(lines)).await
    }
}

/// JSON lines.
fn text_of(lines: impl Iterator<Item = impl Serialize>) -> String {
    let line =
        |line| serde_json::to_string(&line).expect("a line of texts and numbers is JSON") + "\n";
    lines.map(line).collect()
}

/// Writes beside the file, syncs and renames, so that nobody ever reads half of it. A request that
/// is repeated writes the same file; whoever reads it twice knows each line by its key.
///
/// Card tokens are for whoever charges them and nobody else: the folder, if it is made here, and every file
/// in it are their owner's alone, whatever the umask is. A link in a file's place is replaced, not followed.
fn write_whole(path: &Path, text: &str) -> io::Result<()> {
    let folder = path.parent().ok_or_else(|| io::Error::other("an outbox is a folder"))?;
    private_folders(folder)?;
    check_folder(folder)?;
    for left in leftover::clear(folder, UNFINISHED)? {
        tracing::warn!(file = %left.display(), "removed: a run ended while it was written");
    }
    let mut file =
        tempfile::Builder::new().prefix(UNFINISHED).suffix(".part").tempfile_in(folder)?;
    if !leftover::hold(file.as_file(), file.path())? {
        return Err(io::Error::other("somebody takes away what is written there"));
    }
    file.write_all(text.as_bytes())?;
    file.as_file().sync_all()?;
    file.persist(path)?;
    std::fs::File::open(folder)?.sync_all()
}

/// Refuses a folder that somebody else may put files in, or take them from: what is read there is charged or paid.
/// One that is not there yet is made for its owner alone.
fn check_folder(folder: &Path) -> io::Result<()> {
    match vault::owner::who_writes_to(folder) {
        Ok(None) => Ok(()),
        Ok(Some(why)) => Err(io::Error::other(format!("the folder {why}"))),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
    }
}

fn private_folders(folder: &Path) -> io::Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// What a processor says became of one charge or refund.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(tag = "outcome", rename_all = "snake_case", deny_unknown_fields)]
pub enum ProcessorResult {
    /// The money is in.
    Settled {
        /// The invoice's number.
        invoice: u64,
        /// The processor's name for the payment.
        payment: String,
        /// How much, in minor units.
        amount_minor: i64,
        /// The civil day, `YYYY-MM-DD`.
        on: String,
    },
    /// It failed.
    Failed {
        /// The invoice's number.
        invoice: u64,
        /// Why: a failure reason's word, such as `insufficient_funds`.
        reason: String,
        /// The civil day, `YYYY-MM-DD`.
        on: String,
    },
    /// Money went back.
    Refunded {
        /// The processor's name for the payment it came from.
        payment: String,
        /// The request's number, `refund` of its line; 0 for what nobody asked for here.
        request: u32,
        /// The processor's name for the refund.
        refund: String,
        /// How much, in minor units.
        amount_minor: i64,
        /// The civil day, `YYYY-MM-DD`.
        on: String,
    },
    /// A refund failed.
    RefundFailed {
        /// The processor's name for the payment it was to come from.
        payment: String,
        /// The request's number, `refund` of its line.
        request: u32,
        /// Why: a failure reason's word, such as `declined`.
        reason: String,
        /// The civil day, `YYYY-MM-DD`.
        on: String,
    },
}

/// A line of a results file that is no result.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {why}")]
pub struct ResultLineError {
    /// Counted from 1.
    pub line: usize,
    /// What is wrong, without the line's values.
    pub why: String,
}

/// Reads a results file, JSON lines. A line that cannot be read is named, and the rest goes on.
pub fn read_results(text: &str) -> Vec<Result<ProcessorResult, ResultLineError>> {
    let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    lines
        .map(|(at, line)| {
            // The parser's own words may quote the line.
            serde_json::from_str(line).map_err(|error| ResultLineError {
                line: at + 1,
                why: format!("no charge result (column {})", error.column()),
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run() -> ChargeRun {
        let charge = |invoice| ChargeRequest {
            invoice,
            account: AccountId(uuid::Uuid::from_u128(3)),
            card_token: CardToken::parse("tok_1").unwrap(),
            amount: Money::new(4_999, domain::money::Currency::USD).unwrap(),
            attempt: 1,
        };
        ChargeRun {
            firm: FirmId(uuid::Uuid::from_u128(1)),
            request_id: RequestId(uuid::Uuid::from_u128(2)),
            charges: vec![charge(1), charge(2)],
        }
    }

    #[tokio::test]
    async fn a_repeated_request_is_handed_over_once() {
        let folder = tempfile::tempdir().unwrap();
        let outbox = FileOutbox::new(folder.path().join("outbox"));
        let run = run();
        outbox.request(&run).await.unwrap();
        outbox.request(&run).await.unwrap();
        let files: Vec<_> = std::fs::read_dir(folder.path().join("outbox")).unwrap().collect();
        assert_eq!(files.len(), 1);
        let text = std::fs::read_to_string(outbox.path_of(run.firm, run.request_id)).unwrap();
        assert_eq!(text.lines().count(), 2);
        let line: serde_json::Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
        assert_eq!(line["amount_minor"], "4999");
        assert_eq!(line["attempt"], 1);
    }

    #[cfg(unix)]
    #[tokio::test]
    async fn card_tokens_are_their_owners_alone_and_no_link_is_followed() {
        use std::os::unix::fs::PermissionsExt as _;
        let folder = tempfile::tempdir().unwrap();
        let outbox = FileOutbox::new(folder.path().join("deep/outbox"));
        let (run, strange) = (run(), folder.path().join("strange"));
        outbox.request(&run).await.unwrap();
        let mode = |path: &Path| path.symlink_metadata().unwrap().permissions().mode() & 0o777;
        let path = outbox.path_of(run.firm, run.request_id);
        assert_eq!((mode(&path), mode(path.parent().unwrap())), (0o600, 0o700));
        assert_eq!(mode(&folder.path().join("deep")), 0o700);
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&strange, "somebody's").unwrap();
        std::os::unix::fs::symlink(&strange, &path).unwrap();
        outbox.request(&run).await.unwrap();
        assert_eq!(std::fs::read_to_string(&strange).unwrap(), "somebody's");
        assert!(path.symlink_metadata().unwrap().is_file());
        let files: Vec<_> = std::fs::read_dir(path.parent().unwrap()).unwrap().collect();
        assert_eq!(files.len(), 1, "nothing is left beside it");
    }

    #[cfg(unix)]
    #[tokio::test]
    async fn a_folder_that_others_write_to_takes_no_charges() {
        use std::os::unix::fs::{PermissionsExt as _, chown};
        let folder = tempfile::tempdir().unwrap();
        let (place, run) = (folder.path().join("outbox"), run());
        let outbox = FileOutbox::new(&place);
        outbox.check().await.unwrap();
        std::fs::create_dir(&place).unwrap();
        let mode = |mode| {
            std::fs::set_permissions(&place, std::fs::Permissions::from_mode(mode)).unwrap();
        };
        for shared in [0o777, 0o1777, 0o770] {
            mode(shared);
            assert!(outbox.check().await.is_err() && outbox.request(&run).await.is_err());
        }
        mode(0o755);
        outbox.check().await.unwrap();
        // Only root can give a folder to somebody else.
        if chown(&place, Some(65_534), None).is_ok() {
            assert!(outbox.check().await.is_err() && outbox.request(&run).await.is_err());
            chown(&place, Some(0), None).unwrap();
        }
        assert_eq!(std::fs::read_dir(&place).unwrap().count(), 0);
        // What a run left that was killed while it wrote goes with the next.
        std::fs::write(place.join(".charges-x.part"), "tok_1").unwrap();
        outbox.request(&run).await.unwrap();
        assert_eq!(std::fs::read_dir(&place).unwrap().count(), 1);
    }

    #[test]
    fn results_are_read_line_by_line() {
        let text = "{\"outcome\":\"settled\",\"invoice\":7,\"payment\":\"p1\",\"amount_minor\":4999,\"on\":\"2026-03-02\"}\n\
                    {\"outcome\":\"lost\"}\n\n\
                    {\"outcome\":\"failed\",\"invoice\":8,\"reason\":\"insufficient_funds\",\"on\":\"2026-03-02\"}\n";
        let results = read_results(text);
        assert_eq!(results.len(), 3);
        assert!(matches!(results[0], Ok(ProcessorResult::Settled { invoice: 7, .. })));
        assert_eq!(results[1].as_ref().unwrap_err().line, 2);
        assert!(matches!(results[2], Ok(ProcessorResult::Failed { invoice: 8, .. })));
    }
}

//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use uuid::Uuid;

use crate::command::{
    audit, backup, billing, books, charges, check_proof, checkpoint, clients, completions, correct,
    couples, due, evidence, export, finding, firm, firm_keys, follow, import, invoices, keep, keys,
    log_care, looks, migrate, moving, pack, payment, prepare, privacy, prove, serve, status,
    tokens,
};
use crate::{demo, exit};

/// Counterfoil: the back office of record of a credit-repair firm. Every case, fee and payment is a
/// line in a log that only grows; every fee says why it is earned.
#[derive(Parser)]
#[command(name = "counterfoil", version, after_help = exit::help(), propagate_version = true)]
pub(crate) struct Cli {
    #[command(flatten)]
    pub(crate) global: Global,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// Options of every command.
#[derive(Args, Clone)]
pub(crate) struct Global {
    /// The database that commands open themselves if no server is named: sqlite:PATH, or
    /// postgres://USER@HOST/DATABASE. A password belongs into the environment (this variable, or
    /// PGPASSWORD) or into PostgreSQL's password file (~/.pgpass, or where PGPASSFILE says)
    #[arg(
        long,
        global = true,
        env = "COUNTERFOIL_DATABASE",
        hide_env_values = true,
        default_value = "sqlite:counterfoil.db",
        value_name = "DATABASE"
    )]
    pub(crate) database: String,
    /// The file of the firm keys, under which personal values are sealed: 64 hexadecimal digits a line,
    /// the key in use last. Without it, a file beside an SQLite database, made with it
    #[arg(long, global = true, env = "COUNTERFOIL_KEY_FILE", value_name = "FILE")]
    pub(crate) key_file: Option<PathBuf>,
    /// The firm keys themselves; only in the environment, where no list of processes shows them
    #[arg(long, global = true, env = "COUNTERFOIL_KEYS", hide = true, hide_env_values = true)]
    pub(crate) firm_keys: Option<String>,
    /// Where scans and letters are kept: a folder, or s3://BUCKET or s3://BUCKET/PREFIX, reached as the
    /// environment says (AWS_*). Without it, the folder `evidence` beside an SQLite database
    #[arg(long, global = true, env = "COUNTERFOIL_EVIDENCE", value_name = "DIR")]
    pub(crate) evidence: Option<String>,
    /// The server to ask instead of a database
    #[arg(long, global = true, env = "COUNTERFOIL_SERVER", value_name = "URL")]
    pub(crate) server: Option<String>,
    /// The bearer token for the server, in the environment alone or in a file: on the command line every
    /// list of processes shows it
    #[arg(long, global = true, env = "COUNTERFOIL_TOKEN", hide_env_values = true)]
    pub(crate) token: Option<String>,
    /// The file that holds the token, which nobody else may read; - is standard input
    #[arg(long, global = true, env = "COUNTERFOIL_TOKEN_FILE", value_name = "FILE")]
    pub(crate) token_file: Option<PathBuf>,
    /// Certificates to trust for a server over https, as a PEM file
    #[arg(long, global = true, env = "COUNTERFOIL_CA", value_name = "FILE")]
    pub(crate) ca: Option<PathBuf>,
    /// The firm; without it the only firm there is, or the token's
    #[arg(long, global = true, env = "COUNTERFOIL_FIRM", value_name = "UUID")]
    pub(crate) firm: Option<Uuid>,
    /// Answer in proto3 JSON: one document, or one line per message of a stream
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// Only the answer: no progress, no remarks
    #[arg(long, global = true)]
    pub(crate) quiet: bool,
}

/// The commands.
#[derive(Subcommand)]
pub(crate) enum Command {
    /// Serve the ledger over gRPC, and unary calls as JSON over HTTP, until Ctrl-C or SIGTERM
    Serve(serve::ServeArgs),
    /// Play fourteen months of an invented firm and show what its people would look at
    Demo(demo::DemoArgs),
    /// Register a firm and its plans, rule packs, bureaus and standings, or show them
    #[command(subcommand)]
    Firm(firm::FirmCommand),
    /// List the rule packs that come with the software, or show one as a page for counsel, without a server or database
    #[command(subcommand)]
    Pack(pack::PackCommand),
    /// Hold an agreement that is about to be signed against the law of every state that reaches it
    Prepare(prepare::PrepareArgs),
    /// Record a file of actions, one JSON object a line
    Import(import::ImportArgs),
    /// Correct a fact that was told wrongly, after showing what that changes; or list a client's facts
    /// (personal data)
    Correct(correct::CorrectArgs),
    /// Show one case as it stands (personal data)
    Status(status::StatusArgs),
    /// List the firm's clients (personal data)
    Clients(clients::ClientsArgs),
    /// List what needs a person today
    Due(due::DueArgs),
    /// Claim every earned fee up to a day and issue the invoices
    Bill(billing::BillArgs),
    /// List the periods that are over and not billed, and what holds them
    Claimable(billing::ClaimableArgs),
    /// Explain one period's fee, gate by gate
    Explain(billing::ExplainArgs),
    /// Judge every claimed fee again on what the firm has told of plans, packs, registrations and bonds
    Review(billing::ReviewArgs),
    /// Record what a person finds of the results that a sale by telephone promised (personal data)
    Finding(finding::FindingArgs),
    /// Keep money that nothing allowed by counsel's recorded reason, after showing what that changes
    Keep(keep::KeepArgs),
    /// Show one invoice (personal data)
    Invoice(invoices::InvoiceArgs),
    /// List invoices
    Invoices(invoices::InvoicesArgs),
    /// The books: journal, trial balance, aging, deposits, closed months
    #[command(subcommand)]
    Books(books::BooksCommand),
    /// Ask for the charges that are due and write them for the processor
    Charges(charges::ChargesArgs),
    /// Record what became of charges, from the processor's file
    Results(charges::ResultsArgs),
    /// Lower an invoice, give one up, ask for a refund, or list payments and exposures
    #[command(subcommand)]
    Payment(payment::PaymentCommand),
    /// List clients who may be a couple, or decide about two
    Couples(couples::CouplesArgs),
    /// List every claimed fee that another rule pack would not have allowed, with amounts and citations
    Audit(audit::AuditArgs),
    /// Place a legal hold on a client: nothing of the client is erased while it stands
    Hold(privacy::HoldArgs),
    /// Lift a legal hold
    Release(privacy::HoldArgs),
    /// Destroy the key of a client's personal values, for good
    Erase(privacy::EraseArgs),
    /// List what is kept of each client, until when and by which law
    Retention(Limit),
    /// List who looked at a client, when and by which call
    Looks(looks::LooksArgs),
    /// Keep, fetch or check scans and letters
    #[command(subcommand)]
    Evidence(evidence::EvidenceCommand),
    /// Print events as they are recorded
    Follow(follow::FollowArgs),
    /// Ask a server whether it serves; --server names it if it is not the one on this machine
    Health,
    /// Tell the end of the log: its last position and its root
    Head,
    /// Read the whole log again and compare it with its root; or check a bundle that was exported,
    /// without a server or database
    Verify(log_care::VerifyArgs),
    /// Sign a checkpoint of the log, show or list them, or add a witness's signature
    #[command(subcommand)]
    Checkpoint(checkpoint::CheckpointCommand),
    /// Prove that an event is in the log, or that the log only grew
    Prove(prove::ProveArgs),
    /// Check a proof that `prove --json` gave, without a server or database
    CheckProof(check_proof::CheckProofArgs),
    /// Make an examiner's bundle: the log or a part of it with its proof, tables and reports (personal
    /// data stays sealed)
    Export(export::ExportArgs),
    /// Make, list, rotate or revoke the keys that sign checkpoints
    #[command(subcommand)]
    Keys(keys::KeysCommand),
    /// Copy an SQLite database into a new file, also while a server runs on it
    Backup(backup::BackupArgs),
    /// Make the read models anew from the log
    Rebuild,
    /// Bring a database to what this version knows; on PostgreSQL with a login that owns the tables, so that
    /// the one that serves need not
    Migrate(migrate::MigrateArgs),
    /// Move a firm, or every one, to another database, and prove that all of it arrived
    Move(moving::MoveArgs),
    /// Create, list or revoke bearer tokens
    #[command(subcommand)]
    Tokens(tokens::TokensCommand),
    /// Add a key that personal values are sealed under, or put it to use for every client
    #[command(subcommand)]
    FirmKeys(firm_keys::FirmKeysCommand),
    /// Print the calls that a server answers in JSON, as OpenAPI 3.1
    Contract,
    /// Print the completions of a shell
    Completions(completions::CompletionsArgs),
}

/// The id of an earlier try, for commands that change something.
#[derive(Args, Clone, Copy)]
pub(crate) struct Again {
    /// The request id of an earlier try that was cut short: nothing is done twice
    #[arg(long, value_name = "UUID")]
    pub(crate) request_id: Option<Uuid>,
}

/// How much of a list.
#[derive(Args, Clone, Copy)]
pub(crate) struct Limit {
    /// Most entries to list
    #[arg(long, default_value_t = 1_000, value_parser = clap::builder::RangedU64ValueParser::<usize>::new().range(1..=1_000_000))]
    pub(crate) limit: usize,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_whole() {
        Cli::command().debug_assert();
    }
}

//! Reading what banks and card processors write.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use anyhow::Context;
use api::scalar::{date_message, money_message};
use api::v1;
use calendar::CivilDate;
use clap::Args;
use domain::deposit::{LINES_MAX, STATEMENT_LINES_MAX};
use domain::ids::{BankReference, DocumentHash};
use domain::money::{Currency, Money};
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};
use statement::reason::{self, Reason};
use statement::table::{BankMapping, PayoutMapping};
use statement::{Fault, Line, Payout, PayoutLineKind, Statement, camt, joined, table};

use super::account::signed;
use super::elsewhere::OfTable;
use crate::connect::{Session, request_id};
use crate::exit::{Exit, Stop};
use crate::find::gather;
use crate::out::Out;
use crate::words;

/// Which statement.
#[derive(Args)]
pub(crate) struct BankArgs {
    /// The file: camt.053 (ISO 20022, versions 02 to 08), or CSV with --mapping; - for standard input
    file: PathBuf,
    /// The firm's own code for the account at the bank, as `books bank-account` declared it
    #[arg(long, value_name = "CODE")]
    bank: String,
    /// Which account of a file with several; with --mapping, the account that the file is of
    #[arg(long, value_name = "ACCOUNT")]
    account: Option<String>,
    /// The columns of a CSV file, as JSON
    #[arg(long, value_name = "FILE")]
    mapping: Option<PathBuf>,
    #[command(flatten)]
    balances: Balances,
    /// With --mapping: take the lines although another account has just such ones
    #[arg(long, requires = "mapping")]
    same_lines: bool,
    /// Read the file and say what it holds; record nothing
    #[arg(long)]
    dry_run: bool,
}

/// What a table does not say of its statement.
#[derive(Args)]
struct Balances {
    /// With --mapping: the statement's first day
    #[arg(long, value_name = "DATE", requires_all = ["through", "opening", "closing", "mapping"])]
    from: Option<CivilDate>,
    /// With --mapping: its last day
    #[arg(long, value_name = "DATE", requires = "from")]
    through: Option<CivilDate>,
    /// With --mapping: the balance at the beginning of its first day
    #[arg(long, value_name = "AMOUNT", requires = "from", allow_hyphen_values = true)]
    opening: Option<String>,
    /// With --mapping: the balance at the end of its last day
    #[arg(long, value_name = "AMOUNT", requires = "from", allow_hyphen_values = true)]
    closing: Option<String>,
}

/// Which payouts.
#[derive(Args)]
pub(crate) struct PayoutArgs {
    /// The file; - for standard input
    file: PathBuf,
    /// Its columns, as JSON
    #[arg(long, value_name = "FILE")]
    mapping: PathBuf,
    /// Why the file takes the place of what is recorded otherwise of its payouts: that is taken back, and both stay in the log.
    /// With --dry-run it says what would change
    #[arg(long, value_name = "TEXT")]
    instead_because: Option<String>,
    /// Read the file and say what it holds; record nothing
    #[arg(long)]
    dry_run: bool,
}

/// Reads a file that is not larger than the reader takes. A pipe or a device has no length, and is read
/// only if it is asked for as standard input.
fn read(path: &Path) -> anyhow::Result<Vec<u8>> {
    let cannot = || format!("cannot read {}", path.display());
    if path == Path::new("-") {
        return bounded(io::stdin().lock(), path);
    }
    let metadata = std::fs::metadata(path).with_context(cannot)?;
    if !metadata.is_file() {
        return Err(Stop::refused(format!(
            "{}: must be a file; - reads standard input",
            path.display()
        )));
    }
    if metadata.len() > MOST {
        // Nothing of it is read.
        return Err(too_large(path));
    }
    bounded(File::open(path).with_context(cannot)?, path)
}

fn bounded(from: impl Read, path: &Path) -> anyhow::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let read = from.take(MOST + 1).read_to_end(&mut bytes);
    let length = read.with_context(|| format!("cannot read {}", path.display()))?;
    if length > statement::FILE_BYTES_MAX { Err(too_large(path)) } else { Ok(bytes) }
}

/// Most bytes of a file.
#[allow(clippy::as_conversions, reason = "a usize is no wider than 64 bits")]
const MOST: u64 = statement::FILE_BYTES_MAX as u64;

fn too_large(path: &Path) -> anyhow::Error {
    Stop::refused(format!("{}: must be at most {} MiB", path.display(), MOST >> 20))
}

fn mapping<T: DeserializeOwned>(path: &Path) -> anyhow::Result<T> {
    serde_json::from_slice(&read(path)?)
        .map_err(|error| Stop::usage(format!("{}: {error}", path.display())))
}

/// A file that is not taken: nothing of it was recorded.
fn faulty(path: &Path, fault: &Fault) -> anyhow::Error {
    Stop::refused(format!("{}: {fault}. Nothing was recorded.", path.display()))
}

/// A file as it was read.
struct Found {
    /// Its SHA-256.
    hash: DocumentHash,
    /// The account as the file names it, or as it was said of a table.
    account: Option<String>,
    /// Where it comes from.
    source: v1::StatementSource,
    /// The statements of the account that is meant, by their place in the file.
    statements: Vec<Statement>,
    /// Of a table, the file and its columns.
    table: Option<(Vec<u8>, BankMapping)>,
}

/// The statements that are meant.
fn statements(args: &BankArgs) -> anyhow::Result<Found> {
    let bytes = read(&args.file)?;
    let hash = DocumentHash(Sha256::digest(&bytes).into());
    if let Some(path) = &args.mapping {
        let mapping: BankMapping = mapping(path)?;
        let table =
            table::bank(&bytes, &args.bank, &mapping).map_err(|f| faulty(&args.file, &f))?;
        let statement = balanced(table, &args.balances)?;
        let (account, source) = (args.account.clone(), v1::StatementSource::Csv);
        let (statements, table) = (vec![statement], Some((bytes, mapping)));
        return Ok(Found { hash, account, source, statements, table });
    }
    let mut found = camt::read(&bytes).map_err(|fault| faulty(&args.file, &fault))?;
    let mut accounts: Vec<String> = found.iter().map(|s| s.account.clone()).collect();
    accounts.sort_unstable();
    accounts.dedup();
    let wanted = match (&args.account, accounts.as_slice()) {
        (Some(account), _) | (None, [account]) => account.clone(),
        (None, _) => {
            let count = accounts.len();
            let rule = format!("the file has statements of {count} accounts: name one, --account");
            return Err(Stop::usage(rule));
        }
    };
    found.retain(|statement| statement.account == wanted);
    if found.is_empty() {
        return Err(Stop::refused("the file has no statement of that account"));
    }
    let source = v1::StatementSource::Camt053;
    Ok(Found { hash, account: Some(wanted), source, statements: joined(found), table: None })
}

/// A table with the days and balances that were said of it, which its lines have to lead through.
fn balanced(statement: Statement, said: &Balances) -> anyhow::Result<Statement> {
    let (Some(from), Some(through)) = (said.from, said.through) else { return Ok(statement) };
    let Ok(currency) = Currency::parse(&statement.currency) else {
        return Err(Stop::refused("the mapping's currency is not known"));
    };
    let amount = |text: &Option<String>, option: &str| {
        signed(text.as_deref().unwrap_or_default(), option, currency).map(Money::minor)
    };
    let (opening, closing) =
        (amount(&said.opening, "--opening")?, amount(&said.closing, "--closing")?);
    let sum: i64 = statement.lines.iter().map(|line| line.amount_minor).sum();
    if opening + sum != closing {
        let rule = format!(
            "--opening and the lines come to {}, --closing is another. Nothing was recorded.",
            Money::new(opening + sum, currency)?
        );
        return Err(Stop::refused(rule));
    }
    if statement.lines.iter().any(|line| line.booked_on < from || through < line.booked_on) {
        return Err(Stop::refused(
            "a line is of a day outside of --from and --through. Nothing was recorded.",
        ));
    }
    Ok(Statement {
        from: Some(from),
        through: Some(through),
        opening_minor: Some(opening),
        closing_minor: Some(closing),
        ..statement
    })
}

/// Records the lines of a statement, and the statement if its days and balances are known. Says how many lines were new.
async fn record(
    (found, at): (&Found, usize),
    args: &BankArgs,
    currency: Currency,
    session: &mut Session,
) -> anyhow::Result<i32> {
    let statement = &found.statements[at];
    let lines = statement.lines.iter().map(|line| message(line, &args.bank, currency));
    let lines: Vec<v1::BankLine> = lines.collect::<Result<_, _>>()?;
    let (mut recorded, mut deposits) = (0, Vec::new());
    for some in lines.chunks(LINES_MAX) {
        let request = v1::NoteBankLinesRequest {
            parent: session.firm()?,
            request_id: request_id(None),
            lines: some.to_vec(),
        };
        let answer = session.books.note_bank_lines(request).await?.into_inner();
        recorded += answer.receipt.map_or(0, |receipt| receipt.event_count);
        deposits.extend(answer.deposits);
    }
    let Some((from, through, opening, closing)) = whole(statement) else { return Ok(recorded) };
    let request = v1::NoteStatementRequest {
        parent: session.firm()?,
        request_id: request_id(None),
        bank: args.bank.clone(),
        file_hash: found.hash.to_string(),
        part: i32::try_from(at + 1).context("the number of the statement")?,
        source: found.source.into(),
        from: Some(date_message(from)),
        through: Some(date_message(through)),
        opening: Some(money(opening, currency)?),
        closing: Some(money(closing, currency)?),
        lines: deposits,
    };
    session.books.note_statement(request).await?;
    Ok(recorded)
}

/// Days and balances of a statement that has them all.
fn whole(statement: &Statement) -> Option<(CivilDate, CivilDate, i64, i64)> {
    let Statement { from, through, opening_minor, closing_minor, .. } = statement;
    Some(((*from)?, (*through)?, (*opening_minor)?, (*closing_minor)?))
}

fn money(minor: i64, currency: Currency) -> anyhow::Result<api::google::r#type::Money> {
    Ok(money_message(Money::new(minor, currency).context("an amount of the file")?))
}

fn same_currency(file: &str, own: Currency) -> anyhow::Result<()> {
    if file == own.as_str() {
        return Ok(());
    }
    let rule = format!("the file is in {file}, the books are in {}", own.as_str());
    Err(Stop::refused(rule))
}

fn message(line: &Line, bank: &str, currency: Currency) -> anyhow::Result<v1::BankLine> {
    // What is no code names nobody's payment, and may be free text.
    let codes = line.references.iter().filter(|text| BankReference::parse(text).is_ok());
    Ok(v1::BankLine {
        bank: bank.to_owned(),
        line_hash: DocumentHash(line.hash).to_string(),
        booked_on: Some(date_message(line.booked_on)),
        amount: Some(money(line.amount_minor, currency)?),
        references: codes.cloned().collect(),
        return_reason: line
            .return_reason
            .clone()
            .filter(|text| BankReference::parse(text).is_ok())
            .unwrap_or_default(),
        value_on: line.value_on.map(date_message),
    })
}

/// Refuses a file of an account whose number ends otherwise than the declared one.
async fn same_account(file: &str, args: &BankArgs, session: &mut Session) -> anyhow::Result<()> {
    let request =
        v1::GetChartRequest { name: session.firm()?, at_least_position: session.position };
    let chart = session.books.get_chart(request).await?.into_inner();
    let declared = chart.bank_accounts.into_iter().find(|known| known.bank == args.bank);
    let Some(last_four) = declared.map(|known| known.last_four).filter(|of| !of.is_empty()) else {
        return Ok(());
    };
    let number: Vec<char> = file.chars().filter(|c| c.is_alphanumeric()).collect();
    let ending: String = number[number.len().saturating_sub(4)..].iter().collect();
    if ending == last_four {
        return Ok(());
    }
    let rule = format!(
        "the file is of an account ending {ending}, {} is declared as the one ending {last_four}. Nothing was recorded.",
        args.bank
    );
    Err(Stop::refused(rule))
}

/// A line that the bank gives back: its reason code and its day.
type Returned<'a> = (&'a str, CivilDate);

/// The same as JSON, with what is known of the code.
fn explained((code, on): Returned<'_>) -> serde_json::Value {
    let known = reason::of(code);
    let in_time = known.and_then(|reason| reason.window.earliest_settlement(on));
    serde_json::json!({
        "code": code,
        "bookedOn": on,
        "inTimeIfSettledFrom": in_time,
        "meaning": known.map(|reason| reason.meaning),
        "window": known.map(|reason| reason.window.to_string()),
        "after": known.map(|reason| reason.after.to_string()),
    })
}

/// Records a bank statement.
pub(super) async fn bank(
    args: &BankArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let found = statements(args)?;
    if let Some(account) = &found.account {
        same_account(account, args, session).await?;
    }
    if let Some((bytes, mapping)) = found.table.as_ref().filter(|_| !args.same_lines) {
        OfTable { bytes, mapping, bank: &args.bank }.check_only_here(session).await?;
    }
    let currency = session.currency().await?;
    let (mut count, mut pending, mut recorded) = (0, 0, 0);
    for statement in &found.statements {
        same_currency(&statement.currency, currency)?;
        count += statement.lines.len();
        pending += statement.pending;
        let sum: i64 = statement.lines.iter().map(|line| line.amount_minor).sum();
        if whole(statement).is_some_and(|(_, _, opening, closing)| opening + sum != closing) {
            return Err(Stop::refused(
                "pages of a statement do not lead from its opening balance to its closing one. Nothing was recorded.",
            ));
        }
        if whole(statement).is_some() && statement.lines.len() > STATEMENT_LINES_MAX {
            let rule = format!(
                "a statement has at most {STATEMENT_LINES_MAX} lines: ask the bank for shorter ones. Nothing was recorded."
            );
            return Err(Stop::refused(rule));
        }
    }
    for at in (0..found.statements.len()).filter(|_| !args.dry_run) {
        recorded += record((&found, at), args, currency, session).await?;
    }
    let lines_back = found.statements.iter().flat_map(|statement| &statement.lines);
    let returned: Vec<Returned<'_>> = lines_back
        .filter_map(|line| Some((line.return_reason.as_deref()?, line.booked_on)))
        .collect();
    if out.is_json() {
        out.value(&serde_json::json!({
            "lines": count, "recorded": recorded, "pending": pending, "statements": found.statements.iter().filter_map(whole).count(),
            "returned": returned.iter().copied().map(explained).collect::<Vec<_>>(), "dryRun": args.dry_run,
        }))?;
        return Ok(Exit::Done);
    }
    if args.dry_run {
        out.line(format!("{count} lines read; nothing was recorded."))?;
    } else {
        out.line(format!("{count} lines read, {recorded} of them new."))?;
    }
    if pending > 0 {
        out.note(format!("{pending} lines are not booked yet and were left out."))?;
    }
    for statement in &found.statements {
        match whole(statement) {
            Some((from, through, opening, closing)) => {
                let (opening, closing) =
                    (Money::new(opening, currency)?, Money::new(closing, currency)?);
                out.line(format!("Statement of {from} to {through}: {opening}, then {closing}."))?;
            }
            None => out.note(
                "No statement was recorded: the file does not say its days and balances. With --mapping, say --from, \
                 --through, --opening and --closing.",
            )?,
        }
    }
    for (code, on) in &returned {
        let said = match reason::of(code) {
            Some(Reason { meaning, window, after, .. }) => {
                let in_time = window.earliest_settlement(*on).map(|first| {
                    format!(
                        ", so this one is in time for a payment that settled on {first} or later"
                    )
                });
                let in_time = in_time.unwrap_or_default();
                format!(
                    "{meaning}. A bank may say so {window}{in_time}. What may be done: {after}."
                )
            }
            None => "not known here. Ask the bank.".to_owned(),
        };
        out.line(format!("Returned on {on}, {code}: {said}"))?;
    }
    if !returned.is_empty() {
        out.note("The rules of the payment network, your bank and counsel decide.")?;
    }
    Ok(Exit::Done)
}

fn kind(kind: PayoutLineKind) -> v1::MovementKind {
    match kind {
        PayoutLineKind::Payment => v1::MovementKind::Payment,
        PayoutLineKind::Refund => v1::MovementKind::Refund,
        PayoutLineKind::Chargeback => v1::MovementKind::Chargeback,
        PayoutLineKind::ChargebackWon => v1::MovementKind::ChargebackWon,
        PayoutLineKind::Costs => v1::MovementKind::Unspecified,
    }
}

/// Records payouts.
pub(super) async fn payouts(
    args: &PayoutArgs,
    session: &mut Session,
    out: &mut Out,
) -> anyhow::Result<Exit> {
    let mapping: PayoutMapping = mapping(&args.mapping)?;
    let found = table::payouts(&read(&args.file)?, &mapping).map_err(|f| faulty(&args.file, &f))?;
    let currency = session.currency().await?;
    same_currency(&mapping.form.currency, currency)?;
    let otherwise = match &args.instead_because {
        Some(_) => recorded_otherwise(&found, currency, session).await?,
        None => BTreeMap::new(),
    };
    let mut recorded = 0;
    for payout in found.iter().filter(|_| !args.dry_run) {
        let because =
            args.instead_because.as_ref().filter(|_| otherwise.contains_key(&payout.name));
        let lines = payout.lines.iter().map(|line| {
            let amount = Some(money(line.amount_minor, currency)?);
            let kind = kind(line.kind).into();
            Ok(v1::PayoutLine { kind, name: line.name.clone(), amount })
        });
        let request = v1::NotePayoutRequest {
            parent: session.firm()?,
            request_id: request_id(None),
            payout: payout.name.clone(),
            paid_on: Some(date_message(payout.paid_on)),
            net: Some(money(payout.net_minor(), currency)?),
            lines: lines.collect::<anyhow::Result<_>>()?,
            instead_because: because.cloned().unwrap_or_default(),
        };
        let answer = session.books.note_payout(request).await?.into_inner();
        recorded += u32::from(answer.receipt.is_some_and(|receipt| receipt.event_count > 0));
    }
    let count = found.len();
    if out.is_json() {
        out.value(&serde_json::json!({
            "payouts": count, "recorded": recorded, "dryRun": args.dry_run, "otherwise": otherwise,
        }))?;
        return Ok(Exit::Done);
    }
    for said in otherwise.values() {
        out.line(said)?;
    }
    if args.dry_run {
        out.line(format!("{count} payouts read; nothing was recorded."))?;
    } else {
        out.line(format!("{count} payouts read, {recorded} of them new."))?;
    }
    Ok(Exit::Done)
}

/// The payouts of a file that are recorded and say something else, by name, and what becomes of each.
async fn recorded_otherwise(
    found: &[Payout],
    currency: Currency,
    session: &mut Session,
) -> anyhow::Result<BTreeMap<String, String>> {
    let filter = v1::ListDepositsRequest {
        parent: session.firm()?,
        at_least_position: session.position,
        state: v1::DepositState::Payout.into(),
        ..Default::default()
    };
    let recorded = gather(usize::MAX, async |page_size, page_token| {
        let request = v1::ListDepositsRequest { page_size, page_token, ..filter.clone() };
        let answer = session.books.list_deposits(request).await?.into_inner();
        Ok((answer.deposits, answer.next_page_token))
    });
    let recorded = recorded.await?.entries;
    let mut otherwise = BTreeMap::new();
    for payout in found {
        let Some(known) = recorded.iter().find(|known| known.payout == payout.name) else {
            continue;
        };
        let says = |amount: String, day: String, movements: usize| {
            format!("{amount} of {day} with {movements} movements")
        };
        let count = usize::try_from(known.movement_count).unwrap_or_default();
        let before = words::amount(known.amount.as_ref());
        let before = says(before, words::day(known.booked_on.as_ref()), count);
        let net = Money::new(payout.net_minor(), currency)?.to_string();
        let after = says(net, payout.paid_on.to_string(), payout.lines.len());
        let said = if before == after {
            format!("Payout {}: recorded as {before}, as the file has it.", payout.name)
        } else {
            format!("Payout {}: recorded as {before}; by the file {after}.", payout.name)
        };
        otherwise.insert(payout.name.clone(), said);
    }
    Ok(otherwise)
}

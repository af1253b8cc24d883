//! The firm's accounts at banks: what is declared, their statements, what was recorded by mistake, and their
//! reconciliation.

use std::collections::BTreeSet;
use std::sync::Arc;

use api::requests::{self, Asked, ReconciliationOf, TakeBackAsked};
use api::scalar::{date_message, int32, int64, money_message};
use api::status::Failure;
use api::{IN_TRANSIT_MAX, Paired as _, RECONCILED_MAX, name, v1};
use books::{BankItem, BankReconciled, InTransit, Reconciled, StatementKnown, UnexplainedLine};
use calendar::CivilDate;
use domain::command::{BankAction, Command, TakeBack};
use domain::deposit::Deposit;
use domain::event::StreamId;
use domain::firm::{BankAccount, Firm};
use domain::ids::{BankCode, DepositId, FirmId};
use domain::money::Currency;
use domain::refusal::{Reason, Refusal};
use log::Answer;

use super::anew;
use super::month::last_day;
use crate::access::Authority;
use crate::ledger::{Ledger, as_deposit, receipt};
use crate::present::{day, minor};

pub(super) async fn declare(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::DeclareBankAccountRequest,
) -> Result<Answer, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let currency = ledger.currency(&message.name).await?;
    let asked = requests::declare_bank_account(message, currency)?;
    ledger.submit(authority, asked, api::fingerprint(message)).await
}

pub(super) async fn note_statement(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::NoteStatementRequest,
) -> Result<v1::NoteStatementResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let currency = ledger.currency(&message.parent).await?;
    let asked = requests::note_statement(message, currency)?;
    let statement = match &asked.command {
        Command::Bank(BankAction::NoteStatement(noted)) => {
            let seen = &noted.seen;
            let id = DepositId::of_statement(&seen.bank, &seen.file, seen.part);
            name::deposit(asked.firm, id)
        }
        _ => String::new(),
    };
    let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
    Ok(v1::NoteStatementResponse { receipt: Some(receipt(&answer)), statement })
}

/// What is declared, as a message.
pub(super) fn bank_account(known: &BankAccount) -> v1::BankAccount {
    let declared = &known.declared;
    let text = |of: Option<String>| of.unwrap_or_default();
    v1::BankAccount {
        bank: declared.bank.to_string(),
        display_name: declared.name.to_string(),
        last_four: text(declared.last_four.as_ref().map(ToString::to_string)),
        ledger_account: text(declared.ledger_account.as_ref().map(ToString::to_string)),
        opened_on: Some(date_message(known.opened_on)),
        opening: Some(money_message(declared.opening)),
        closed_on: declared.closed_on.map(date_message),
    }
}

/// Takes back a line or a payout; with a statement go the lines that no other statement in force has.
pub(super) async fn take_back(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::TakeBackDepositRequest,
) -> Result<Answer, Failure> {
    ledger.check_name(authority, &message.name).await?;
    let TakeBackAsked { firm, request_id, deposit, reason } = requests::take_back_deposit(message)?;
    let (_, states) = ledger.states(firm, &[StreamId::Deposit(deposit)], 0).await?;
    let known = states.into_iter().find_map(as_deposit);
    let known = known.ok_or_else(|| Failure::internal("a deposit is no deposit"))?;
    let lines = match &known.statement {
        Some(statement) => {
            let mine = statement.lines.iter().map(|line| line.line).collect();
            only_there(ledger, firm, (deposit, &statement.seen.bank), mine).await?
        }
        None => Vec::new(),
    };
    if known.payout.is_some() {
        check_no_match(ledger, firm, deposit).await?;
    }
    let action = BankAction::TakeBack(TakeBack { deposit, lines, reason });
    let asked = Asked { firm, request_id, command: Command::Bank(action) };
    ledger.submit(authority, asked, api::fingerprint(message)).await
}

/// Lines of a statement that are recorded and on no other statement of the account.
async fn only_there(
    ledger: &Ledger,
    firm: FirmId,
    (statement, bank): (DepositId, &BankCode),
    mut lines: BTreeSet<DepositId>,
) -> Result<Vec<DepositId>, Failure> {
    let (reconciled, _) = reconciled(ledger, firm, last_day()).await?;
    let of_bank = reconciled.banks.into_iter().filter(|of| of.bank == *bank);
    let others = of_bank.flat_map(|of| of.statements).filter(|other| other.id != statement);
    let others: Vec<_> = others.map(|other| StreamId::Deposit(other.id)).collect();
    for state in streams(ledger, firm, &others).await? {
        let listed = state.statement.iter().flat_map(|other| &other.lines);
        for line in listed {
            lines.remove(&line.line);
        }
    }
    let mine: Vec<_> = lines.into_iter().collect();
    let of_lines: Vec<_> = mine.iter().map(|id| StreamId::Deposit(*id)).collect();
    let known = streams(ledger, firm, &of_lines).await?;
    let recorded = mine.into_iter().zip(known).filter(|(_, line)| line.line.is_some());
    Ok(recorded.map(|(id, _)| id).collect())
}

/// Streams of deposits, in the order asked for.
async fn streams(ledger: &Ledger, firm: FirmId, of: &[StreamId]) -> Result<Vec<Deposit>, Failure> {
    /// Streams read at once.
    const AT_ONCE: usize = 500;
    let mut found = Vec::with_capacity(of.len());
    for some in of.chunks(AT_ONCE) {
        let (_, states) = ledger.states(firm, some, 0).await?;
        found.extend(states.into_iter().filter_map(as_deposit).map(Arc::unwrap_or_clone));
    }
    if found.len() == of.len() {
        Ok(found)
    } else {
        Err(Failure::internal("a deposit's stream folded into another state"))
    }
}

/// A payout that a match names is neither taken back nor told anew: the match is first.
pub(super) async fn check_no_match(
    ledger: &Ledger,
    firm: FirmId,
    payout: DepositId,
) -> Result<(), Failure> {
    let head = ledger.engine().head(firm).await?.position;
    ledger.read_at(firm, head).await?;
    let Some(line) = ledger.store().matched_to(firm, payout).await? else { return Ok(()) };
    let detail = format!("it stands behind deposit/{line}: reverse that match first");
    let refusal = Refusal::new(Reason::StateRefuses, StreamId::Deposit(payout), detail);
    Err(Failure::Refused(Box::new(refusal)))
}

/// The reconciliation at the end of a day, by the log alone, and the position it was made at.
async fn reconciled(
    ledger: &Ledger,
    firm: FirmId,
    through: CivilDate,
) -> Result<(Reconciled, u64), Failure> {
    let position = ledger.engine().head(firm).await?.position;
    let (_, _, reconciled) = anew::controls(ledger, firm, (position, through)).await?;
    Ok((reconciled, position))
}

pub(super) async fn get_reconciliation(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::GetReconciliationRequest,
) -> Result<v1::GetReconciliationResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let get = requests::get_reconciliation(message)?;
    ledger.read_at(get.firm, get.at_least_position).await?;
    let firm = ledger.firms().get(get.firm).await?;
    let Some(registered) = &firm.registered else {
        return Err(Failure::NotFound { resource_type: "Firm", name: name::firm(get.firm) });
    };
    let currency = registered.currency;
    let ReconciliationOf { through, bank } = get.id;
    let (reconciled, position) = reconciled(ledger, get.firm, through).await?;
    let wanted = reconciled.banks.iter().filter(|of| bank.as_ref().is_none_or(|b| *b == of.bank));
    let show = Shown { firm_id: get.firm, firm: &firm, currency };
    let banks: Vec<_> = wanted.map(|of| show.bank(of)).collect();
    if let Some(bank) = bank.filter(|_| banks.is_empty()) {
        let known: Vec<&str> = firm.banks.keys().map(BankCode::as_str).collect();
        let rule =
            format!("no account {bank} at a bank is known; declared are {}", known.join(", "));
        return Err(api::FieldErrors::one("bank", rule).into());
    }
    let in_transit = reconciled.in_transit.iter().take(IN_TRANSIT_MAX);
    Ok(v1::GetReconciliationResponse {
        banks,
        clearing: minor(reconciled.clearing_minor, currency),
        in_transit: in_transit.map(|of| show.in_transit(of)).collect(),
        more_in_transit: reconciled.in_transit.len() > IN_TRANSIT_MAX,
        position: int64(position),
    })
}

/// A reconciliation as messages.
struct Shown<'f> {
    firm_id: FirmId,
    firm: &'f Firm,
    currency: Currency,
}

impl Shown<'_> {
    fn deposit(&self, id: Option<DepositId>) -> String {
        id.map(|id| name::deposit(self.firm_id, id)).unwrap_or_default()
    }

    fn bank(&self, of: &BankReconciled) -> v1::BankReconciliation {
        let amount = |of: i64| minor(of, self.currency);
        let (items, lines) = (&of.items, &of.unexplained);
        let answered = |item: &BankItem| !of.unanswered().any(|open| open == item);
        let item = |item: &BankItem| v1::ReconciliationItem {
            kind: item.kind.code().to_owned(),
            amount: amount(item.minor),
            happened_on: day(item.on),
            through: item.through.and_then(day),
            deposit: self.deposit(item.deposit),
            answered: answered(item),
        };
        let line = |line: &UnexplainedLine| v1::LineNotExplained {
            deposit: self.deposit(Some(line.deposit)),
            booked_on: day(line.on),
            amount: amount(line.minor),
            explained_since: line.is_explained_since,
        };
        let statement = |of: &StatementKnown| v1::BankStatement {
            name: self.deposit(Some(of.id)),
            from: day(of.from),
            through: day(of.through),
            opening: amount(of.opening_minor),
            closing: amount(of.closing_minor),
            line_count: int32(u64::from(of.lines)),
        };
        v1::BankReconciliation {
            bank: of.bank.to_string(),
            account: self.firm.banks.get(&of.bank).map(bank_account),
            wanted_through: of.wanted_through.and_then(day),
            stated_on: of.statement.and_then(|of| day(of.on)),
            statement_balance: of.statement.and_then(|of| amount(of.minor)),
            ledger_balance: amount(of.ledger_minor),
            difference: of.statement.and_then(|_| amount(of.difference_minor())),
            items: items.iter().take(RECONCILED_MAX).map(item).collect(),
            not_explained: lines.iter().take(RECONCILED_MAX).map(line).collect(),
            statements: of.statements.iter().map(statement).collect(),
            more: items.len().max(lines.len()) > RECONCILED_MAX,
        }
    }

    fn in_transit(&self, of: &InTransit) -> v1::MovementInTransit {
        let kind = of.kind.map_or(v1::MovementKind::Unspecified, v1::MovementKind::from_domain);
        v1::MovementInTransit {
            kind: kind.into(),
            name: of.name.as_ref().map(ToString::to_string).unwrap_or_default(),
            account: of.account.map(|id| name::account(self.firm_id, id)).unwrap_or_default(),
            happened_on: of.on.and_then(day),
            amount: minor(of.minor, self.currency),
            deposit: self.deposit(of.arrived),
        }
    }
}

//! What a bank and the card processor say, and what a person makes of it.

use domain::command::{
    BankAction, BookLine, Command, Dated, FirmAction, LineNoted, PayoutNoted, StatementNoted,
};
use domain::event::{
    BankAccountDeclared, MatchRefused, Movement, PayoutLine, StatementLineSeen, StatementSeen,
};
use domain::ids::{
    AccountId, AccountNumber, BankCode, BankReference, DepositId, DocumentHash, FirmId,
    ProcessorRef, RequestId,
};
use domain::money::{Currency, Money};
use domain::value::Text;

use crate::field::{FieldErrors, Fields};
use crate::limit::{
    BANK_LINES_MAX, LINE_REFERENCES_MAX, MOVEMENTS_MAX, PAYOUT_LINES_MAX, REFUSED_MOVEMENTS_MAX,
    STATEMENT_LINES_MAX,
};
use crate::requests::books::month_end;
use crate::requests::read::{account_name, deposit_name, firm_name, get, own};
use crate::requests::{Asked, Get};
use crate::scalar::CivilDate;
use crate::v1;

/// What stands behind a line, as far as the request says. The service finds the accounts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MatchAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The line.
    pub deposit: DepositId,
    /// The payout it is.
    pub payout: Option<DepositId>,
    /// The movements; none if the payout says them.
    pub movements: Vec<MovementNamed>,
    /// Other lines of the same money.
    pub joined: Vec<DepositId>,
    /// What the processor kept; as the payout says if nothing is said.
    pub costs: Option<Money>,
}

/// A movement and, if it is said, its account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MovementNamed {
    /// The movement.
    pub movement: Movement,
    /// The account.
    pub account: Option<AccountId>,
}

/// A match to take back. The service finds what stands behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReverseMatchAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The line.
    pub deposit: DepositId,
}

/// Something that was recorded by mistake. The service finds the lines that go with a statement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakeBackAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The line, statement or payout.
    pub deposit: DepositId,
    /// Why.
    pub reason: Option<Text>,
}

/// What to reconcile.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReconciliationOf {
    /// At the end of this day.
    pub through: CivilDate,
    /// Only this account.
    pub bank: Option<BankCode>,
}

fn bank(
    firm: Option<FirmId>,
    request_id: Option<RequestId>,
    action: Option<BankAction>,
) -> Option<Asked> {
    Some(Asked { firm: firm?, request_id: request_id?, command: Command::Bank(action?) })
}

/// Reads a `NoteBankLines`.
pub fn note_bank_lines(
    m: &v1::NoteBankLinesRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let lines = f.each("lines", &m.lines, 1..=BANK_LINES_MAX, line);
        bank(firm, request_id, lines.map(BankAction::NoteLines))
    })
}

fn line(f: &mut Fields, m: &v1::BankLine) -> Option<LineNoted> {
    let code = f.parse("bank", &m.bank, BankCode::parse);
    let hash = f.parse("line_hash", &m.line_hash, DocumentHash::parse);
    let booked_on = f.date("booked_on", m.booked_on.as_ref());
    let amount = f.money("amount", m.amount.as_ref());
    let references = f.each("references", &m.references, 0..=LINE_REFERENCES_MAX, |f, text| {
        f.parse_self(text, BankReference::parse)
    });
    let return_reason = f.parse_optional("return_reason", &m.return_reason, BankReference::parse);
    let value_on = f.optional_date("value_on", m.value_on.as_ref());
    let seen = StatementLineSeen {
        amount: amount?,
        bank: code?,
        line: hash?,
        references: references?,
        return_reason: return_reason?,
        value_on: value_on?,
    };
    Some(LineNoted { booked_on: booked_on?, seen })
}

/// Reads a `DeclareBankAccount`. The day it happened is that of the opening balance.
pub fn declare_bank_account(
    m: &v1::DeclareBankAccountRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let firm = firm_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let account = f.message("account", m.account.as_ref(), |f, m| {
            let bank = f.parse("bank", &m.bank, BankCode::parse);
            let name = f.parse("display_name", &m.display_name, Text::line);
            let last_four = f.parse_optional("last_four", &m.last_four, Text::line);
            let ledger_account =
                f.parse_optional("ledger_account", &m.ledger_account, AccountNumber::parse);
            let opened_on = f.date("opened_on", m.opened_on.as_ref());
            let opening = f.money("opening", m.opening.as_ref());
            let closed_on = f.optional_date("closed_on", m.closed_on.as_ref());
            let declared = BankAccountDeclared {
                bank: bank?,
                closed_on: closed_on?,
                last_four: last_four?,
                ledger_account: ledger_account?,
                name: name?,
                opening: opening?,
            };
            Some((opened_on?, declared))
        });
        let (occurred_on, declared) = account?;
        let action = FirmAction::DeclareBankAccount(declared);
        let action = Dated { occurred_at: None, occurred_on, action };
        Some(Asked { firm: firm?, request_id: request_id?, command: Command::Firm { action } })
    })
}

/// Reads a `NoteStatement`.
pub fn note_statement(
    m: &v1::NoteStatementRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let code = f.parse("bank", &m.bank, BankCode::parse);
        let file = f.parse("file_hash", &m.file_hash, DocumentHash::parse);
        let part = f.number("part", m.part, 1..=STATEMENTS_OF_FILE_MAX);
        let source = f.code::<v1::StatementSource>("source", m.source);
        let from = f.date("from", m.from.as_ref());
        let through = f.date("through", m.through.as_ref());
        let opening = f.money("opening", m.opening.as_ref());
        let closing = f.money("closing", m.closing.as_ref());
        let lines = deposits(f, ("lines", STATEMENT_LINES_MAX), firm, &m.lines);
        let seen = StatementSeen {
            bank: code?,
            closing: closing?,
            file: file?,
            from: from?,
            lines: 0,
            opening: opening?,
            part: part?,
            source: source?,
        };
        let noted = StatementNoted { seen, through: through?, lines: lines? };
        bank(firm, request_id, Some(BankAction::NoteStatement(noted)))
    })
}

/// Most statements of one file.
const STATEMENTS_OF_FILE_MAX: u32 = 10_000;

/// Reads a `TakeBackDeposit`.
pub fn take_back_deposit(m: &v1::TakeBackDepositRequest) -> Result<TakeBackAsked, FieldErrors> {
    Fields::check(None, |f| {
        let name = deposit_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let reason = f.parse_optional("reason", &m.reason, Text::parse);
        let (firm, deposit) = name?;
        Some(TakeBackAsked { firm, request_id: request_id?, deposit, reason: reason? })
    })
}

/// Reads a `GetReconciliation`.
pub fn get_reconciliation(
    m: &v1::GetReconciliationRequest,
) -> Result<Get<ReconciliationOf>, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let through = month_end(f, m.through.as_ref());
        let bank = f.parse_optional("bank", &m.bank, BankCode::parse);
        let of = through.zip(bank).map(|(through, bank)| ReconciliationOf { through, bank });
        get(f, firm.zip(of), m.at_least_position)
    })
}

/// Reads a `NotePayout`.
pub fn note_payout(
    m: &v1::NotePayoutRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let payout = f.parse("payout", &m.payout, ProcessorRef::parse);
        let paid_on = f.date("paid_on", m.paid_on.as_ref());
        let net = f.money("net", m.net.as_ref());
        let lines = f.each("lines", &m.lines, 1..=PAYOUT_LINES_MAX, |f, m| {
            let movement = movement(f, m.kind, &m.name);
            let amount = f.money("amount", m.amount.as_ref());
            Some(PayoutLine { amount: amount?, movement: movement? })
        });
        let because = f.parse_optional("instead_because", &m.instead_because, Text::parse);
        let noted = PayoutNoted {
            instead_because: because?,
            lines: lines?,
            net: net?,
            paid_on: paid_on?,
            payout: payout?,
        };
        bank(firm, request_id, Some(BankAction::NotePayout(noted)))
    })
}

fn movement(f: &mut Fields, kind: i32, name: &str) -> Option<Movement> {
    let kind = f.code::<v1::MovementKind>("kind", kind);
    let name = f.parse("name", name, ProcessorRef::parse);
    Some(Movement { kind: kind?, name: name? })
}

/// Reads a `ConfirmMatch`.
pub fn confirm_match(
    m: &v1::ConfirmMatchRequest,
    currency: Option<Currency>,
) -> Result<MatchAsked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = deposit_name(f, "name", &m.name);
        let firm = name.map(|(firm, _)| firm);
        let request_id = f.request_id(&m.request_id);
        let payout = own(f, "payout", firm, &m.payout, deposit_name);
        let movements = f.each("movements", &m.movements, 0..=MOVEMENTS_MAX, |f, m| {
            let movement = movement(f, m.kind, &m.name);
            let account = own(f, "account", firm, &m.account, account_name);
            Some(MovementNamed { movement: movement?, account: account? })
        });
        let joined = joined(f, firm, &m.joined);
        let costs = f.optional_money("costs", m.costs.as_ref());
        payout_or_movements(f, &m.payout, &m.movements);
        if m.payout.is_empty() && !m.movements.is_empty() && m.costs.is_none() {
            f.fail("costs", "is required without a payout; zero if nothing was kept");
        }
        let (firm, deposit) = name?;
        Some(MatchAsked {
            firm,
            request_id: request_id?,
            deposit,
            payout: payout?,
            movements: movements?,
            joined: joined?,
            costs: costs?,
        })
    })
}

/// Other lines of the same firm.
fn joined(f: &mut Fields, firm: Option<FirmId>, names: &[String]) -> Option<Vec<DepositId>> {
    deposits(f, ("joined", BANK_LINES_MAX), firm, names)
}

/// Deposits of the same firm, at most so many.
fn deposits(
    f: &mut Fields,
    (field, most): (&str, usize),
    firm: Option<FirmId>,
    names: &[String],
) -> Option<Vec<DepositId>> {
    f.each(field, names, 0..=most, |f, text| {
        let rule = "must be firms/{firm}/deposits/{deposit} of the same firm";
        let named = crate::name::parse_deposit(text);
        f.known_self(named.filter(|(owner, _)| Some(*owner) == firm).map(|(_, id)| id), rule)
    })
}

fn payout_or_movements(f: &mut Fields, payout: &str, movements: &[v1::MatchedMovement]) {
    match (payout.is_empty(), movements.is_empty()) {
        (true, true) => f.fail("movements", "is required, or a payout"),
        (false, false) => f.fail("movements", "must be empty: the payout names them"),
        _ => {}
    }
}

/// Reads a `RefuseMatch`.
pub fn refuse_match(m: &v1::RefuseMatchRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let name = deposit_name(f, "name", &m.name);
        let firm = name.map(|(firm, _)| firm);
        let request_id = f.request_id(&m.request_id);
        let payout = own(f, "payout", firm, &m.payout, deposit_name);
        let movements = f.each("movements", &m.movements, 0..=REFUSED_MOVEMENTS_MAX, |f, m| {
            movement(f, m.kind, &m.name)
        });
        let joined = joined(f, firm, &m.joined);
        payout_or_movements(f, &m.payout, &m.movements);
        let (firm, deposit) = name?;
        let refused = MatchRefused { joined: joined?, movements: movements?, payout: payout? };
        bank(Some(firm), request_id, Some(BankAction::RefuseMatch { deposit, refused }))
    })
}

/// Reads a `MatchAutomatically`.
pub fn match_automatically(
    m: &v1::MatchAutomaticallyRequest,
) -> Result<(FirmId, RequestId), FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        Some((firm?, request_id?))
    })
}

/// Reads a `ReverseMatch`.
pub fn reverse_match(m: &v1::ReverseMatchRequest) -> Result<ReverseMatchAsked, FieldErrors> {
    Fields::check(None, |f| {
        let name = deposit_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let (firm, deposit) = name?;
        Some(ReverseMatchAsked { firm, request_id: request_id?, deposit })
    })
}

/// Reads a `BookDeposit`.
pub fn book_deposit(m: &v1::BookDepositRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let name = deposit_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let purpose = f.code::<v1::Purpose>("purpose", m.purpose);
        let note = f.parse_optional("note", &m.note, Text::parse);
        let (firm, deposit) = name?;
        let line = BookLine { deposit, note: note?, purpose: purpose? };
        bank(Some(firm), request_id, Some(BankAction::BookLine(line)))
    })
}

/// Reads a `ReverseBooking`.
pub fn reverse_booking(m: &v1::ReverseBookingRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let name = deposit_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let (firm, deposit) = name?;
        bank(Some(firm), request_id, Some(BankAction::ReverseBooking { deposit }))
    })
}

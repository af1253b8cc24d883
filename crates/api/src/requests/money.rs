//! Corrections of what was told of money, and of what a firm told of itself.

use domain::command::{AccountAction, Dated, FirmAction, FirmBecomes, MoneyBecomes};
use domain::ids::{AccountId, FirmId, RequestId};
use domain::money::Currency;
use domain::value::{Personal, Text};

use crate::field::{FieldErrors, Fields};
use crate::firm_action;
use crate::payment_action::{invoice, lower, payment};
use crate::requests::read::{account_name, firm_name};
use crate::v1;
use crate::v1::record_payment_request::Event as Payment;

/// A correction of what was told of money. What it is about is in the log, and read from there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MoneyAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The account at which it was told.
    pub account: AccountId,
    /// The version the caller decided on.
    pub expected_version: Option<u64>,
    /// The position of the reading in force.
    pub position: u64,
    /// What it becomes.
    pub becomes: MoneyBecomes,
    /// Why.
    pub reason: Personal,
    /// Who said so.
    pub said_by: Personal,
    /// Whether only to say what would change.
    pub validate_only: bool,
}

/// Reads a `CorrectMoney`.
pub fn correct_money(
    m: &v1::CorrectMoneyRequest,
    currency: Option<Currency>,
) -> Result<MoneyAsked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = account_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let expected_version = f.expected_version(m.expected_version);
        let position = match f.position("position", m.position) {
            Some(0) => f.refuse("position", "must be the position of an event"),
            position => position,
        };
        let becomes = becomes(f, name.as_ref().map(|(firm, _)| *firm), m.becomes.as_ref());
        let reason = f.parse("reason", &m.reason, Personal::parse);
        let said_by = f.parse("said_by", &m.said_by, Personal::parse);
        let (firm, account) = name?;
        Some(MoneyAsked {
            firm,
            request_id: request_id?,
            account,
            expected_version: expected_version?,
            position: position?,
            becomes: becomes?,
            reason: reason?,
            said_by: said_by?,
            validate_only: m.validate_only,
        })
    })
}

fn becomes(
    f: &mut Fields,
    firm: Option<FirmId>,
    m: Option<&v1::correct_money_request::Becomes>,
) -> Option<MoneyBecomes> {
    use v1::correct_money_request::Becomes as B;
    match m {
        Some(B::TakenBack(_)) => Some(MoneyBecomes::Nothing),
        Some(B::OccurredOn(date)) => f.date("occurred_on", Some(date)).map(MoneyBecomes::OnDay),
        Some(B::Fact(fact)) => {
            let dated = f.within("fact", |f| dated(f, firm?, fact));
            dated.map(|dated| MoneyBecomes::Told(Box::new(dated)))
        }
        Some(B::OfAnother(of)) => f.within("of_another", |f| of_another(f, firm?, of)),
        None => f.refuse("becomes", "is required: taken_back, occurred_on, fact or of_another"),
    }
}

fn of_another(f: &mut Fields, firm: FirmId, m: &v1::PaymentOfAnother) -> Option<MoneyBecomes> {
    let account = account_name(f, "account", &m.account);
    let account = match account {
        Some((other, _)) if other != firm => f.refuse("account", "must be of the same firm"),
        account => account.map(|(_, account)| account),
    };
    let invoice =
        if m.invoice.is_empty() { Some(None) } else { invoice(f, firm, &m.invoice).map(Some) };
    Some(MoneyBecomes::MovedTo { account: account?, invoice: invoice? })
}

fn dated(f: &mut Fields, firm: FirmId, m: &v1::MoneyFact) -> Option<Dated<AccountAction>> {
    use v1::money_fact::Event as E;
    let occurred_on = f.date("occurred_on", m.occurred_on.as_ref());
    let mut of = |event: Payment| payment(f, firm, &event);
    let action = match m.event.clone() {
        Some(E::Settled(m)) => of(Payment::Settled(m)),
        Some(E::Failed(m)) => of(Payment::Failed(m)),
        Some(E::Refunded(m)) => of(Payment::Refunded(m)),
        Some(E::ChargebackOpened(m)) => of(Payment::ChargebackOpened(m)),
        Some(E::ChargebackWon(m)) => of(Payment::ChargebackWon(m)),
        Some(E::ChargebackLost(m)) => of(Payment::ChargebackLost(m)),
        Some(E::Credited(m)) => {
            f.within("credited", |f| lowered(f, firm, &m)).map(AccountAction::GrantCredit)
        }
        Some(E::WrittenOff(m)) => {
            f.within("written_off", |f| lowered(f, firm, &m)).map(AccountAction::WriteOff)
        }
        None => f.refuse("event", "is required: exactly one of what became of money"),
    };
    Some(Dated { occurred_at: None, occurred_on: occurred_on?, action: action? })
}

fn lowered(f: &mut Fields, firm: FirmId, m: &v1::InvoiceLowered) -> Option<domain::command::Lower> {
    lower(f, firm, &m.invoice, m.amount.as_ref(), &m.reason)
}

/// A correction of what a firm told of itself. What it is about is in the log, and read from there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FirmCorrectionAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The position of the reading in force.
    pub position: u64,
    /// What it becomes.
    pub becomes: FirmBecomes,
    /// Why.
    pub reason: Text,
    /// Who said so.
    pub said_by: Text,
    /// Whether only to say what it would be.
    pub validate_only: bool,
}

/// Reads a `CorrectFirm`.
pub fn correct_firm(
    m: &v1::CorrectFirmRequest,
    currency: Option<Currency>,
) -> Result<FirmCorrectionAsked, FieldErrors> {
    use v1::correct_firm_request::Becomes as B;
    Fields::check(currency, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let position = match f.position("position", m.position) {
            Some(0) => f.refuse("position", "must be the position of an event"),
            position => position,
        };
        let becomes = match &m.becomes {
            Some(B::TakenBack(_)) => Some(FirmBecomes::Nothing),
            Some(B::OccurredOn(date)) => f.date("occurred_on", Some(date)).map(FirmBecomes::OnDay),
            Some(B::Standing(anew)) => f.within("standing", |f| {
                let occurred_on = f.date("occurred_on", anew.occurred_on.as_ref());
                let standing = f.message("standing", anew.standing.as_ref(), firm_action::standing);
                let action = FirmAction::RecordStanding(standing?);
                let dated = Dated { occurred_at: None, occurred_on: occurred_on?, action };
                Some(FirmBecomes::Told(Box::new(dated)))
            }),
            None => f.refuse("becomes", "is required: taken_back, occurred_on or standing"),
        };
        let reason = f.parse("reason", &m.reason, Text::parse);
        let said_by = f.parse("said_by", &m.said_by, Text::parse);
        Some(FirmCorrectionAsked {
            firm: firm?,
            request_id: request_id?,
            position: position?,
            becomes: becomes?,
            reason: reason?,
            said_by: said_by?,
            validate_only: m.validate_only,
        })
    })
}

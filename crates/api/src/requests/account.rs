//! Requests that change an account: named, or found by what the request is about.

use domain::command::{AccountAction, Command, Dated};
use domain::ids::{AccountId, FirmId, ProcessorRef, RequestId};
use domain::money::Currency;

use crate::contact::card;
use crate::field::{FieldErrors, Fields};
use crate::google::r#type::{Date, Money};
use crate::requests::Asked;
use crate::requests::read::account_name;
use crate::scalar::CivilDate;
use crate::{name, payment_action, v1};

/// An action on an account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AccountAsked {
    /// The firm.
    pub firm: FirmId,
    /// Whose account.
    pub account: WhichAccount,
    request_id: RequestId,
    action: Dated<AccountAction>,
}

impl AccountAsked {
    /// The command, on the account that is meant.
    pub fn on(self, account: AccountId) -> Asked {
        let command = Command::Account { account, action: self.action };
        Asked { firm: self.firm, request_id: self.request_id, command }
    }
}

/// How a request names its account.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WhichAccount {
    /// By its id.
    Named(AccountId),
    /// By something that it has.
    With(Clue),
}

/// What leads to an account, and the field that names it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Clue {
    /// The field's path: `refunded.payment`.
    pub field: &'static str,
    /// What it names.
    pub what: Known,
}

/// Something that one account has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Known {
    /// An invoice, by its number.
    Invoice(u64),
    /// A payment, by the processor's name for it.
    Payment(ProcessorRef),
    /// A chargeback, by the processor's name for it.
    Chargeback(ProcessorRef),
}

/// What an action is about that is on record already; nothing if it is about nothing of the kind.
fn clue(action: &AccountAction) -> Option<Clue> {
    let (field, what) = match action {
        AccountAction::PaymentReceived(e) => ("settled.invoice", Known::Invoice(e.invoice?)),
        AccountAction::ChargeFailed(e) => ("failed.invoice", Known::Invoice(e.invoice)),
        AccountAction::RequestRefund(e) => ("payment", Known::Payment(e.payment.clone())),
        AccountAction::RefundFailed(e) => {
            ("refund_failed.payment", Known::Payment(e.payment.clone()))
        }
        AccountAction::Refund(e) => ("refunded.payment", Known::Payment(e.payment.clone())),
        AccountAction::OpenChargeback(e) => {
            ("chargeback_opened.payment", Known::Payment(e.payment.clone()))
        }
        AccountAction::ChargebackWon(name) => {
            ("chargeback_won.chargeback", Known::Chargeback(name.clone()))
        }
        AccountAction::ChargebackLost(name) => {
            ("chargeback_lost.chargeback", Known::Chargeback(name.clone()))
        }
        AccountAction::GrantCredit(e) | AccountAction::WriteOff(e) => {
            ("invoice", Known::Invoice(e.invoice))
        }
        AccountAction::ChangeCard(_) | AccountAction::RequestCharge { .. } => return None,
    };
    Some(Clue { field, what })
}

/// What every action on an account has; the account, where it is named.
struct Header<Account> {
    firm: FirmId,
    account: Account,
    request_id: RequestId,
    occurred_on: CivilDate,
}

/// Reads the name first: without a firm no invoice can be held against it.
fn header<Account>(
    f: &mut Fields,
    name: Option<(FirmId, Account)>,
    request_id: &str,
    occurred_on: Option<&Date>,
) -> (Option<FirmId>, Option<Header<Account>>) {
    let firm = name.as_ref().map(|(firm, _)| *firm);
    let request_id = f.request_id(request_id);
    let occurred_on = f.date("occurred_on", occurred_on);
    let whole = || {
        let (firm, account) = name?;
        Some(Header { firm, account, request_id: request_id?, occurred_on: occurred_on? })
    };
    (firm, whole())
}

/// An account's name, or the one that leaves the account to what the action is about.
fn any_account(f: &mut Fields, text: &str) -> Option<(FirmId, Option<AccountId>)> {
    let rule = "must be firms/{firm}/accounts/{account}, both lower-case UUIDs, or \
                firms/{firm}/accounts/- to find it by what the request names";
    f.form("name", text, rule, |text| {
        let named = name::parse_account(text).map(|(firm, account)| (firm, Some(account)));
        named.or_else(|| name::parse_any_account(text).map(|firm| (firm, None)))
    })
}

/// Puts header and action together; without a name, the action has to lead to the account.
fn asked(
    f: &mut Fields,
    header: &Header<Option<AccountId>>,
    action: AccountAction,
) -> Option<AccountAsked> {
    let account = match header.account {
        Some(account) => WhichAccount::Named(account),
        None => match clue(&action) {
            Some(clue) => WhichAccount::With(clue),
            None => return f.refuse("name", "must name the account: nothing else leads to it"),
        },
    };
    let action = Dated { occurred_at: None, occurred_on: header.occurred_on, action };
    Some(AccountAsked { firm: header.firm, account, request_id: header.request_id, action })
}

/// Reads a `RecordPayment`.
pub fn record_payment(
    m: &v1::RecordPaymentRequest,
    currency: Option<Currency>,
) -> Result<AccountAsked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = any_account(f, &m.name);
        let (firm, header) = header(f, name, &m.request_id, m.occurred_on.as_ref());
        let action = match &m.event {
            Some(event) => payment_action::payment(f, firm?, event),
            None => f.refuse("event", "is required: exactly one of what became of money"),
        };
        asked(f, &header?, action?)
    })
}

/// Reads a `GrantCredit`.
pub fn grant_credit(
    m: &v1::GrantCreditRequest,
    currency: Option<Currency>,
) -> Result<AccountAsked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = any_account(f, &m.name);
        let (firm, header) = header(f, name, &m.request_id, m.occurred_on.as_ref());
        let lower = lower(f, firm, &m.invoice, m.amount.as_ref(), &m.reason);
        asked(f, &header?, AccountAction::GrantCredit(lower?))
    })
}

/// Reads a `WriteOff`.
pub fn write_off(
    m: &v1::WriteOffRequest,
    currency: Option<Currency>,
) -> Result<AccountAsked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = any_account(f, &m.name);
        let (firm, header) = header(f, name, &m.request_id, m.occurred_on.as_ref());
        let lower = lower(f, firm, &m.invoice, m.amount.as_ref(), &m.reason);
        asked(f, &header?, AccountAction::WriteOff(lower?))
    })
}

/// Reads a `RequestRefund`.
pub fn request_refund(
    m: &v1::RequestRefundRequest,
    currency: Option<Currency>,
) -> Result<AccountAsked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = any_account(f, &m.name);
        let (_, header) = header(f, name, &m.request_id, m.occurred_on.as_ref());
        let refund = payment_action::refund_asked(f, m);
        asked(f, &header?, AccountAction::RequestRefund(refund?))
    })
}

fn lower(
    f: &mut Fields,
    firm: Option<FirmId>,
    invoice: &str,
    amount: Option<&Money>,
    reason: &str,
) -> Option<domain::command::Lower> {
    payment_action::lower(f, firm?, invoice, amount, reason)
}

/// Reads a `ChangeCard`. Nothing that is on record leads to the account, so it is always named.
pub fn change_card(m: &v1::ChangeCardRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let name = account_name(f, "name", &m.name);
        let (_, header) = header(f, name, &m.request_id, m.occurred_on.as_ref());
        let card = f.message("card", m.card.as_ref(), card);
        let header = header?;
        let action = Dated {
            occurred_at: None,
            occurred_on: header.occurred_on,
            action: AccountAction::ChangeCard(card?),
        };
        let command = Command::Account { account: header.account, action };
        Some(Asked { firm: header.firm, request_id: header.request_id, command })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scalar::{date_message, money_message};
    use domain::money::Money as Amount;
    use uuid::Uuid;

    const FIRM: FirmId = FirmId(Uuid::from_u128(7));

    fn payment(event: v1::record_payment_request::Event) -> v1::RecordPaymentRequest {
        v1::RecordPaymentRequest {
            name: name::any_account(FIRM),
            request_id: Uuid::from_u128(9).to_string(),
            occurred_on: CivilDate::from_ymd_opt(2026, 3, 2).map(date_message),
            event: Some(event),
        }
    }

    fn settled(invoice: String) -> v1::record_payment_request::Event {
        let amount = Amount::new(9_900, Currency::USD).map(money_message).ok();
        let settled = v1::PaymentSettled { payment: "pay-1".into(), amount, invoice };
        v1::record_payment_request::Event::Settled(settled)
    }

    #[test]
    fn an_account_is_found_by_what_the_request_names() {
        let asked = record_payment(&payment(settled(name::invoice(FIRM, 4))), None).unwrap();
        let clue = Clue { field: "settled.invoice", what: Known::Invoice(4) };
        assert_eq!(asked.account, WhichAccount::With(clue));
        let won = v1::ChargebackWon { chargeback: "cb-1".into() };
        let won = payment(v1::record_payment_request::Event::ChargebackWon(won));
        let WhichAccount::With(clue) = record_payment(&won, None).unwrap().account else {
            panic!("no account was named");
        };
        assert_eq!(clue.field, "chargeback_won.chargeback");
        let account = AccountId(Uuid::from_u128(3));
        let named = v1::RecordPaymentRequest { name: name::account(FIRM, account), ..won };
        let asked = record_payment(&named, None).unwrap();
        assert_eq!(asked.account, WhichAccount::Named(account));
    }

    #[test]
    fn money_for_nothing_that_is_named_has_to_name_its_account() {
        let errors = record_payment(&payment(settled(String::new())), None).unwrap_err();
        assert_eq!(errors.0[0].field, "name");
    }
}

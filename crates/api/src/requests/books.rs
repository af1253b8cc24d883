//! Requests about the books.

use calendar::is_month_end;
use domain::event::{BookAccount, ChartAccount, ChartRevised, CloseRule, MatchPolicySet};
use domain::ids::{AccountId, AccountNumber, DepositId, FirmId, RequestId};
use domain::value::Text;

use crate::field::{FieldErrors, Fields};
use crate::google::r#type::Date;
use crate::requests::mutation::on_firm;
use crate::requests::read::{USUAL, account_name, deposit_name, firm_name, get, own, page, state};
use crate::requests::{Asked, Get, Page};
use crate::scalar::CivilDate;
use crate::v1;
use domain::command::FirmAction;

/// Some days, first to last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Days {
    /// The first.
    pub from: CivilDate,
    /// The last.
    pub through: CivilDate,
}

/// Which entries to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JournalFilter {
    /// The days that they count for.
    pub days: Days,
    /// Only those of this account.
    pub account: Option<AccountId>,
}

/// Which deposits to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DepositFilter {
    /// Only in this state.
    pub state: Option<v1::DepositState>,
    /// Only booked on this day or later.
    pub from: Option<CivilDate>,
    /// Only booked on this day or before.
    pub through: Option<CivilDate>,
}

/// Which movements to list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MovementFilter {
    /// Only those behind no deposit.
    pub open: bool,
    /// Only those behind this one.
    pub deposit: Option<DepositId>,
}

/// What to accept that stands in the way of closing a month, or to accept no more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AcceptAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The last day of the month.
    pub through: CivilDate,
    /// What.
    pub rule: CloseRule,
    /// Why.
    pub reason: Text,
}

/// A month to close.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CloseAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The last day of the month.
    pub through: CivilDate,
}

/// Reads a `GetChart`.
pub fn get_chart(m: &v1::GetChartRequest) -> Result<Get<()>, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "name", &m.name);
        get(f, firm.map(|firm| (firm, ())), m.at_least_position)
    })
}

/// Reads a `ReviseChart`.
pub fn revise_chart(m: &v1::ReviseChartRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "name", &m.name);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            let most = BookAccount::ALL.len();
            let accounts = f.each("accounts", &m.accounts, 1..=most, chart_account)?;
            Some(FirmAction::ReviseChart(ChartRevised { accounts }))
        })
    })
}

/// Reads a `SetMatchPolicy`.
pub fn set_match_policy(m: &v1::SetMatchPolicyRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "name", &m.name);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            let automatic = f.code::<v1::AutomaticMatches>("automatic", m.automatic)?;
            Some(FirmAction::SetMatchPolicy(MatchPolicySet { automatic }))
        })
    })
}

fn chart_account(f: &mut Fields, m: &v1::ChartAccount) -> Option<ChartAccount> {
    let account = f.code::<v1::BookAccount>("account", m.account);
    let number = f.parse("number", &m.number, AccountNumber::parse);
    let name = f.parse("display_name", &m.display_name, Text::line);
    let accountant_code =
        f.parse_optional("accountant_code", &m.accountant_code, AccountNumber::parse);
    Some(ChartAccount {
        account: account?,
        accountant_code: accountant_code?,
        name: name?,
        number: number?,
    })
}

fn days(f: &mut Fields, from: Option<&Date>, through: Option<&Date>) -> Option<Days> {
    let from = f.date("from", from);
    let through = f.date("through", through);
    let (from, through) = (from?, through?);
    if through < from {
        return f.refuse("through", "must not be before from");
    }
    Some(Days { from, through })
}

/// Reads a `ListJournal`.
pub fn list_journal(m: &v1::ListJournalRequest) -> Result<Page<JournalFilter>, FieldErrors> {
    let head = (m.parent.as_str(), m.page_size, m.page_token.as_str(), m.at_least_position);
    page(head, USUAL, |f, firm| {
        let days = days(f, m.from.as_ref(), m.through.as_ref());
        let account = own(f, "account", firm, &m.account, account_name);
        Some(JournalFilter { days: days?, account: account? })
    })
}

/// Reads a `GetTrialBalance`.
pub fn get_trial_balance(m: &v1::GetTrialBalanceRequest) -> Result<Get<Days>, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let days = days(f, m.from.as_ref(), m.through.as_ref());
        get(f, firm.zip(days), m.at_least_position)
    })
}

/// Reads a `GetRevenueByPlan`.
pub fn get_revenue_by_plan(m: &v1::GetRevenueByPlanRequest) -> Result<Get<Days>, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let days = days(f, m.from.as_ref(), m.through.as_ref());
        get(f, firm.zip(days), m.at_least_position)
    })
}

/// Reads a `ListMonths`.
pub fn list_months(m: &v1::ListMonthsRequest) -> Result<Page<Days>, FieldErrors> {
    let head = (m.parent.as_str(), m.page_size, m.page_token.as_str(), m.at_least_position);
    page(head, USUAL, |f, _| {
        let from = f.optional_date("from", m.from.as_ref());
        let through = f.date("through", m.through.as_ref());
        let (from, through) = (from?.unwrap_or(CivilDate::MIN), through?);
        if through < from {
            return f.refuse("through", "must not be before from");
        }
        Some(Days { from, through })
    })
}

/// Reads a `ListAging`. The filter is the day.
pub fn list_aging(m: &v1::ListAgingRequest) -> Result<Page<CivilDate>, FieldErrors> {
    let head = (m.parent.as_str(), m.page_size, m.page_token.as_str(), m.at_least_position);
    page(head, USUAL, |f, _| f.date("as_of", m.as_of.as_ref()))
}

/// Reads a `ListDeposits`.
pub fn list_deposits(m: &v1::ListDepositsRequest) -> Result<Page<DepositFilter>, FieldErrors> {
    let head = (m.parent.as_str(), m.page_size, m.page_token.as_str(), m.at_least_position);
    page(head, USUAL, |f, _| {
        let state = state(f, "state", m.state);
        let from = f.optional_date("from", m.from.as_ref());
        let through = f.optional_date("through", m.through.as_ref());
        Some(DepositFilter { state: state?, from: from?, through: through? })
    })
}

/// Reads a `ListMovements`.
pub fn list_movements(m: &v1::ListMovementsRequest) -> Result<Page<MovementFilter>, FieldErrors> {
    let head = (m.parent.as_str(), m.page_size, m.page_token.as_str(), m.at_least_position);
    page(head, USUAL, |f, firm| {
        let deposit = own(f, "deposit", firm, &m.deposit, deposit_name)?;
        Some(MovementFilter { open: m.open, deposit })
    })
}

/// Reads a `ProposeMatches`.
pub fn propose_matches(m: &v1::ProposeMatchesRequest) -> Result<Get<()>, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        get(f, firm.map(|firm| (firm, ())), m.at_least_position)
    })
}

/// The last day of a month.
pub(crate) fn month_end(f: &mut Fields, day: Option<&Date>) -> Option<CivilDate> {
    let day = f.date("through", day)?;
    if !is_month_end(day) {
        return f.refuse("through", "must be the last day of a month");
    }
    Some(day)
}

/// Reads a `CheckMonth`. What is read is the month's last day.
pub fn check_month(m: &v1::CheckMonthRequest) -> Result<Get<CivilDate>, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let through = month_end(f, m.through.as_ref());
        get(f, firm.zip(through), m.at_least_position)
    })
}

/// Reads an `AcceptForClose`.
pub fn accept_for_close(m: &v1::AcceptForCloseRequest) -> Result<AcceptAsked, FieldErrors> {
    Fields::check(None, |f| {
        accepted(f, &m.parent, &m.request_id, (m.through.as_ref(), &m.rule, &m.reason))
    })
}

/// Reads a `WithdrawAcceptance`.
pub fn withdraw_acceptance(m: &v1::WithdrawAcceptanceRequest) -> Result<AcceptAsked, FieldErrors> {
    Fields::check(None, |f| {
        accepted(f, &m.parent, &m.request_id, (m.through.as_ref(), &m.rule, &m.reason))
    })
}

/// What of a month is accepted, or is no more, and why.
fn accepted(
    f: &mut Fields,
    parent: &str,
    request_id: &str,
    (through, rule, reason): (Option<&Date>, &str, &str),
) -> Option<AcceptAsked> {
    let firm = firm_name(f, "parent", parent);
    let request_id = f.request_id(request_id);
    let through = month_end(f, through);
    let known = CloseRule::ALL.iter().find(|known| known.code() == rule).copied();
    let rule = known.or_else(|| {
        let codes = CloseRule::ALL.iter().filter(|rule| **rule != CloseRule::Suspense);
        let codes: Vec<&str> = codes.map(|rule| rule.code()).collect();
        f.refuse("rule", format!("must be one of {}", codes.join(", ")))
    });
    let reason = f.parse("reason", reason, Text::parse);
    Some(AcceptAsked {
        firm: firm?,
        request_id: request_id?,
        through: through?,
        rule: rule?,
        reason: reason?,
    })
}

/// Reads a `CloseMonth`.
pub fn close_month(m: &v1::CloseMonthRequest) -> Result<CloseAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let through = month_end(f, m.through.as_ref());
        Some(CloseAsked { firm: firm?, request_id: request_id?, through: through? })
    })
}

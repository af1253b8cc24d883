//! Requests that change something. Every one carries the caller's request id.

use std::collections::BTreeSet;

use domain::command::{Command, CoupleAction, Dated, FeeNamed, FirmAction, KeepFee};
use domain::event::{AccessBounds, AccessRevoked, Scope};
use domain::firm::{BOUND_CASES_MAX, TOKEN_DAYS_MAX};
use domain::ids::{AccessId, CaseId, FirmId, RequestId};
use domain::money::Currency;
use domain::rules::check_pack;
use domain::value::{Personal, Text};

use crate::case_action::{dated, document, period};
use crate::field::{FieldErrors, Fields};
use crate::google::r#type::Date;
use crate::limit::{ACTIONS_MAX, CHARGES_DEFAULT, CHARGES_MAX};
use crate::requests::read::{case_name, firm_name};
use crate::scalar::CivilDate;
use crate::{firm_action, name, v1};

/// A command of a firm, under the caller's request id.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// What is asked.
    pub command: Command,
}

/// A billing run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BillingAsked {
    /// The firm.
    pub firm: FirmId,
    /// The run's request; the request of each account is made from it.
    pub request_id: RequestId,
    /// The day up to which fees are judged.
    pub as_of: CivilDate,
}

/// A review of all claimed fees.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReviewAsked {
    /// The firm.
    pub firm: FirmId,
    /// The review's request; the request of each case is made from it.
    pub request_id: RequestId,
    /// Whether it is recorded.
    pub record: bool,
}

/// A request for the charges that are due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChargesAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request; that of each invoice is made from it.
    pub request_id: RequestId,
    /// Invoices due, or to be tried again, on or before this day.
    pub as_of: CivilDate,
    /// Most charges to ask for.
    pub charges_max: usize,
}

/// A bearer token to be given out. The service makes the token and keeps its hash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TokenAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The day it is given out.
    pub occurred_on: CivilDate,
    /// Who or what it is for.
    pub label: Text,
    /// What it may do.
    pub scopes: BTreeSet<Scope>,
    /// Last day of validity; the usual one if none was said.
    pub expires_on: Option<CivilDate>,
    /// What it is bound to.
    pub bounds: Option<AccessBounds>,
}

/// Reads a `Record`.
pub fn record(m: &v1::RecordRequest, currency: Option<Currency>) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = case_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let expected_version = f.expected_version(m.expected_version);
        let actions = f.each("actions", &m.actions, 1..=ACTIONS_MAX, dated);
        let (firm, case) = name?;
        let command =
            Command::Case { case, expected_version: expected_version?, actions: actions? };
        Some(Asked { firm, request_id: request_id?, command })
    })
}

/// Reads one message of a `RecordStream`. Faults are named as those of a `Record` are.
pub fn record_stream(
    m: &v1::RecordStreamRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    match &m.record {
        Some(message) => record(message, currency),
        None => Err(FieldErrors::one("record", "is required")),
    }
}

/// Reads a `RequestCharges`.
pub fn request_charges(m: &v1::RequestChargesRequest) -> Result<ChargesAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let as_of = f.date("as_of", m.as_of.as_ref());
        let charges_max = f.page_size("charges_max", m.charges_max, CHARGES_DEFAULT, CHARGES_MAX);
        Some(ChargesAsked {
            firm: firm?,
            request_id: request_id?,
            as_of: as_of?,
            charges_max: charges_max?,
        })
    })
}

fn couple(
    parent: &str,
    request_id: &str,
    first: &str,
    second: &str,
    action: CoupleAction,
) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", parent);
        let request_id = f.request_id(request_id);
        let first = own_case(f, "first_case", firm, first);
        let second = own_case(f, "second_case", firm, second);
        if first.is_some() && first == second {
            f.fail("second_case", "must be another case than first_case");
        }
        let command = Command::Couple { first: first?, second: second?, action };
        Some(Asked { firm: firm?, request_id: request_id?, command })
    })
}

fn own_case(f: &mut Fields, field: &str, firm: Option<FirmId>, name: &str) -> Option<CaseId> {
    let (owner, case) = case_name(f, field, name)?;
    if firm.is_some_and(|firm| firm != owner) {
        return f.refuse(field, "must be a case of the same firm");
    }
    Some(case)
}

/// Reads a `ConfirmLink`.
pub fn confirm_link(m: &v1::ConfirmLinkRequest) -> Result<Asked, FieldErrors> {
    couple(&m.parent, &m.request_id, &m.first_case, &m.second_case, CoupleAction::Confirm)
}

/// Reads a `RefuseLink`.
pub fn refuse_link(m: &v1::RefuseLinkRequest) -> Result<Asked, FieldErrors> {
    couple(&m.parent, &m.request_id, &m.first_case, &m.second_case, CoupleAction::Refuse)
}

/// Reads an `Unlink`.
pub fn unlink(m: &v1::UnlinkRequest) -> Result<Asked, FieldErrors> {
    couple(&m.parent, &m.request_id, &m.first_case, &m.second_case, CoupleAction::Unlink)
}

/// Reads a `RunBilling`.
pub fn run_billing(m: &v1::RunBillingRequest) -> Result<BillingAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let as_of = f.date("as_of", m.as_of.as_ref());
        Some(BillingAsked { firm: firm?, request_id: request_id?, as_of: as_of? })
    })
}

/// Reads a `ReviewFees`.
pub fn review_fees(m: &v1::ReviewFeesRequest) -> Result<ReviewAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        Some(ReviewAsked { firm: firm?, request_id: request_id?, record: m.record })
    })
}

/// Reads a `ClaimFee`.
pub fn claim_fee(m: &v1::ClaimFeeRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let name = case_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let period = period(f, m.period);
        let as_of = f.date("as_of", m.as_of.as_ref());
        let (firm, case) = name?;
        let command = Command::ClaimFee { case, period: period?, as_of: as_of? };
        Some(Asked { firm, request_id: request_id?, command })
    })
}

/// Reads a `KeepFee`.
pub fn keep_fee(m: &v1::KeepFeeRequest, currency: Option<Currency>) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = case_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let occurred_on = f.date("occurred_on", m.occurred_on.as_ref());
        let fee = match m.fee {
            Some(v1::keep_fee_request::Fee::Period(number)) => {
                period(f, number).map(FeeNamed::Period)
            }
            Some(v1::keep_fee_request::Fee::ClaimPosition(at)) => {
                f.position("claim_position", at).map(FeeNamed::Claimed)
            }
            None => f.refuse("fee", "is required: a period, or the position of a claim"),
        };
        let amount = f.optional_money("amount", m.amount.as_ref());
        let counsel = f.parse("counsel", &m.counsel, Text::line);
        let reason = f.parse("reason", &m.reason, Personal::parse);
        let document = document(f, &m.document_sha256);
        let (firm, case) = name?;
        let (amount, document) = (amount?, document?);
        let kept = KeepFee { amount, counsel: counsel?, document, fee: fee?, reason: reason? };
        let action = Dated { occurred_at: None, occurred_on: occurred_on?, action: kept };
        let command = Command::KeepFee { case, action };
        Some(Asked { firm, request_id: request_id?, command })
    })
}

/// What every action on a firm has, then the action itself.
pub(crate) fn on_firm(
    f: &mut Fields,
    firm: Option<FirmId>,
    request_id: &str,
    occurred_on: Option<&Date>,
    action: impl FnOnce(&mut Fields) -> Option<FirmAction>,
) -> Option<Asked> {
    let request_id = f.request_id(request_id);
    let occurred_on = f.date("occurred_on", occurred_on);
    let action = action(f);
    let action = Dated { occurred_at: None, occurred_on: occurred_on?, action: action? };
    Some(Asked { firm: firm?, request_id: request_id?, command: Command::Firm { action } })
}

/// Reads a `RegisterFirm`.
pub fn register_firm(m: &v1::RegisterFirmRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = f.message("firm", m.firm.as_ref(), |f, m| {
            let name = firm_name(f, "name", &m.name);
            let registered = firm_action::firm(f, m);
            Some((name?, registered?))
        });
        let name = firm.as_ref().map(|(name, _)| *name);
        on_firm(f, name, &m.request_id, m.occurred_on.as_ref(), |_| {
            firm.map(|(_, registered)| FirmAction::Register(registered))
        })
    })
}

/// Reads a `PublishPlan`.
pub fn publish_plan(
    m: &v1::PublishPlanRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            f.message("plan", m.plan.as_ref(), firm_action::plan).map(FirmAction::PublishPlan)
        })
    })
}

/// Reads an `AdoptPack`, with what makes a pack adoptable.
pub fn adopt_pack(m: &v1::AdoptPackRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            let pack = firm_action::pack(f, &m.pack_json)?;
            match check_pack(&pack) {
                Some(rule) => f.refuse("pack_json", rule),
                None => Some(FirmAction::AdoptPack(Box::new(pack))),
            }
        })
    })
}

/// Reads a `ConfirmPack`.
pub fn confirm_pack(m: &v1::ConfirmPackRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            firm_action::confirmed(f, m).map(FirmAction::ConfirmPack)
        })
    })
}

/// Reads a `UsePackAtOwnRisk`.
pub fn use_pack_at_own_risk(m: &v1::UsePackAtOwnRiskRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            firm_action::at_own_risk(f, m).map(FirmAction::UsePackAtOwnRisk)
        })
    })
}

/// Reads a `RegisterBureau`.
pub fn register_bureau(m: &v1::RegisterBureauRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            f.message("bureau", m.bureau.as_ref(), firm_action::bureau)
                .map(FirmAction::RegisterBureau)
        })
    })
}

/// Reads a `RecordStanding`.
pub fn record_standing(
    m: &v1::RecordStandingRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            f.message("standing", m.standing.as_ref(), firm_action::standing)
                .map(FirmAction::RecordStanding)
        })
    })
}

/// Reads an `EndStanding`.
pub fn end_standing(m: &v1::EndStandingRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            firm_action::standing_ended(f, m).map(FirmAction::EndStanding)
        })
    })
}

/// Reads a `RecordSecurityEvent`.
pub fn record_security_event(m: &v1::RecordSecurityEventRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            let event = m.security_event.as_ref();
            f.message("security_event", event, firm_action::security_event)
                .map(FirmAction::RecordSecurityEvent)
        })
    })
}

/// Reads a `CreateToken`.
pub fn create_token(m: &v1::CreateTokenRequest) -> Result<TokenAsked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        let request_id = f.request_id(&m.request_id);
        let occurred_on = f.date("occurred_on", m.occurred_on.as_ref());
        let token = f.message("token", m.token.as_ref(), |f, m| {
            let label = f.parse("label", &m.label, Text::line);
            let scopes = firm_action::scopes(f, &m.scopes);
            let expires_on = f.optional_date("expires_on", m.expires_on.as_ref());
            check_end(f, occurred_on, expires_on.flatten());
            let bounds = f.optional("bounds", m.bounds.as_ref(), |f, m| bounds(f, firm, m));
            Some((label?, scopes?, expires_on?, bounds?))
        });
        let (label, scopes, expires_on, bounds) = token?;
        Some(TokenAsked {
            firm: firm?,
            request_id: request_id?,
            occurred_on: occurred_on?,
            label,
            scopes,
            expires_on,
            bounds,
        })
    })
}

/// A token ends, and soon enough: one that is lost must not open the firm for ever.
fn check_end(f: &mut Fields, given_on: Option<CivilDate>, ends_on: Option<CivilDate>) {
    let (Some(given_on), Some(ends_on)) = (given_on, ends_on) else { return };
    let days = ends_on.signed_duration_since(given_on).num_days();
    if days < 0 {
        f.fail("expires_on", "must not be before occurred_on");
    } else if days.unsigned_abs() > TOKEN_DAYS_MAX {
        f.fail("expires_on", format!("must be at most {TOKEN_DAYS_MAX} days after occurred_on"));
    }
}

fn bounds(f: &mut Fields, firm: Option<FirmId>, m: &v1::TokenBounds) -> Option<AccessBounds> {
    let cases = f.each("cases", &m.cases, 0..=BOUND_CASES_MAX, |f, name| {
        let rule = "must be firms/{firm}/cases/{case} of the same firm";
        let (owner, case) = f.known_self(name::parse_case(name), rule)?;
        f.known_self((Some(owner) == firm).then_some(case), rule)
    });
    let from = f.optional_date("from", m.from.as_ref());
    let through = f.optional_date("through", m.through.as_ref());
    Some(AccessBounds { cases: cases?.into_iter().collect(), from: from?, through: through? })
}

/// Reads a `RevokeToken`.
pub fn revoke_token(m: &v1::RevokeTokenRequest) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let firm = firm_name(f, "parent", &m.parent);
        on_firm(f, firm, &m.request_id, m.occurred_on.as_ref(), |f| {
            f.parse("token_id", &m.token_id, AccessId::parse)
                .map(|access| FirmAction::RevokeAccess(AccessRevoked { access }))
        })
    })
}

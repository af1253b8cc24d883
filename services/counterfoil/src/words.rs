//! Values of the contract in words: dates, amounts, names and codes.

use anyhow::Context;
use api::google::r#type::{Date, Money};
use api::{scalar, v1};
use calendar::CivilDate;
use domain::money::{Currency, Money as Amount};

/// What ends every page about fees.
pub(crate) const CAUTION: &str = "This is not legal advice: state law and licensed counsel decide.";

/// A day that an answer must have.
pub(crate) fn date(day: Option<&Date>) -> anyhow::Result<CivilDate> {
    let day = day.context("a day that the service left out")?;
    scalar::date(day).context("a day of the service")
}

/// An amount of the firm's books; zero if there is none.
pub(crate) fn money(money: Option<&Money>, currency: Currency) -> anyhow::Result<Amount> {
    let read = money.map(|money| scalar::money(money, Some(currency)));
    Ok(read.transpose().context("an amount of the service")?.unwrap_or(Amount::zero(currency)))
}

/// An ISO 8601 date; nothing if there is none.
pub(crate) fn day(date: Option<&Date>) -> String {
    match date.map(scalar::date) {
        Some(Ok(date)) => date.to_string(),
        Some(Err(_)) => "?".to_owned(),
        None => String::new(),
    }
}

/// An instant, RFC 3339 in UTC; nothing if there is none.
pub(crate) fn instant(time: Option<impl std::fmt::Display>) -> String {
    time.map(|time| time.to_string()).unwrap_or_default()
}

/// The last day of a period, of which the contract gives the first day after it.
pub(crate) fn last_day(end: Option<&Date>) -> String {
    match end.map(scalar::date) {
        Some(Ok(end)) => end.pred_opt().unwrap_or(end).to_string(),
        Some(Err(_)) => "?".to_owned(),
        None => String::new(),
    }
}

/// A date as the contract carries it.
#[expect(
    clippy::unnecessary_wraps,
    reason = "every field of the contract that takes it is an Option"
)]
pub(crate) fn message(date: CivilDate) -> Option<Date> {
    Some(scalar::date_message(date))
}

/// `USD 49.99`; nothing if there is no amount.
pub(crate) fn amount(money: Option<&Money>) -> String {
    let shown = |money: &Money| match scalar::money(money, None) {
        Ok(money) => money.to_string(),
        // The service keeps to the books' own units; show what else came as it is.
        Err(_) => format!("{} {} and {} nanos", money.currency_code, money.units, money.nanos),
    };
    money.map(shown).unwrap_or_default()
}

/// The sum of amounts in one currency; nothing if there are none.
pub(crate) fn sum<'a>(amounts: impl IntoIterator<Item = &'a Money>) -> anyhow::Result<String> {
    let mut total: Option<domain::money::Money> = None;
    for amount in amounts {
        let amount = scalar::money(amount, None).context("an amount of the service")?;
        total = Some(match total {
            Some(sum) => sum.plus(amount).context("a sum of amounts")?,
            None => amount,
        });
    }
    Ok(total.map(|total| total.to_string()).unwrap_or_default())
}

/// An amount, or nothing if it is zero: a column of open amounts reads better so.
pub(crate) fn amount_if_any(money: Option<&Money>) -> String {
    amount(money.filter(|money| money.units != 0 || money.nanos != 0))
}

/// Money that is to go back to the client, and has not yet.
pub(crate) fn asked_back(refund: &v1::RefundWaiting) -> String {
    let (amount, on) = (amount(refund.amount.as_ref()), day(refund.asked_on.as_ref()));
    format!("{amount} of {} on {on}, request {}, no answer yet", refund.payment, refund.number)
}

/// The gates that hold, and would not but for a correction; nothing if there are none.
pub(crate) fn corrected(gates: &[i32]) -> String {
    if gates.is_empty() {
        return String::new();
    }
    format!("open by a correction: {}", list(gates.iter().map(|&of| gate(of))))
}

/// What is kept by counsel's reason, and since when.
pub(crate) fn kept(kept: Option<&Money>, on: Option<&Date>) -> String {
    let amount = amount_if_any(kept);
    if amount.is_empty() { amount } else { format!("{amount}, reason of {}", day(on)) }
}

/// An amount as a debit or as a credit, whichever it is; neither if it is zero.
pub(crate) fn debit_credit(money: Option<&Money>) -> (String, String) {
    let below = money.is_some_and(|money| money.units < 0 || money.nanos < 0);
    let turned = money.map(|money| Money {
        units: -money.units,
        nanos: -money.nanos,
        currency_code: money.currency_code.clone(),
    });
    if below {
        (String::new(), amount_if_any(turned.as_ref()))
    } else {
        (amount_if_any(money), String::new())
    }
}

/// The last part of a resource name: an id or number.
pub(crate) fn id(name: &str) -> String {
    name.rsplit('/').next().unwrap_or(name).to_owned()
}

/// `FEE_STATE_HELD` is `held`; an unspecified value is nothing.
fn plain(name: &str, prefix: &str) -> String {
    let own = name.strip_prefix(prefix).unwrap_or(name);
    if own == "UNSPECIFIED" {
        return String::new();
    }
    own.to_ascii_lowercase().replace('_', " ")
}

macro_rules! coded {
    ($($(#[$doc:meta])* $name:ident: $code:ty, $prefix:literal;)*) => {$(
        $(#[$doc])*
        pub(crate) fn $name(value: i32) -> String {
            match <$code>::try_from(value) {
                Ok(code) => plain(code.as_str_name(), $prefix),
                // Newer services may know more.
                Err(_) => format!("unknown ({value})"),
            }
        }
    )*};
}

coded! {
    /// Where a case stands.
    case_state: v1::CaseState, "CASE_STATE_";
    /// A step before work opens.
    readiness_step: v1::ReadinessStep, "READINESS_STEP_";
    /// What is known of a listing.
    listing_state: v1::ListingState, "LISTING_STATE_";
    /// Which clock.
    clock_kind: v1::ClockKind, "CLOCK_KIND_";
    /// Where a clock stands.
    clock_state: v1::ClockState, "CLOCK_STATE_";
    /// Where a fee stands.
    fee_state: v1::FeeState, "FEE_STATE_";
    /// What stands behind a claimed fee.
    fee_standing: v1::FeeStanding, "FEE_STANDING_";
    /// Why a case needs a person.
    exception_kind: v1::ExceptionKind, "EXCEPTION_KIND_";
    /// Why something is due.
    due_kind: v1::DueKind, "DUE_KIND_";
    /// What an exposure is.
    exposure_kind: v1::ExposureKind, "EXPOSURE_KIND_";
    /// Alone or a couple.
    seat: v1::Seat, "SEAT_";
    /// A kind of promised work.
    work: v1::Work, "WORK_";
    /// What changed of a client.
    circumstance: v1::Circumstance, "CIRCUMSTANCE_";
    /// What a paper proves.
    paper_kind: v1::PaperKind, "PAPER_KIND_";
    /// What an item is.
    item_kind: v1::ItemKind, "ITEM_KIND_";
    /// Why a listing is wrong.
    basis: v1::Basis, "BASIS_";
    /// How a letter travels.
    mail_class: v1::MailClass, "MAIL_CLASS_";
    /// What became of a disputed listing.
    outcome: v1::Outcome, "OUTCOME_";
    /// Why a charge failed.
    failure: v1::FailureReason, "FAILURE_REASON_";
    /// Where an invoice stands.
    invoice_state: v1::InvoiceState, "INVOICE_STATE_";
    /// Where a payment stands.
    payment_state: v1::PaymentState, "PAYMENT_STATE_";
    /// What two members of a couple have in common.
    matched: v1::Match, "MATCH_";
    /// Who linked a couple.
    linked_by: v1::LinkedBy, "LINKED_BY_";
    /// What a token may do.
    scope: v1::Scope, "SCOPE_";
    /// What a standing is.
    standing_kind: v1::StandingKind, "STANDING_KIND_";
    /// Why a standing ended early.
    standing_end_reason: v1::StandingEndReason, "STANDING_END_REASON_";
    /// Whether a key signs.
    key_state: v1::SigningKeyState, "SIGNING_KEY_STATE_";
    /// An account of the books, by what it means.
    book_account: v1::BookAccount, "BOOK_ACCOUNT_";
    /// What a deposit is found to be.
    deposit_state: v1::DepositState, "DEPOSIT_STATE_";
    /// How sure it is what stands behind a line.
    match_certainty: v1::MatchCertainty, "MATCH_CERTAINTY_";
    /// A way money moves through the processor.
    movement_kind: v1::MovementKind, "MOVEMENT_KIND_";
    /// What a line is that no movement stands behind.
    purpose: v1::Purpose, "PURPOSE_";
    gate_words: v1::Gate, "GATE_";
}

/// A gate with its number: `G3 waiting days`.
pub(crate) fn gate(value: i32) -> String {
    if value <= 0 { gate_words(value) } else { format!("G{value} {}", gate_words(value)) }
}

/// A list in words.
pub(crate) fn list(values: impl IntoIterator<Item = String>) -> String {
    values.into_iter().collect::<Vec<_>>().join(", ")
}

/// What a client is exposed by, and whether it was put right.
pub(crate) fn exposure(exposure: &v1::Exposure) -> String {
    let kind = exposure_kind(exposure.kind);
    if exposure.put_right { format!("{kind}, put right") } else { kind }
}

/// The rule that it breaks, by when a statute asks for what is owed, and what stood against a signing.
pub(crate) fn exposure_rule(exposure: &v1::Exposure) -> String {
    let rules = [exposure.citation.clone(), exposure.return_citation.clone()];
    let said = rules.into_iter().chain(exposure.details.iter().cloned());
    list(said.filter(|part| !part.is_empty()))
}

/// The account that a case opened, whoever pays for it now.
pub(crate) fn own_account(case: &str) -> Option<String> {
    let (firm, id) = case.split_once("/cases/")?;
    Some(format!("{firm}/accounts/{id}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_read_as_words() {
        assert_eq!(fee_state(v1::FeeState::Held.into()), "held");
        assert_eq!(due_kind(v1::DueKind::LinkSuggested.into()), "link suggested");
        assert_eq!(seat(0), "");
        assert_eq!(seat(99), "unknown (99)");
        assert_eq!(gate(v1::Gate::WaitingDays.into()), "G3 waiting days");
        assert_eq!(gate(v1::Gate::Total.into()), "G8 total");
    }

    #[test]
    fn a_period_shows_its_last_day() {
        let end = Date { year: 2026, month: 3, day: 1 };
        assert_eq!(last_day(Some(&end)), "2026-02-28");
        assert_eq!(day(Some(&end)), "2026-03-01");
        assert_eq!(day(None), "");
    }
}

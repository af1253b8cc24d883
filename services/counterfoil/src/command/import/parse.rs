//! One line of a file as a request.

use api::json::{self, JsonError};
use api::{requests, scalar, v1};
use domain::ids::FirmId;
use domain::money::{Currency, Money};
use ledger::gateway::ProcessorResult;
use serde_json::{Map, Value};

use super::Only;
use crate::connect::derived_request_id;

/// Stands for the firm in a name.
const ANY_FIRM: &str = "firms/-/";
/// What became of money: the members of which a payment line has one.
const PAYMENT_MEMBERS: &[&str] = &[
    "settled",
    "failed",
    "refunded",
    "refundFailed",
    "refund_failed",
    "chargebackOpened",
    "chargeback_opened",
    "chargebackWon",
    "chargeback_won",
    "chargebackLost",
    "chargeback_lost",
];

/// What a line asks for.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Asked {
    /// Actions on a case.
    Record(v1::RecordRequest),
    /// What became of money.
    Payment(v1::RecordPaymentRequest),
}

fn fault(field: &str, reason: impl Into<String>) -> JsonError {
    JsonError { field: field.to_owned(), reason: reason.into() }
}

/// What the lines of a file are read with.
#[derive(Clone, Copy)]
pub(super) struct Reader {
    pub(super) firm: FirmId,
    /// Of the firm's books.
    pub(super) currency: Currency,
    pub(super) only: Only,
}

impl Reader {
    /// Reads a line. Each attempt has a request id of its own, unless the line has one.
    pub(super) fn line(self, text: &str, attempt: u32) -> Result<Asked, JsonError> {
        let Self { firm, currency, only } = self;
        line(firm, currency, only, text, attempt)
    }
}

fn line(
    firm: FirmId,
    currency: Currency,
    only: Only,
    text: &str,
    attempt: u32,
) -> Result<Asked, JsonError> {
    let value: Value = serde_json::from_str(text).map_err(|error| {
        fault("line", format!("must be JSON; it is not at column {}", error.column()))
    })?;
    let Value::Object(mut line) = value else {
        return Err(fault("line", "must be a JSON object"));
    };
    let request_id =
        derived_request_id(&[firm.0.as_bytes(), &attempt.to_be_bytes(), text.as_bytes()]);
    if line.contains_key("outcome") {
        return result(firm, currency, &request_id, line).map(Asked::Payment);
    }
    if !line.contains_key("requestId") && !line.contains_key("request_id") {
        line.insert("requestId".to_owned(), Value::String(request_id));
    }
    fill_firm(&mut line, "name", firm);
    if line.contains_key("actions") {
        if only == Only::Payments {
            return Err(fault("actions", "must not be in a file of results"));
        }
        return read(line, "counterfoil.v1.RecordRequest").map(Asked::Record);
    }
    let Some(member) = PAYMENT_MEMBERS.iter().find(|member| line.contains_key(**member)) else {
        return Err(fault(
            "line",
            "must have actions, or one of settled, failed, refunded, refundFailed, chargebackOpened, \
             chargebackWon, chargebackLost",
        ));
    };
    if let Some(Value::Object(event)) = line.get_mut(*member) {
        fill_firm(event, "invoice", firm);
    }
    if !line.contains_key("name") {
        line.insert("name".to_owned(), Value::String(api::name::any_account(firm)));
    }
    read(line, "counterfoil.v1.RecordPaymentRequest").map(Asked::Payment)
}

fn read<M: prost::Message + Default>(line: Map<String, Value>, name: &str) -> Result<M, JsonError> {
    json::from_json(&Value::Object(line).to_string(), name)
}

fn fill_firm(object: &mut Map<String, Value>, member: &str, firm: FirmId) {
    if let Some(Value::String(name)) = object.get_mut(member)
        && let Some(rest) = name.strip_prefix(ANY_FIRM)
    {
        *name = format!("firms/{firm}/{rest}");
    }
}

/// Checks the fields of a request without asking anybody.
pub(super) fn check(asked: &Asked, currency: Currency) -> Result<(), JsonError> {
    let checked = match asked {
        Asked::Record(request) => requests::record(request, Some(currency)).map(|_| ()),
        Asked::Payment(request) => requests::record_payment(request, Some(currency)).map(|_| ()),
    };
    match checked {
        Ok(()) => Ok(()),
        Err(errors) => Err(errors.0.into_iter().next().map_or_else(
            || fault("line", "is not valid"),
            |error| fault(&error.field, error.rule),
        )),
    }
}

/// A line as the processor's side writes it.
fn result(
    firm: FirmId,
    currency: Currency,
    request_id: &str,
    line: Map<String, Value>,
) -> Result<v1::RecordPaymentRequest, JsonError> {
    // The parser's own words may quote the line.
    let result: ProcessorResult = serde_json::from_value(Value::Object(line)).map_err(|_| {
        fault(
            "outcome",
            "must be a whole result: settled, failed, refunded or refund_failed; of the last two with the \
             request that it answers, 0 for none, and amounts as numbers",
        )
    })?;
    let name = |number: u64| api::name::invoice(firm, number);
    let number = |number: u32| {
        i32::try_from(number).map_err(|_| fault("request", "must be the number of a request"))
    };
    let (on, event) = match result {
        ProcessorResult::Settled { invoice, payment, amount_minor, on } => {
            let amount = Money::new(amount_minor, currency)
                .map_err(|_| fault("amount_minor", "must be an amount of the books"))?;
            let amount = Some(scalar::money_message(amount));
            let settled = v1::PaymentSettled { payment, amount, invoice: name(invoice) };
            (on, v1::record_payment_request::Event::Settled(settled))
        }
        ProcessorResult::Failed { invoice, reason, on } => {
            let code = format!("FAILURE_REASON_{}", reason.to_ascii_uppercase());
            let reason = v1::FailureReason::from_str_name(&code).ok_or_else(|| {
                fault("reason", "must be a failure reason, such as insufficient_funds")
            })?;
            let failed = v1::ChargeFailed { invoice: name(invoice), reason: reason.into() };
            (on, v1::record_payment_request::Event::Failed(failed))
        }
        ProcessorResult::Refunded { payment, request, refund, amount_minor, on } => {
            let amount = Money::new(amount_minor, currency)
                .map_err(|_| fault("amount_minor", "must be an amount of the books"))?;
            let refunded = v1::PaymentRefunded {
                refund,
                payment,
                amount: Some(scalar::money_message(amount)),
                reason: String::new(),
                request: Some(number(request)?),
            };
            (on, v1::record_payment_request::Event::Refunded(refunded))
        }
        ProcessorResult::RefundFailed { payment, request, reason, on } => {
            let code = format!("REFUND_FAILURE_REASON_{}", reason.to_ascii_uppercase());
            let reason = v1::RefundFailureReason::from_str_name(&code)
                .ok_or_else(|| fault("reason", "must be why a refund failed, such as declined"))?;
            let (request, reason) = (number(request)?, reason.into());
            let failed = v1::RefundFailed { payment, request, reason };
            (on, v1::record_payment_request::Event::RefundFailed(failed))
        }
    };
    let day = on.parse().map_err(|_| fault("on", "must be a date, YYYY-MM-DD"))?;
    Ok(v1::RecordPaymentRequest {
        name: api::name::any_account(firm),
        request_id: request_id.to_owned(),
        occurred_on: Some(scalar::date_message(day)),
        event: Some(event),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    const CASE: &str = "018f2b6e-0000-7000-8000-0000000000c1";

    fn firm() -> FirmId {
        FirmId(Uuid::from_u128(7))
    }

    fn parsed(text: &str) -> Result<Asked, JsonError> {
        line(firm(), Currency::USD, Only::All, text, 0)
    }

    fn record(text: &str) -> v1::RecordRequest {
        match parsed(text).unwrap() {
            Asked::Record(request) => request,
            Asked::Payment(_) => panic!("actions were given"),
        }
    }

    #[test]
    fn the_firm_is_filled_in_and_the_same_line_is_the_same_request() {
        let text = format!(r#"{{"name":"firms/-/cases/{CASE}","actions":[{{"openWork":{{}}}}]}}"#);
        let request = record(&text);
        assert_eq!(request.name, format!("firms/{}/cases/{CASE}", firm()));
        assert_eq!(request, record(&text));
        assert!(Uuid::try_parse(&request.request_id).unwrap().get_version_num() == 8);
        let other = record(&text.replace("openWork", "resumeService"));
        assert_ne!(request.request_id, other.request_id);
        let named = text.replacen('{', &format!(r#"{{"requestId":"{CASE}","#), 1);
        assert_eq!(record(&named).request_id, CASE);
    }

    #[test]
    fn what_became_of_money_is_read_in_both_forms() {
        let own = r#"{"occurredOn":{"year":2026,"month":3,"day":2},"settled":{"payment":"p1","amount":{"currencyCode":"USD","units":"49","nanos":990000000},"invoice":"firms/-/invoices/7"}}"#;
        let processor = r#"{"outcome":"settled","invoice":7,"payment":"p1","amount_minor":4999,"on":"2026-03-02"}"#;
        let event = |text: &str| match parsed(text).unwrap() {
            Asked::Payment(request) => (request.name, request.occurred_on, request.event),
            Asked::Record(_) => panic!("a payment was given"),
        };
        assert_eq!(event(own), event(processor));
        assert!(event(own).0.ends_with("/accounts/-"));
    }

    #[test]
    fn faults_name_the_field_and_never_the_value() {
        for (text, field) in [
            ("{", "line"),
            ("[]", "line"),
            (r#"{"secret":1}"#, "line"),
            (r#"{"outcome":"secret"}"#, "outcome"),
            (r#"{"outcome":"failed","invoice":1,"reason":"secret","on":"2026-03-02"}"#, "reason"),
            (
                r#"{"name":"firms/-/cases/x","actions":[{"enrol":{"seat":"secret"}}]}"#,
                "actions[0].enrol.seat",
            ),
        ] {
            let error = parsed(text).unwrap_err();
            assert_eq!(error.field, field, "{error}");
            assert!(!error.to_string().contains("secret"), "{error}");
        }
    }
}

//! Requests in proto3 JSON, as an import reads them line by line, and their checks.

use api::json::{from_json, to_json};
use api::{FieldErrors, requests, v1};
use domain::money::Currency;

/// The first line names the message, the rest is it.
///
/// What is read reads again as it is shown; what is refused names its field and the rule.
pub(crate) fn request(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let Some((name, json)) = text.split_once('\n') else { return };
    let usd = Currency::parse("USD").ok();
    macro_rules! of {
        ($Message:ident, $check:expr) => {{
            let full_name = concat!("counterfoil.v1.", stringify!($Message));
            match from_json::<v1::$Message>(json, full_name) {
                Ok(message) => {
                    let shown = to_json(&message, full_name).expect("it is of the contract");
                    let again = from_json::<v1::$Message>(&shown.to_string(), full_name);
                    assert_eq!(again.as_ref(), Ok(&message));
                    let checked: Result<_, FieldErrors> = ($check)(&message);
                    if let Err(errors) = checked {
                        refused(&errors);
                    }
                }
                Err(error) => {
                    crate::check_words(&error.field);
                    crate::check_words(&error.reason);
                }
            }
        }};
    }
    match name {
        "RecordRequest" => of!(RecordRequest, |m| requests::record(m, usd)),
        "RecordPaymentRequest" => of!(RecordPaymentRequest, |m| requests::record_payment(m, usd)),
        "PublishPlanRequest" => of!(PublishPlanRequest, |m| requests::publish_plan(m, usd)),
        "NoteBankLinesRequest" => of!(NoteBankLinesRequest, |m| requests::note_bank_lines(m, usd)),
        "NotePayoutRequest" => of!(NotePayoutRequest, |m| requests::note_payout(m, usd)),
        "NoteStatementRequest" => of!(NoteStatementRequest, |m| requests::note_statement(m, usd)),
        "CreateTokenRequest" => of!(CreateTokenRequest, requests::create_token),
        "RegisterFirmRequest" => of!(RegisterFirmRequest, requests::register_firm),
        "ReviseChartRequest" => of!(ReviseChartRequest, requests::revise_chart),
        "ExportBundleRequest" => of!(ExportBundleRequest, requests::export_bundle),
        "ListCasesRequest" => of!(ListCasesRequest, requests::list_cases),
        "FollowRequest" => of!(FollowRequest, requests::follow),
        _ => {}
    }
}

fn refused(errors: &FieldErrors) {
    assert!((1..=api::FIELD_ERRORS_MAX).contains(&errors.0.len()));
    for error in &errors.0 {
        crate::check_words(&error.field);
        crate::check_words(&error.rule);
    }
}

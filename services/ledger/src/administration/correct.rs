//! Correcting what a firm told wrongly of itself.

use api::requests::{self, Asked, FirmCorrectionAsked};
use api::scalar::{date_message, int64};
use api::status::Failure;
use api::v1;
use domain::command::{Command, FirmCorrection};
use domain::event::{Event, StreamId};
use domain::refusal::{Reason, Refusal};

use crate::access::Authority;
use crate::ledger::{Ledger, receipt};
use crate::reading::View;
use crate::trial;

pub(super) async fn correct_firm(
    ledger: &Ledger,
    authority: &Authority,
    message: &v1::CorrectFirmRequest,
) -> Result<v1::CorrectFirmResponse, Failure> {
    ledger.check_name(authority, &message.parent).await?;
    let currency = ledger.currency(&message.parent).await?;
    let asked = requests::correct_firm(message, currency)?;
    let view = View::of_primary(ledger, authority);
    let told = view.event_at(asked.firm, asked.position).await?;
    let told = told.filter(|told| told.stream == StreamId::Firm).ok_or_else(|| {
        let detail = format!("no event of the firm itself stands at position {}", asked.position);
        Failure::from(Refusal::new(Reason::ReferenceUnknown, StreamId::Firm, detail))
    })?;
    let FirmCorrectionAsked { firm, request_id, becomes, reason, said_by, validate_only, .. } =
        asked;
    let correction = FirmCorrection { becomes, reason, said_by, told: Box::new(told.clone()) };
    let command = Command::CorrectFirm(Box::new(correction));
    if !validate_only {
        let asked = Asked { firm, request_id, command };
        let answer = ledger.submit(authority, asked, api::fingerprint(message)).await?;
        return Ok(v1::CorrectFirmResponse { receipt: Some(receipt(&answer)), fact: None });
    }
    let tried = trial::run(&view, authority, (firm, request_id), &command, &[]).await?;
    let again = tried.events.iter().find(|recorded| match &recorded.event {
        Event::Firm(event) => event.fact().is_some(),
        Event::Case(_) | Event::Account(_) | Event::Deposit(_) | Event::Look(_) => false,
    });
    let fact = v1::CorrectedFact {
        fact_position: int64(told.position),
        r#type: told.event.type_name().to_owned(),
        before_date: Some(date_message(told.occurred_on)),
        after_date: again.map(|again| date_message(again.occurred_on)),
        before_json: told.event.payload_json(),
        after_json: again.map(|again| again.event.payload_json()).unwrap_or_default(),
    };
    Ok(v1::CorrectFirmResponse { receipt: None, fact: Some(fact) })
}

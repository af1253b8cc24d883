//! Requests that hold or erase a client's personal values.

use domain::command::{CaseAction, Command, Dated};
use domain::event::{ClientErased, LegalHoldLifted, LegalHoldPlaced};
use domain::value::Text;

use super::read::case_name;
use crate::field::{FieldErrors, Fields};
use crate::google::r#type::Date;
use crate::requests::Asked;
use crate::v1;

/// One action on one case.
fn on_case(
    (name, request_id, occurred_on): (&str, &str, Option<&Date>),
    action: impl FnOnce(&mut Fields) -> Option<CaseAction>,
) -> Result<Asked, FieldErrors> {
    Fields::check(None, |f| {
        let name = case_name(f, "name", name);
        let request_id = f.request_id(request_id);
        let occurred_on = f.date("occurred_on", occurred_on);
        let action = action(f);
        let (firm, case) = name?;
        let actions = vec![Dated { occurred_at: None, occurred_on: occurred_on?, action: action? }];
        let command = Command::Case { case, expected_version: None, actions };
        Some(Asked { firm, request_id: request_id?, command })
    })
}

/// Reads a `PlaceLegalHold`.
pub fn place_legal_hold(m: &v1::PlaceLegalHoldRequest) -> Result<Asked, FieldErrors> {
    on_case((&m.name, &m.request_id, m.occurred_on.as_ref()), |f| {
        let matter = f.parse("matter", &m.matter, Text::line)?;
        Some(CaseAction::PlaceLegalHold(LegalHoldPlaced { matter }))
    })
}

/// Reads a `LiftLegalHold`.
pub fn lift_legal_hold(m: &v1::LiftLegalHoldRequest) -> Result<Asked, FieldErrors> {
    on_case((&m.name, &m.request_id, m.occurred_on.as_ref()), |f| {
        let matter = f.parse("matter", &m.matter, Text::parse)?;
        Some(CaseAction::LiftLegalHold(LegalHoldLifted { matter }))
    })
}

/// Reads an `ErasePerson`.
pub fn erase_person(m: &v1::ErasePersonRequest) -> Result<Asked, FieldErrors> {
    on_case((&m.name, &m.request_id, m.occurred_on.as_ref()), |f| {
        let basis = f.code::<v1::ErasureBasis>("basis", m.basis)?;
        Some(CaseAction::EraseClient(ClientErased { basis }))
    })
}

//! Findings on promised results.

use domain::command::{CaseAction, Command, Dated, FindResults};
use domain::ids::DocumentHash;
use domain::money::Currency;
use domain::value::Personal;

use super::Asked;
use crate::field::{FieldErrors, Fields};
use crate::limit::FOUND_MAX;
use crate::promise::found;
use crate::requests::read::case_name;
use crate::v1;

/// Reads a `RecordFinding`.
pub fn record_finding(
    m: &v1::RecordFindingRequest,
    currency: Option<Currency>,
) -> Result<Asked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = case_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let expected_version = f.expected_version(m.expected_version);
        let occurred_on = f.date("occurred_on", m.occurred_on.as_ref());
        let agreement = match m.agreement_position {
            Some(0) => f.refuse("agreement_position", "must be the position of an event"),
            Some(position) => f.position("agreement_position", position).map(Some),
            None => Some(None),
        };
        let found = f.each("found", &m.found, 1..=FOUND_MAX, found);
        let found_by = f.parse("found_by", &m.found_by, Personal::parse);
        let reason = f.parse("reason", &m.reason, Personal::parse);
        let document = f.parse_optional("document_sha256", &m.document_sha256, DocumentHash::parse);
        let (firm, case) = name?;
        let find = FindResults {
            agreement: agreement?,
            document: document?,
            found: found?,
            found_by: found_by?,
            reason: reason?,
        };
        let action = CaseAction::FindResults(find);
        let actions = vec![Dated { occurred_at: None, occurred_on: occurred_on?, action }];
        let command = Command::Case { case, expected_version: expected_version?, actions };
        Some(Asked { firm, request_id: request_id?, command })
    })
}

//! Corrections of facts.

use calendar::CivilDate;
use domain::command::{CaseAction, Dated};
use domain::ids::{CaseId, FirmId, RequestId};
use domain::money::Currency;
use domain::value::Personal;

use crate::case_action::dated;
use crate::field::{FieldErrors, Fields};
use crate::limit::ACTIONS_MAX;
use crate::requests::read::case_name;
use crate::v1;

/// Corrections of one case. What they are about is in the log, and read from there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CorrectionsAsked {
    /// The firm.
    pub firm: FirmId,
    /// The request.
    pub request_id: RequestId,
    /// The case.
    pub case: CaseId,
    /// The version the caller decided on.
    pub expected_version: Option<u64>,
    /// What was wrong, in order.
    pub corrections: Vec<CorrectionAsked>,
    /// Whether only to say what would change.
    pub validate_only: bool,
}

/// A correction of the reading at a position.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CorrectionAsked {
    /// The position of the reading in force.
    pub position: u64,
    /// What it becomes.
    pub becomes: BecomesAsked,
    /// Why.
    pub reason: Personal,
    /// Who said so.
    pub said_by: Personal,
}

/// What a correction makes of a fact.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BecomesAsked {
    /// Nothing: it did not happen.
    Nothing {
        /// That it was another person's.
        about_another: bool,
    },
    /// The same, on another day.
    OnDay(CivilDate),
    /// What happened instead.
    Told(Box<Dated<CaseAction>>),
    /// The same, of another client.
    MovedTo(CaseId),
}

/// Reads a `CorrectFacts`.
pub fn correct_facts(
    m: &v1::CorrectFactsRequest,
    currency: Option<Currency>,
) -> Result<CorrectionsAsked, FieldErrors> {
    Fields::check(currency, |f| {
        let name = case_name(f, "name", &m.name);
        let request_id = f.request_id(&m.request_id);
        let expected_version = f.expected_version(m.expected_version);
        let firm = name.map(|(firm, _)| firm);
        let corrections =
            f.each("corrections", &m.corrections, 1..=ACTIONS_MAX, |f, m| correction(f, m, firm));
        let (firm, case) = name?;
        Some(CorrectionsAsked {
            firm,
            request_id: request_id?,
            case,
            expected_version: expected_version?,
            corrections: corrections?,
            validate_only: m.validate_only,
        })
    })
}

fn correction(
    f: &mut Fields,
    m: &v1::FactCorrection,
    firm: Option<FirmId>,
) -> Option<CorrectionAsked> {
    use v1::fact_correction::Becomes as B;
    let position = match f.position("position", m.position) {
        Some(0) => f.refuse("position", "must be the position of an event"),
        position => position,
    };
    let becomes = match &m.becomes {
        Some(B::TakenBack(v1::TakenBack { about_another })) => {
            Some(BecomesAsked::Nothing { about_another: *about_another })
        }
        Some(B::OccurredOn(date)) => f.date("occurred_on", Some(date)).map(BecomesAsked::OnDay),
        Some(B::Action(action)) => {
            f.within("action", |f| dated(f, action)).map(|d| BecomesAsked::Told(Box::new(d)))
        }
        Some(B::OfAnother(v1::FactOfAnother { case })) => {
            f.within("of_another", |f| match case_name(f, "case", case) {
                Some((other, _)) if firm.is_some_and(|firm| firm != other) => {
                    f.refuse("case", "must be of the same firm")
                }
                named => named.map(|(_, case)| BecomesAsked::MovedTo(case)),
            })
        }
        None => f.refuse("becomes", "is required: taken_back, occurred_on, action or of_another"),
    };
    let reason = f.parse("reason", &m.reason, Personal::parse);
    let said_by = f.parse("said_by", &m.said_by, Personal::parse);
    Some(CorrectionAsked {
        position: position?,
        becomes: becomes?,
        reason: reason?,
        said_by: said_by?,
    })
}

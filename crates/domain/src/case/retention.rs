//! How long a client's record must be kept, and when the client may be erased.
//!
//! The periods are the federal ones and those of the adopted packs; licensed counsel decides. Erasing
//! destroys personal values alone: the events, the fees and the proofs stay for ever.

use std::collections::BTreeSet;

use calendar::{CivilDate, add_months_clamped};

use super::decide::Facts;
use super::{Case, Kept};
use crate::event::{Circumstance, ClientErased};
use crate::firm::{Firm, Place, Reached, Unknown};
use crate::ids::StateCode;
use crate::refusal::{Reason, Refusal, Violation};
use crate::rules::{Dimension, KeepFrom, KeepWhat};
use crate::terms::Channel;
use crate::value::Text;

/// Something that is kept, until when, and by which law.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Retained {
    /// What is kept.
    pub what: &'static str,
    /// The last day of it.
    pub until: CivilDate,
    /// The statute or rule.
    pub cites: &'static str,
}

/// The same, as a state's pack says it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RetainedByState {
    /// What is kept.
    pub what: KeepWhat,
    /// The last day of it.
    pub until: CivilDate,
    /// The statute.
    pub cites: Text,
}

impl Case {
    /// What is kept of this client and until when, as far as the record shows it. Nothing ends while
    /// the service runs; then the list is empty.
    pub fn retained(&self) -> Vec<Retained> {
        let Some(over_on) = self.served_until() else { return Vec::new() };
        let over_on = self.kept_for.served_on.map_or(over_on, |on| on.max(over_on));
        let mut retained = vec![Retained {
            what: "the record of the contract, for as long as the client may sue",
            until: years_after(over_on, 5),
            cites: "15 USC 1679i",
        }];
        let acknowledged = self.acknowledged.last().map(super::Moment::on);
        if let Some(signed_on) = acknowledged.max(self.kept_for.acknowledged_on) {
            retained.push(Retained {
                what: "the signed acknowledgment of the federal disclosure",
                until: years_after(signed_on, 2),
                cites: "15 USC 1679c(c)",
            });
        }
        if self.is_by_telephone() || self.kept_for.telephone {
            retained.push(Retained {
                what: "customer records of a sale by telephone",
                until: years_after(over_on, 5),
                cites: "16 CFR 310.5",
            });
        }
        let uncalled = self
            .circumstances
            .iter()
            .filter(|told| told.said.kind == Circumstance::DoNotCall && told.said.holds);
        if let Some(asked) = uncalled.map(|told| told.moment.on()).max() {
            retained.push(Retained {
                what: "the client's wish not to be called",
                until: years_after(asked, 5),
                cites: "16 CFR 310.5",
            });
        }
        retained
    }

    /// What the states whose law ever reached the client ask to be kept, whoever stands for their packs: what is kept too
    /// long harms nobody. Nothing ends while the service runs.
    pub fn retained_by_states(&self, firm: &Firm) -> Vec<RetainedByState> {
        let Some(over_on) = self.served_until() else { return Vec::new() };
        let over_on = self.kept_for.served_on.map_or(over_on, |on| on.max(over_on));
        let acknowledged = self.acknowledged.last().map(super::Moment::on);
        let acknowledged = acknowledged.max(self.kept_for.acknowledged_on);
        let mut retained: Vec<RetainedByState> = Vec::new();
        for (signed, reached) in self.reached_to_keep(firm, over_on) {
            for keep in reached.packs.iter().flat_map(|pack| pack.keep.iter().flatten()) {
                let from = match keep.from {
                    KeepFrom::Acknowledgement => acknowledged,
                    KeepFrom::AgreementEnd | KeepFrom::LastTransaction => Some(over_on),
                    KeepFrom::Signing => Some(signed),
                };
                let kept = from.map(|from| RetainedByState {
                    what: keep.what,
                    until: keep.through(from),
                    cites: keep.cites.clone(),
                });
                retained.extend(kept.filter(|kept| !retained.contains(kept)));
            }
        }
        retained
    }

    /// Why the states whose law ever reached the client may ask to keep more than is known. What nobody has read is not taken
    /// for nothing: an erasure cannot be taken back.
    pub fn retention_unknown(&self, firm: &Firm) -> BTreeSet<Unknown> {
        let Some(over_on) = self.served_until() else { return BTreeSet::new() };
        let over_on = self.kept_for.served_on.map_or(over_on, |on| on.max(over_on));
        let reached = self.reached_to_keep(firm, over_on);
        reached.into_iter().flat_map(|(_, reached)| reached.unknown).collect()
    }

    /// For each agreement what reached the client under it of what is kept, on each day through the last of the service on
    /// which that may have changed: where it was signed, and where the client lived on the day. A client who signed
    /// nothing was reached where the client lived on the day of the acknowledgment.
    fn reached_to_keep<'f>(
        &'f self,
        firm: &'f Firm,
        over_on: CivilDate,
    ) -> Vec<(CivilDate, Reached<'f>)> {
        let mut found = Vec::new();
        let mut reach = |signed: CivilDate, place: Place<'f>, on: CivilDate| {
            found.push((signed, firm.reached_in(place, on, Dimension::Keep)));
        };
        let lived_on = |on| self.contact_on(on).map(|since| since.contact.address.state);
        for agreement in self.agreements.iter() {
            let (signed, activity) = (agreement.signed.on(), agreement.activity.as_ref());
            let mut days = firm.turns_of_law(signed, over_on.max(signed));
            let moved = self.contacts.iter().map(|since| since.mark.on);
            days.extend(moved.filter(|day| signed < *day && *day <= over_on));
            for on in days {
                let states: BTreeSet<StateCode> =
                    lived_on(on).into_iter().chain([agreement.state]).collect();
                for state in states {
                    reach(signed, Place::of(state, activity), on);
                }
            }
        }
        let shown = self.acknowledged.iter().map(super::Moment::on);
        for on in shown.filter(|_| self.agreements.is_empty()) {
            if let Some(state) = lived_on(on) {
                reach(on, state.into(), on);
            }
        }
        found
    }

    fn is_by_telephone(&self) -> bool {
        self.enrolment.as_ref().is_some_and(|e| e.sale.channel == Channel::Telephone)
    }

    /// Keeps what a correction is about to replace for as long as it told: what was taken back is evidence too.
    pub(super) fn keep(&mut self) {
        let agreements = self.agreements.iter().map(|agreement| agreement.signed.on());
        let ends = self.ends.iter().map(|ended| ended.moment.on());
        let cancelled = self.cancellations.iter().map(|cancellation| cancellation.sent_on);
        let work = self.work.iter().map(|done| done.moment.on());
        let asked = self.asked.iter().map(|asked| asked.moment.on());
        let fees = self.earned.iter().map(|fee| fee.mark.on);
        let served = agreements.chain(ends).chain(cancelled).chain(work).chain(asked).chain(fees);
        let acknowledged = self.acknowledged.iter().map(super::Moment::on).max();
        self.kept_for = Kept {
            acknowledged_on: acknowledged.max(self.kept_for.acknowledged_on),
            served_on: served.max().max(self.kept_for.served_on),
            telephone: self.kept_for.telephone || self.is_by_telephone(),
        };
    }

    /// The last day on which the service ended or an agreement was cancelled, if it is over.
    fn served_until(&self) -> Option<CivilDate> {
        let ended = self.ends.iter().map(|ended| ended.moment.on());
        let cancelled = self.cancellations.iter().map(|cancellation| cancellation.sent_on);
        ended.chain(cancelled).max().filter(|_| self.is_over())
    }
}

/// A period of years runs to the same date, or to the end of February.
fn years_after(day: CivilDate, years: u32) -> CivilDate {
    add_months_clamped(day, 12 * years)
}

pub(super) fn erase(
    case: &Case,
    facts: &Facts<'_>,
    erase: &ClientErased,
) -> Result<ClientErased, Refusal> {
    if !case.is_over() {
        let detail = "the service is not over; a client who is served cannot be erased";
        return Err(facts.refuse(Reason::StateRefuses, detail));
    }
    let holds = case.holds.iter().map(|(matter, mark)| Violation {
        cites: String::new(),
        detail: format!("a legal hold stands since {}: {matter}", mark.on),
        rule: "legal_hold".into(),
        subject: facts.subject().to_string(),
    });
    let retained = case.retained().into_iter().filter(|kept| kept.until >= facts.on);
    let retained = retained.map(|kept| Violation {
        cites: kept.cites.into(),
        detail: format!("kept until {}: {}", kept.until, kept.what),
        rule: "retention".into(),
        subject: facts.subject().to_string(),
    });
    let owed = case.marks.values().map(|marked| marked.said.owed);
    let owed = owed.filter(|owed| owed.is_positive()).map(|owed| Violation {
        cites: "15 USC 1679b(b)".into(),
        detail: format!("{owed} is owed back of a fee that nothing allowed"),
        rule: "owed".into(),
        subject: facts.subject().to_string(),
    });
    let by_states = case.retained_by_states(facts.firm).into_iter();
    let by_states = by_states.filter(|kept| kept.until >= facts.on).map(|kept| Violation {
        cites: kept.cites.to_string(),
        detail: format!("kept until {} by the law of a state: {}", kept.until, kept.what),
        rule: "retention".into(),
        subject: facts.subject().to_string(),
    });
    let unknown = case.retention_unknown(facts.firm).into_iter().map(|reason| Violation {
        cites: String::new(),
        detail: format!(
            "how long the law of a state asks the record to be kept is not known: {reason}; {}",
            reason.way_out()
        ),
        rule: "retention".into(),
        subject: facts.subject().to_string(),
    });
    let violations: Vec<Violation> =
        holds.chain(retained).chain(by_states).chain(unknown).chain(owed).collect();
    if violations.is_empty() {
        Ok(erase.clone())
    } else {
        Err(Refusal::of(Reason::NotAllowedYet, violations))
    }
}

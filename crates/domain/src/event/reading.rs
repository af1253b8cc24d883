//! The stored form of a fact inside the event that corrects it: as an event is stored, with the name and the
//! version of its type.

use std::collections::{BTreeMap, BTreeSet};

use super::envelope::read_payload;
use super::{AccountEvent, CaseEvent, Event, FactCorrected, Reading, Recorded};
use crate::codec::{DecodeError, Field, In, Out};
use crate::ids::DocumentHash;
use crate::value::Personal;

/// The events of a case as if each fact had been told at first as it is in force now: at its own place, with the
/// day and in the request of the reading in force. What was taken back is not among them, nor are corrections.
pub fn in_force(case: &[Recorded]) -> Vec<Recorded> {
    let mut readings: BTreeMap<u64, (&Recorded, &FactCorrected)> = BTreeMap::new();
    for recorded in case {
        if let Event::Case(CaseEvent::FactCorrected(corrected)) = &recorded.event {
            readings.insert(corrected.fact.position, (recorded, corrected));
        }
    }
    let told = case.iter().filter_map(|told| {
        if let Event::Case(CaseEvent::FactCorrected(_)) = &told.event {
            return None;
        }
        let Some((recorded, corrected)) = readings.get(&told.position) else {
            return Some(told.clone());
        };
        let Reading { event, occurred_at, occurred_on } = corrected.reading.as_deref()?;
        Some(Recorded {
            event: Event::Case(event.clone()),
            late_days: recorded.late_days,
            occurred_at: *occurred_at,
            occurred_on: *occurred_on,
            request_id: corrected.order_of.unwrap_or(recorded.request_id),
            ..told.clone()
        })
    });
    told.collect()
}

/// The events of an account without the facts about money that were taken back, what was found of those, and the
/// corrections. What was told in their stead stands among them as the events that they are.
pub fn money_in_force(account: &[Recorded]) -> Vec<Recorded> {
    let corrected: BTreeSet<u64> =
        account.iter().filter_map(|recorded| recorded.event.corrects()).collect();
    let mut is_taken_back = false;
    let in_force = account.iter().filter(|recorded| {
        // What a payment held beyond what was earned is found in the event behind it.
        let is_found =
            matches!(recorded.event, Event::Account(AccountEvent::UnearnedPaymentFound(_)));
        is_taken_back = corrected.contains(&recorded.position) || is_found && is_taken_back;
        !is_taken_back && recorded.event.corrects().is_none()
    });
    in_force.cloned().collect()
}

impl Event {
    /// What it tells, as canonical JSON.
    ///
    /// # Panics
    /// Never: JSON is UTF-8.
    pub fn payload_json(&self) -> String {
        let mut out = Out::default();
        self.put_payload(&mut out);
        String::from_utf8(out.into_bytes()).expect("JSON is UTF-8")
    }
}

impl Reading {
    /// What it tells, as canonical JSON.
    pub fn payload_json(&self) -> String {
        Event::Case(self.event.clone()).payload_json()
    }
}

impl Field for Reading {
    fn put(&self, out: &mut Out) {
        out.open_object();
        out.key("event");
        out.string(self.event.type_name());
        out.member("event_version", &self.event.type_version());
        out.member("occurred_at", &self.occurred_at);
        out.member("occurred_on", &self.occurred_on);
        out.key("payload");
        self.event.put_payload(out);
        out.close_object();
    }

    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        input.open_object()?;
        let name: String = input.member("event")?;
        let version: u32 = input.member("event_version")?;
        let occurred_at = input.member("occurred_at")?;
        let occurred_on = input.member("occurred_on")?;
        let key = input.key()?;
        if key != "payload" {
            return Err(input.error("the member \"payload\""));
        }
        let read = read_payload(&name, version, input)?;
        input.close_object()?;
        match read {
            Event::Case(event) if event.fact().is_some() => {
                Ok(Self { event, occurred_at, occurred_on })
            }
            Event::Case(_)
            | Event::Account(_)
            | Event::Deposit(_)
            | Event::Firm(_)
            | Event::Look(_) => Err(input.error(format!("a fact of a case, not {name:?}"))),
        }
    }

    fn each_personal(&mut self, visit: &mut dyn FnMut(&mut Personal)) {
        self.event.each_personal(visit);
    }

    fn each_document(&self, visit: &mut dyn FnMut(DocumentHash)) {
        self.event.each_document(visit);
    }
}

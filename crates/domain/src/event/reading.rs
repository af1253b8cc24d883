//! The stored form of a fact inside the event that corrects it: as an event is stored, with the name and the
//! version of its type.

use super::envelope::read_payload;
use super::{Event, Reading};
use crate::codec::{DecodeError, Field, In, Out};
use crate::ids::DocumentHash;
use crate::value::Personal;

impl Reading {
    /// What it tells, as canonical JSON.
    pub fn payload_json(&self) -> String {
        let mut out = Out::default();
        self.event.put_payload(&mut out);
        String::from_utf8(out.into_bytes()).expect("JSON is UTF-8")
    }
}

impl Field for Reading {
    fn put(&self, out: &mut Out) {
        out.open_object();
        out.key("event");
        out.string(self.event.type_name());
        out.member("event_version", &self.event.type_version());
        out.member("occurred_on", &self.occurred_on);
        out.key("payload");
        self.event.put_payload(out);
        out.close_object();
    }

    fn take(input: &mut In<'_>) -> Result<Self, DecodeError> {
        input.open_object()?;
        let name: String = input.member("event")?;
        let version: u32 = input.member("event_version")?;
        let occurred_on = input.member("occurred_on")?;
        let key = input.key()?;
        if key != "payload" {
            return Err(input.error("the member \"payload\""));
        }
        let read = read_payload(&name, version, input)?;
        input.close_object()?;
        match read {
            Event::Case(event) if event.fact().is_some() => Ok(Self { event, occurred_on }),
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

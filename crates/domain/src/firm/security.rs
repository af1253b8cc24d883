//! Events of security: whom they have to be told to, and by when (16 CFR 314.4(j)).

use calendar::{BusinessCalendar, CivilDate};

use super::Firm;
use super::decide::refused;
use crate::codec::record;
use crate::event::{EventRef, SecurityEventRecorded};
use crate::refusal::Refusal;

/// Consumers from whose number on the Federal Trade Commission is notified.
const CONSUMERS_NOTIFIED_FROM: u32 = 500;
/// The first day on which the duty was in force: what was discovered before owes no notice (16 CFR 314.5).
const IN_FORCE_SINCE: CivilDate = match CivilDate::from_ymd_opt(2024, 5, 13) {
    Some(day) => day,
    None => CivilDate::MAX,
};
/// Days after the discovery in which it is.
const NOTIFIED_WITHIN_DAYS: u16 = 30;

record! {
    /// What is known of an event of security.
    pub struct SecurityEvent {
        /// The event that told it last.
        at: EventRef,
        /// What it says.
        said: SecurityEventRecorded,
    }
}

impl SecurityEvent {
    /// The last day on which the Commission may be notified; nothing if fewer consumers are concerned, or it was discovered
    /// before there was such a duty.
    pub fn notify_by(&self) -> Option<CivilDate> {
        let last = BusinessCalendar::EveryDay
            .add_business_days(self.said.discovered_on, NOTIFIED_WITHIN_DAYS);
        let is_owed = self.said.consumers >= CONSUMERS_NOTIFIED_FROM
            && self.said.discovered_on >= IN_FORCE_SINCE;
        is_owed.then_some(last)
    }

    /// By how many days the Commission was notified too late, or is not yet on a day; 0 if that is in time.
    pub fn days_late(&self, today: CivilDate) -> u32 {
        let notified = self.said.notified_on.unwrap_or(today);
        let late = self.notify_by().map_or(0, |by| notified.signed_duration_since(by).num_days());
        u32::try_from(late).unwrap_or(0)
    }

    /// The last day of a notice that was not given yet.
    pub fn is_to_be_told_by(&self) -> Option<CivilDate> {
        self.notify_by().filter(|_| self.said.notified_on.is_none())
    }
}

impl Firm {
    /// Takes the place of what was told before under the same name.
    pub(super) fn note_security(&mut self, told: SecurityEvent) {
        self.security_events.retain(|known| known.said.name != told.said.name);
        self.security_events.push(told);
    }
}

pub(super) fn check(on: CivilDate, said: &SecurityEventRecorded) -> Result<(), Refusal> {
    let SecurityEventRecorded { discovered_on, notified_on, .. } = said;
    if *discovered_on > on {
        return Err(refused("security_event.discovered_on", "must not be after occurred_on"));
    }
    if notified_on.is_some_and(|notified| notified < *discovered_on || notified > on) {
        let rule = "must lie between discovered_on and occurred_on";
        return Err(refused("security_event.notified_on", rule));
    }
    Ok(())
}

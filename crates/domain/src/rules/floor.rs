//! What no federal pack may fall below. A pack is a firm's reading of the law, and where counsel may read
//! otherwise it is free; these are the words of the statute, and a gate that gives way to a weaker number is
//! a switch.

use calendar::BusinessCalendar;

use super::RulePack;
use crate::terms::Channel;

/// Days in which a client may cancel (15 USC 1679e(a): the third business day).
const CANCELLATION_DAYS_LEAST: u16 = 3;
/// Versions are numbers of 32 bits with a sign wherever they are shown.
const VERSION_MAX: u32 = i32::MAX.cast_unsigned();

/// What a pack falls short of, if it does.
pub(super) fn broken(pack: &RulePack) -> Option<String> {
    if pack.version > VERSION_MAX {
        return Some(format!("version must be at most {VERSION_MAX}"));
    }
    if pack.state.is_some() {
        // A state's rules only ever add to the federal ones: for each dimension the most protective wins.
        return None;
    }
    let cancellation = pack.cancellation.as_ref()?;
    if cancellation.days < CANCELLATION_DAYS_LEAST {
        return Some(format!(
            "cancellation.days must be at least {CANCELLATION_DAYS_LEAST} (15 USC 1679e(a))"
        ));
    }
    if cancellation.calendar == BusinessCalendar::EveryDay {
        return Some("cancellation.calendar must count business days (15 USC 1679e(a))".into());
    }
    if pack.telemarketing.as_ref()?.exempt.contains(&Channel::Telephone) {
        return Some("telemarketing.exempt must not name telephone (16 CFR 310.4(a)(2))".into());
    }
    None
}

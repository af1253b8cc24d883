//! Local midnight: which civil date an instant falls on, and when a civil date begins.

use std::fmt;

use chrono::{DateTime, MappedLocalTime, NaiveDateTime, NaiveTime, Offset, TimeDelta, TimeZone};
use chrono_tz::{GapInfo, Tz};
use thiserror::Error;

use crate::CivilDate;

const MICROS_PER_SECOND: i64 = 1_000_000;

/// A time zone of the IANA database.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Zone(Tz);

/// A name that is not in the IANA time zone database.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{name:?} is not a time zone of the IANA database")]
pub struct ZoneError {
    /// The name as given.
    pub name: String,
}

impl Zone {
    /// The zone of an IANA name such as `America/Chicago`; the case of letters counts.
    pub fn parse(name: &str) -> Result<Self, ZoneError> {
        name.parse().map(Self).map_err(|_| ZoneError { name: name.to_owned() })
    }

    /// The IANA name.
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    /// The civil date that clocks in this zone show at `utc_micros`, microseconds since 1970-01-01
    /// UTC. An instant outside the calendar gives its first or last date.
    pub fn date_at(self, utc_micros: i64) -> CivilDate {
        let edge = if utc_micros < 0 { CivilDate::MIN } else { CivilDate::MAX };
        let Some(instant) = DateTime::from_timestamp_micros(utc_micros) else { return edge };
        let utc = instant.naive_utc();
        let offset = offset_seconds(&self.0.offset_from_utc_datetime(&utc));
        utc.checked_add_signed(TimeDelta::seconds(offset)).map_or(edge, |local| local.date())
    }

    /// How far clocks in this zone are ahead of UTC at noon of `date`, in seconds.
    pub fn offset_at_noon(self, date: CivilDate) -> i64 {
        let noon = date.and_time(NaiveTime::MIN) + TimeDelta::hours(12);
        match self.0.offset_from_local_datetime(&noon) {
            MappedLocalTime::Single(offset) | MappedLocalTime::Ambiguous(offset, _) => {
                offset_seconds(&offset)
            }
            MappedLocalTime::None => offset_seconds(&self.0.offset_from_utc_datetime(&noon)),
        }
    }

    /// The instant at which `date` begins in this zone, in microseconds since 1970-01-01 UTC.
    ///
    /// Where the clocks go back over midnight it is the earlier of the two midnights. Where they go
    /// forward over it there is none, and the answer is the first instant after the gap.
    pub fn start_of_day(self, date: CivilDate) -> i64 {
        let midnight = date.and_time(NaiveTime::MIN);
        match self.0.offset_from_local_datetime(&midnight) {
            MappedLocalTime::Single(offset) | MappedLocalTime::Ambiguous(offset, _) => {
                utc_micros(midnight, offset_seconds(&offset))
            }
            MappedLocalTime::None => self.end_of_gap(midnight),
        }
    }

    /// The instant of the change that skips `local`: the gap's first moment, told by the offset in
    /// force before it, is the same instant as the first moment after it.
    fn end_of_gap(self, local: NaiveDateTime) -> i64 {
        let begin = GapInfo::new(&local, &self.0).and_then(|gap| gap.begin);
        // A gap lies between two offsets, so its beginning is known; UTC is the neutral answer.
        begin.map_or(utc_micros(local, 0), |(first_skipped, offset_before)| {
            utc_micros(first_skipped, offset_seconds(&offset_before))
        })
    }
}

impl fmt::Debug for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Zone({})", self.name())
    }
}

fn offset_seconds(offset: &impl Offset) -> i64 {
    i64::from(offset.fix().local_minus_utc())
}

fn utc_micros(local: NaiveDateTime, offset_seconds: i64) -> i64 {
    local.and_utc().timestamp_micros().saturating_sub(offset_seconds * MICROS_PER_SECOND)
}

//! Local midnight, against the rules of the IANA time zone database.

mod support;

use chrono::DateTime;
use counterfoil_calendar::{CivilDate, Zone};
use proptest::prelude::*;
use support::day;

fn zone(name: &str) -> Zone {
    Zone::parse(name).expect("a zone of the IANA database")
}

fn micros(utc: &str) -> i64 {
    DateTime::parse_from_rfc3339(utc).expect("an RFC 3339 instant").timestamp_micros()
}

#[test]
fn date_turns_at_local_midnight() {
    let chicago = zone("America/Chicago");
    // Central standard time is UTC-6, daylight time UTC-5.
    assert_eq!(chicago.date_at(micros("2026-01-15T05:59:59.999999Z")), day("2026-01-14"));
    assert_eq!(chicago.date_at(micros("2026-01-15T06:00:00Z")), day("2026-01-15"));
    assert_eq!(chicago.date_at(micros("2026-07-15T04:59:59.999999Z")), day("2026-07-14"));
    assert_eq!(chicago.date_at(micros("2026-07-15T05:00:00Z")), day("2026-07-15"));
    assert_eq!(zone("Pacific/Honolulu").date_at(micros("2026-07-15T09:59:59Z")), day("2026-07-14"));
}

#[test]
fn day_starts_at_local_midnight() {
    let new_york = zone("America/New_York");
    assert_eq!(new_york.start_of_day(day("2026-01-15")), micros("2026-01-15T05:00:00Z"));
    assert_eq!(new_york.start_of_day(day("2026-07-15")), micros("2026-07-15T04:00:00Z"));
    // The clocks change at two in the morning: these days have 23 and 25 hours.
    assert_eq!(new_york.start_of_day(day("2026-03-08")), micros("2026-03-08T05:00:00Z"));
    assert_eq!(new_york.start_of_day(day("2026-03-09")), micros("2026-03-09T04:00:00Z"));
    assert_eq!(new_york.start_of_day(day("2026-11-02")), micros("2026-11-02T05:00:00Z"));
}

#[test]
fn day_without_a_midnight_starts_after_the_gap() {
    // Cuba goes from 00:00 to 01:00: the day starts at 01:00 daylight time, UTC-4.
    let havana = zone("America/Havana");
    assert_eq!(havana.start_of_day(day("2024-03-10")), micros("2024-03-10T05:00:00Z"));
    // Samoa skipped the whole of 2011-12-30 when it crossed the date line, from UTC-10 to UTC+14.
    let apia = zone("Pacific/Apia");
    assert_eq!(apia.start_of_day(day("2011-12-30")), micros("2011-12-30T10:00:00Z"));
    assert_eq!(apia.date_at(micros("2011-12-30T09:59:59Z")), day("2011-12-29"));
    assert_eq!(apia.date_at(micros("2011-12-30T10:00:00Z")), day("2011-12-31"));
}

#[test]
fn day_with_two_midnights_starts_at_the_first() {
    // Cuba goes from 01:00 back to 00:00, from UTC-4 to UTC-5.
    let havana = zone("America/Havana");
    assert_eq!(havana.start_of_day(day("2024-11-03")), micros("2024-11-03T04:00:00Z"));
}

#[test]
fn names_are_those_of_the_database() {
    assert_eq!(zone("America/Los_Angeles").name(), "America/Los_Angeles");
    assert_eq!(format!("{:?}", zone("UTC")), "Zone(UTC)");
    for unknown in ["", "Mars/Olympus_Mons", "america/chicago", "UTC-5"] {
        let error = Zone::parse(unknown).expect_err("not in the database");
        assert_eq!(error.name, unknown);
        assert!(error.to_string().contains("IANA"));
    }
}

#[test]
fn instants_and_dates_outside_the_calendar_saturate() {
    for name in ["UTC", "Pacific/Kiritimati", "Pacific/Pago_Pago"] {
        let zone = zone(name);
        assert_eq!(zone.date_at(i64::MIN), CivilDate::MIN);
        assert_eq!(zone.date_at(i64::MAX), CivilDate::MAX);
        assert!(zone.start_of_day(CivilDate::MIN) < zone.start_of_day(CivilDate::MAX));
        for edge in [CivilDate::MIN, CivilDate::MAX] {
            zone.date_at(zone.start_of_day(edge));
            zone.date_at(edge.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_micros());
        }
    }
}

proptest! {
    #[test]
    fn a_day_starts_on_its_own_date(
        name in prop::sample::select(vec![
            "UTC", "America/New_York", "America/Phoenix", "America/Anchorage", "Pacific/Honolulu",
            "America/Puerto_Rico", "Pacific/Guam", "America/Havana", "Europe/London",
        ]),
        offset in 0_u64..40_000,
    ) {
        let zone = zone(name);
        let date = day("1990-01-01") + chrono::Days::new(offset);
        let start = zone.start_of_day(date);
        prop_assert_eq!(zone.date_at(start), date);
        prop_assert!(zone.date_at(start - 1) < date);
    }

    #[test]
    fn no_instant_panics(micros in any::<i64>()) {
        for name in ["Pacific/Kiritimati", "Pacific/Pago_Pago", "America/New_York"] {
            zone(name).date_at(micros);
        }
    }
}

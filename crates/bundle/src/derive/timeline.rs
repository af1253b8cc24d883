//! The timeline: one row for each event, from its envelope alone.

use std::borrow::Cow;

use proof::Hash;

use crate::csv::Row;
use crate::envelope::Envelope;
use crate::manifest::Format;

const MICROS_PER_SECOND: i64 = 1_000_000;
const SECONDS_PER_DAY: i64 = 86_400;

/// Adds an event's row.
pub(crate) fn row(envelope: &Envelope<'_>, leaf: &Hash, format: Format, out: &mut String) {
    let (date, time) = utc(envelope.recorded_at);
    let mut leaf_hash = [0; 64];
    // Sixty-four digits of thirty-two bytes: neither fails.
    let _ = hex::encode_to_slice(leaf.as_bytes(), &mut leaf_hash);
    Row::begin(out, format)
        .number(envelope.position)
        .text(envelope.event_id)
        .text(envelope.stream)
        .number(envelope.stream_version)
        .text(envelope.event)
        .number(envelope.event_version)
        .text(envelope.occurred_on)
        .text(text_of(&date))
        .text(text_of(&time))
        .text(&unescaped(envelope.actor))
        .maybe(envelope.late_days)
        .text(envelope.request_id)
        .text(envelope.causation.unwrap_or(""))
        .text(text_of(&leaf_hash))
        .end();
}

fn text_of(digits: &[u8]) -> &str {
    std::str::from_utf8(digits).unwrap_or("")
}

/// The text of a JSON string, from what stands between its quotes.
fn unescaped(inside: &str) -> Cow<'_, str> {
    if !inside.contains('\\') {
        return Cow::Borrowed(inside);
    }
    match serde_json::from_str(&format!("\"{inside}\"")) {
        Ok(text) => Cow::Owned(text),
        Err(_) => Cow::Borrowed(inside),
    }
}

/// Writes a number into its place, zeros before it.
fn put(place: &mut [u8], number: i64) {
    let mut left = number;
    for digit in place.iter_mut().rev() {
        *digit = b'0' + u8::try_from(left % 10).unwrap_or(0);
        left /= 10;
    }
}

/// The UTC day, `YYYY-MM-DD`, and time of day, `hh:mm:ss.ffffff`, of an instant.
fn utc(micros: i64) -> ([u8; 10], [u8; 15]) {
    let seconds = micros.div_euclid(MICROS_PER_SECOND);
    let fraction = micros.rem_euclid(MICROS_PER_SECOND);
    let (day, second) = (seconds.div_euclid(SECONDS_PER_DAY), seconds.rem_euclid(SECONDS_PER_DAY));
    let (year, month, day) = civil(day);
    let (mut date, mut time) = (*b"0000-00-00", *b"00:00:00.000000");
    put(&mut date[..4], year);
    put(&mut date[5..7], month);
    put(&mut date[8..], day);
    put(&mut time[..2], second / 3_600);
    put(&mut time[3..5], second / 60 % 60);
    put(&mut time[6..8], second % 60);
    put(&mut time[9..], fraction);
    (date, time)
}

/// The civil date so many days after 1970-01-01: the usual way by eras of 400 years that begin in
/// March (from memory). A library's formatting costs as much as the rest of the row.
fn civil(days: i64) -> (i64, i64, i64) {
    let shifted = days + 719_468;
    let (era, day_of_era) = (shifted.div_euclid(146_097), shifted.rem_euclid(146_097));
    let year_of_era =
        (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * from_march + 2) / 5 + 1;
    let month = if from_march < 10 { from_march + 3 } else { from_march - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    (year, month, day)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::{DateTime, Datelike, NaiveDate};

    #[test]
    fn instants_are_what_a_library_says() {
        // Source: the crate chrono.
        let mut micros: i64 = -3_000_000_000_000_123;
        while micros < 9_000_000_000_000_000 {
            let expected = DateTime::from_timestamp_micros(micros).unwrap();
            let (date, time) = utc(micros);
            assert_eq!(text_of(&date), expected.format("%Y-%m-%d").to_string());
            assert_eq!(text_of(&time), expected.format("%H:%M:%S%.6f").to_string());
            micros += 7_654_321_098_765;
        }
    }

    #[test]
    fn days_are_what_a_library_says() {
        let epoch = NaiveDate::from_ymd_opt(1970, 1, 1).unwrap();
        for days in -200_000..200_000 {
            let expected = epoch + chrono::Duration::days(days);
            let (year, month, day) = civil(days);
            let known = (expected.year().into(), expected.month().into(), expected.day().into());
            assert_eq!((year, month, day), known);
        }
    }

    #[test]
    fn an_actor_is_written_as_its_text() {
        assert_eq!(unescaped(r#"a \"b\" \u0007"#), "a \"b\" \u{7}");
        assert_eq!(unescaped("plain"), "plain");
    }
}

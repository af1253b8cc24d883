//! Prints holidays and business days in the format of `tests/reference/calendar_reference.py`,
//! which computes them from another library, so that the two outputs can be compared byte by byte.

use std::collections::BTreeMap;

use counterfoil_calendar::{BusinessCalendar, CivilDate, federal_holidays};

const COUNTS: [u16; 6] = [1, 2, 3, 4, 5, 10];
const CALENDARS: [BusinessCalendar; 3] = [
    BusinessCalendar::FederalOffice,
    BusinessCalendar::RegulationZRescission,
    BusinessCalendar::FederalReserveBanking,
];

fn main() {
    println!("{{\n \"closed\": {{\n{}\n }},", closed_days().join(",\n"));
    let calendars = CALENDARS.map(|calendar| {
        let counts = COUNTS.map(|n| format!("   \"{n}\": \"{}\"", distances(calendar, n)));
        format!("  \"{}\": {{\n{}\n  }}", calendar.as_code(), counts.join(",\n"))
    });
    println!(" \"business_days\": {{\n{}\n }}\n}}", calendars.join(",\n"));
}

/// One line for each holiday and each observed day of 2024 to 2030, in date order.
fn closed_days() -> Vec<String> {
    let mut closed = BTreeMap::new();
    for holiday in (2024..=2031).flat_map(federal_holidays) {
        closed.insert(holiday.on, holiday.name.to_owned());
        if holiday.observed != holiday.on {
            closed.insert(holiday.observed, format!("{} (observed)", holiday.name));
        }
    }
    closed.retain(|on, _| *on >= date(2024, 1, 1) && *on <= date(2030, 12, 31));
    closed.into_iter().map(|(on, name)| format!("  \"{on}\": \"{name}\"")).collect()
}

/// For each start from 2024-01-01 to 2030-11-30, the calendar days to the `n`th business day after
/// it, as one digit in base 36.
fn distances(calendar: BusinessCalendar, n: u16) -> String {
    date(2024, 1, 1)
        .iter_days()
        .take_while(|start| *start <= date(2030, 11, 30))
        .map(|start| {
            let end = calendar.add_business_days(start, n);
            let days = end.signed_duration_since(start).num_days();
            let digit = u32::try_from(days).ok().and_then(|days| char::from_digit(days, 36));
            digit.expect("ten business days take fewer than 36 days")
        })
        .collect()
}

fn date(year: i32, month: u32, day: u32) -> CivilDate {
    CivilDate::from_ymd_opt(year, month, day).expect("a date of the calendar")
}

//! Holidays and business days against published values; the sources are named in
//! `tests/data/calendar/README.md`.

mod support;

use std::collections::BTreeMap;

use chrono::Datelike;
use counterfoil_calendar::{BusinessCalendar, CivilDate, federal_holidays};
use support::day;

const HOLIDAYS: &str = include_str!("../../../tests/data/calendar/federal_holidays_2024_2030.csv");
const BUSINESS_DAYS: &str = include_str!("../../../tests/data/calendar/business_days.csv");

fn rows(csv: &str) -> impl Iterator<Item = &str> {
    csv.lines().skip(1).filter(|line| !line.is_empty())
}

/// The published list writes one name shorter than 5 USC 6103(a) does.
fn statutory_name(published: &str) -> &str {
    match published {
        "Martin Luther King Jr. Day" => "Birthday of Martin Luther King, Jr.",
        other => other,
    }
}

/// Days closed from 2024-01-01 to New Year's Day 2031, each with its holiday's name.
fn closed_days() -> BTreeMap<CivilDate, String> {
    let mut closed = BTreeMap::new();
    for holiday in (2023..=2031).flat_map(federal_holidays) {
        closed.insert(holiday.on, holiday.name.to_owned());
        if holiday.observed != holiday.on {
            closed.insert(holiday.observed, format!("{} (observed)", holiday.name));
        }
    }
    closed.retain(|on, _| (day("2024-01-01")..=day("2031-01-01")).contains(on));
    closed
}

#[test]
fn federal_holidays_are_the_published_ones() {
    let published: BTreeMap<CivilDate, String> = rows(HOLIDAYS)
        .map(|row| {
            let (on, name) = row.split_once(',').expect("two columns");
            (day(on), statutory_name(name).to_owned())
        })
        .collect();
    // Eleven in each of seven years, seven observed on another day, New Year's Day 2031.
    assert_eq!(published.len(), 11 * 7 + 7 + 1, "the whole file was read");
    assert_eq!(closed_days(), published);
}

#[test]
fn business_day_examples_are_the_published_ones() {
    let mut examples = 0;
    for row in rows(BUSINESS_DAYS) {
        let columns: Vec<&str> = row.splitn(6, ',').collect();
        let [start, n, federal_office, regulation_z, federal_reserve, what] = columns[..] else {
            panic!("six columns in {row}");
        };
        let n: u16 = n.parse().expect("a count of business days");
        for (calendar, end) in [
            (BusinessCalendar::FederalOffice, federal_office),
            (BusinessCalendar::RegulationZRescission, regulation_z),
            (BusinessCalendar::FederalReserveBanking, federal_reserve),
        ] {
            let computed = calendar.add_business_days(day(start), n);
            assert_eq!(computed, day(end), "{calendar:?}, {start} + {n}: {what}");
        }
        assert_eq!(BusinessCalendar::latest_ending(day(start), n), day(federal_office), "{what}");
        examples += 1;
    }
    assert_eq!(examples, 28, "the whole file was read");
}

/// Working days per year of each calendar, counted with the PyPI packages holidays 0.109 and numpy
/// 2.4.6 over 5 USC 6103, 12 CFR 1026.2(a)(6) and the Federal Reserve's list.
#[test]
fn years_have_the_published_number_of_business_days() {
    for (year, federal_office, federal_reserve, regulation_z) in [
        (2024, 251, 251, 303),
        (2025, 250, 250, 302),
        (2026, 250, 251, 302),
        (2027, 249, 252, 303),
        (2028, 250, 251, 302),
        (2029, 250, 250, 303),
        (2030, 250, 250, 302),
    ] {
        for (calendar, expected) in [
            (BusinessCalendar::FederalOffice, federal_office),
            (BusinessCalendar::FederalReserveBanking, federal_reserve),
            (BusinessCalendar::RegulationZRescission, regulation_z),
        ] {
            let counted = CivilDate::from_ymd_opt(year, 1, 1)
                .expect("a first of January")
                .iter_days()
                .take_while(|date| date.year() == year)
                .filter(|date| calendar.is_business_day(*date))
                .count();
            assert_eq!(counted, expected, "{calendar:?} in {year}");
        }
    }
}

/// Counted with the PyPI package holidays 0.109 over every start date 2024-01-01 to 2030-11-30.
#[test]
fn calendars_part_on_the_published_number_of_start_dates() {
    let third = |calendar: BusinessCalendar, start| calendar.add_business_days(start, 3);
    let (mut starts, mut reserve_differs, mut regulation_z_differs) = (0, 0, 0);
    for start in day("2024-01-01").iter_days().take_while(|start| *start <= day("2030-11-30")) {
        let office = third(BusinessCalendar::FederalOffice, start);
        let regulation_z = third(BusinessCalendar::RegulationZRescission, start);
        assert!(regulation_z <= office, "Regulation Z ends later from {start}");
        starts += 1;
        regulation_z_differs += u32::from(regulation_z != office);
        reserve_differs +=
            u32::from(third(BusinessCalendar::FederalReserveBanking, start) != office);
    }
    assert_eq!((starts, reserve_differs, regulation_z_differs), (2_526, 15, 1_110));
}

/// Public Law 117-17 (2021) and Public Law 98-144 (first kept in 1986).
#[test]
fn holidays_begin_with_their_law() {
    let has = |year, name| federal_holidays(year).iter().any(|holiday| holiday.name == name);
    assert!(!has(2020, "Juneteenth National Independence Day"));
    assert!(has(2021, "Juneteenth National Independence Day"));
    assert!(!has(1985, "Birthday of Martin Luther King, Jr."));
    assert!(has(1986, "Birthday of Martin Luther King, Jr."));
    // 19 June 2021 was a Saturday, so federal offices closed on Friday the 18th.
    assert!(!BusinessCalendar::FederalOffice.is_business_day(day("2021-06-18")));
    assert!(BusinessCalendar::FederalOffice.is_business_day(day("2020-06-19")));
}

/// 5 USC 6103(c): a holiday for federal workers around Washington only.
#[test]
fn inauguration_day_is_a_business_day() {
    // 20 January 2021 was a Wednesday; in 2025 it was also the third Monday of January.
    assert!(BusinessCalendar::FederalOffice.is_business_day(day("2021-01-20")));
    assert!(!BusinessCalendar::FederalOffice.is_business_day(day("2025-01-20")));
}

#[test]
fn new_year_can_be_observed_in_the_year_before() {
    let new_year = federal_holidays(2028)[0];
    assert_eq!((new_year.on, new_year.observed), (day("2028-01-01"), day("2027-12-31")));
    assert!(!BusinessCalendar::FederalOffice.is_business_day(day("2027-12-31")));
    assert!(BusinessCalendar::FederalReserveBanking.is_business_day(day("2027-12-31")));
    assert!(BusinessCalendar::RegulationZRescission.is_business_day(day("2027-12-31")));
}

#[test]
fn codes_name_their_calendar_and_nothing_else() {
    for calendar in BusinessCalendar::ALL {
        assert_eq!(BusinessCalendar::from_code(calendar.as_code()), Some(calendar));
    }
    assert_eq!(
        BusinessCalendar::from_code("federal_office"),
        Some(BusinessCalendar::FederalOffice)
    );
    assert_eq!(BusinessCalendar::from_code("FederalOffice"), None);
    assert_eq!(BusinessCalendar::from_code(""), None);
}

//! Papers without anything random in them.

use calendar::{CivilDate, PeriodRule};
use domain::command::{Enrol, ImportReport, ItemSeen};
use domain::event::{Address, Card, Contact, ItemKind, Score};
use domain::ids::{ItemCode, StateCode};
use domain::terms::{Sale, Seat};
use domain::value::Personal;

use super::{bureau, personal, plan_code, text, usd};

fn item(number: u8) -> ItemCode {
    ItemCode::parse(&format!("item-{number}")).expect("a code of ours")
}

pub(super) fn card(token: &str) -> Card {
    Card {
        expires: text("2029-08"),
        last4: personal("4242"),
        token: Personal::card_token(token).expect("a code of ours"),
    }
}

pub(super) fn contact(number: u32, household: u32, state: &str, spelled_out: bool) -> Contact {
    let street = if spelled_out { "North Main Street" } else { "N MAIN ST" };
    Contact {
        address: Address {
            city: personal("Exampleton"),
            line1: personal(&format!("{household} {street}")),
            line2: Some(personal("Apt 4")),
            state: StateCode::parse(state).expect("a state"),
            zip: personal("60600"),
        },
        email: personal(&format!("client{number}@example.com")),
        name: personal(&format!("Client {number}")),
        phone: Personal::phone(&format!("+1202555{:04}", 100 + household % 100)).expect("a number"),
    }
}

/// An enrolment without anything random in it.
pub(crate) fn plain_enrolment(number: u32, sale: Sale, seat: Seat) -> Enrol {
    Enrol {
        billing: PeriodRule::every_days(30).expect("a rule within bounds"),
        birth_date: personal("1981-02-03"),
        card: Some(card(&format!("tok_c{number}"))),
        contact: contact(number, 100_000 + number, "IL", true),
        plan: plan_code(),
        sale,
        seat,
        ssn_last4: None,
        zone: None,
    }
}

/// A report of a bureau with so many items.
pub(crate) fn plain_report(at: usize, issued_on: CivilDate, items: u8) -> ImportReport {
    let seen = |number: u8| ItemSeen {
        balance: Some(usd(50_000)),
        delinquent_since: None,
        furnisher: text("Example Collections"),
        item: item(number),
        kind: ItemKind::ALL[usize::from(number) % ItemKind::ALL.len()],
    };
    ImportReport {
        bureau: bureau(at),
        card_balance: Some(usd(100_000)),
        completes_before: None,
        card_limit: Some(usd(300_000)),
        document: None,
        free_annual: false,
        inquiries: 2,
        issued_on,
        items: (0..items).map(seen).collect(),
        score: Some(Score { model: text("Model 8"), value: 581 }),
    }
}
